"""The cautions that travel with advice: each with the condition under which it is shown.

They repeat what licensed practice and local codes ask for and replace neither.
"""

from collections.abc import Callable
from dataclasses import dataclass

from ..settings import House
from .assessment import Caution


@dataclass(frozen=True)
class Circumstances:
    """What the cautions depend on."""

    house: House
    cooling_recently: bool
    fan_to_run: bool
    poor_air: bool
    low_airflow: bool


def _always(_: Circumstances) -> bool:
    return True


_CAUTIONS: tuple[tuple[Caution, Callable[[Circumstances], bool]], ...] = (
    (
        Caution(
            code="carbon_monoxide",
            applies_to="fan",
            text="A particle filter does not remove carbon monoxide or other gases. Keep working CO and smoke alarms; "
            "if one sounds, leave and call for help.",
        ),
        _always,
    ),
    (
        Caution(
            code="leave_when_told",
            applies_to="fan",
            text="On smoke days filtered air indoors lowers exposure but does not make a house safe to stay in: "
            "when the authorities say leave, leave.",
            when="outdoor PM2.5 is above 35 µg/m³ over the last day, or forecast to be over the next",
        ),
        lambda now: now.poor_air,
    ),
    (
        Caution(
            code="coil_moisture",
            applies_to="fan",
            text="The fan running on after cooling blows the water that hangs on the coil back into the house. "
            "Let it rest a while after each cooling call, and watch indoor humidity.",
            when="cooling ran in the last day and the plan asks for the fan",
        ),
        lambda now: now.cooling_recently and now.fan_to_run,
    ),
    (
        Caution(
            code="combustion_draught",
            applies_to="fan",
            text="Leaky return ducts and exhaust fans can pull a room below outdoor pressure and draw flue gas back "
            "into it. With any open-flued appliance have a licensed technician test the draught with the fan running.",
        ),
        _always,
    ),
    (
        Caution(
            code="airflow_too_low",
            applies_to="filter",
            text="A clogged or too tight filter starves the blower: cooling coils ice up, heat exchangers overheat and "
            "limit switches trip. If airflow drops or the coil ices, stop cooling and call a licensed technician.",
            when="the filter's drop is above 80 % of its limit, or the airflow may be down to the least that coil and "
            "furnace bear, or is below 350 cfm (595 m³/h) for each ton of cooling",
        ),
        lambda now: now.low_airflow,
    ),
    (
        Caution(
            code="change_safely",
            applies_to="filter",
            text="Switch the air handler off before opening the filter door, keep hands off the blower and wiring, bag "
            "the old filter, and refit the door so that no air slips round it.",
        ),
        _always,
    ),
    (
        Caution(
            code="licensed_work",
            applies_to="delivery",
            text="Changes to ducts, blower speed, wiring or gas appliances belong to a licensed technician under the "
            "local code; these figures inform that work and do not replace its tests.",
        ),
        _always,
    ),
)


def cautions_for(now: Circumstances) -> tuple[Caution, ...]:
    """The cautions that the circumstances call for, in the order in which they matter."""
    return tuple(caution for caution, condition in _CAUTIONS if condition(now))
