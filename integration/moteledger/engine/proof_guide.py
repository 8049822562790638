"""The fan-off / fan-on test planned for a house: how long, from what level, and each step in the words of the trade."""

from dataclasses import replace
from math import ceil

from motemodel.estimate import Answer, Unknown
from motemodel.measure import TimeGrid
from motemodel.plan import (
    MIXING_H,
    ProofConditions,
    ProofPlan,
    SensorNoise,
    peak_from_release,
    plan_proof,
    start_needed,
)

from ..settings import House
from .assessment import Caution, Document, Figure
from .figures import figure
from .grid import GriddedHouse
from .proof import WANTED_HALF_WIDTH, conditions_of, proof_cautions
from .survey import survey

MEAL_MIN, MEAL_MG_PER_MIN = 20.0, 1.7
"""An ordinary cooked meal: PM2.5 by cooking as in Ozkaynak et al. (1996), J. Expo. Anal. Environ. Epidemiol. 6: 57-78,
from memory; twenty minutes of it, common practice, no source."""


class Step(Document):
    """One step of the test: how long it takes, minutes, None where it takes as long as it does; and what to do."""

    minutes: int | None
    text: str


class ProofGuide(Document):
    """The test for this house.

    `start_ug_m3` is the level from which the plan reckons, `cooking_ug_m3` what an ordinary meal should bring about,
    `one_test_from_ug_m3` the least level from which no repeat should be needed. `half_width` is what the 90 % interval
    of the clean air delivered should come to, as a share of it; None where no test of this kind will tell it.
    """

    house: str
    expected_loss_fan_off_per_h: Figure
    expected_clean_air_delivered_m3h: Figure
    start_ug_m3: float
    cooking_ug_m3: float
    one_test_from_ug_m3: float | None
    fan_off_min: int
    fan_on_min: int
    repeats: int
    one_peak: bool
    half_width: float | None
    wanted_half_width: float
    steps: tuple[Step, ...]
    remarks: tuple[str, ...]
    cautions: tuple[Caution, ...]


def guide(house: House, *, wanted: float = WANTED_HALF_WIDTH) -> ProofGuide:
    """Plan the test from what the house file knows; from an ordinary meal where that does, else from a higher level."""
    expected = survey(house, GriddedHouse(0, TimeGrid(0.0, 1.0, 1), {}))
    conditions, sensor = conditions_of(house, expected), SensorNoise()
    cooking = peak_from_release(MEAL_MIN * MEAL_MG_PER_MIN, MEAL_MIN / 60.0, conditions)
    needed = start_needed(conditions, sensor, wanted=wanted)
    plan, start = plan_proof(replace(conditions, start_ug_m3=cooking), sensor, wanted=wanted), cooking
    if not plan.reaches and needed is not None:
        plan, start = plan_proof(replace(conditions, start_ug_m3=needed), sensor, wanted=wanted), needed
    if not plan.reaches:
        # No number of repeats will do, so nobody is asked for them.
        plan = plan_proof(replace(conditions, start_ug_m3=start), sensor, wanted=wanted, most_repeats=1)
    return ProofGuide(
        house=house.name,
        expected_loss_fan_off_per_h=figure(expected.loss_fan_off_per_h, "1/h"),
        expected_clean_air_delivered_m3h=figure(expected.clean_air_delivered_m3h, "m3/h"),
        start_ug_m3=start,
        cooking_ug_m3=cooking,
        one_test_from_ug_m3=needed,
        fan_off_min=_minutes(plan.fan_off_h),
        fan_on_min=_minutes(plan.fan_on_h),
        repeats=plan.repeats,
        one_peak=plan.one_peak,
        half_width=plan.relative_half_width if plan.relative_half_width < 10.0 else None,
        wanted_half_width=wanted,
        steps=_steps(plan, start, cooking),
        remarks=tuple(_remarks(expected.clean_air_delivered_m3h, plan, conditions, needed)),
        cautions=proof_cautions(house),
    )


def _minutes(hours: float) -> int:
    return 5 * ceil(12.0 * hours - 1e-6)


def _steps(plan: ProofPlan, start: float, cooking: float) -> tuple[Step, ...]:
    fan_on = Step(
        minutes=_minutes(plan.fan_on_h),
        text="Fan on: set the thermostat's fan switch to on, heating and cooling still off. Touch nothing else.",
    )
    raising = Step(minutes=None, text=_raising(start, cooking))
    steps = [
        Step(
            minutes=10,
            text="Shut windows and outside doors, open the doors between rooms. Switch off room air cleaners, "
            "humidifiers, bath and dryer fans, and leave them off to the end. Check that both sensors tell a reading "
            "every minute or so: the indoor one at breathing height, away from cooker and supply registers.",
        ),
        Step(
            minutes=None,
            text="Fan to rest: set the thermostat's fan switch to automatic, heating and cooling off for the length of "
            "the test, if the weather allows.",
        ),
        raising,
        Step(
            minutes=_minutes(plan.fan_off_h),
            text="Fan off: once cooking is over and the level falls, wait. "
            f"The first {round(60 * MIXING_H)} minutes only even out the rooms.",
        ),
    ]
    if plan.one_peak:
        steps.append(fan_on)
    else:
        steps += [Step(minutes=None, text="Raise the level again, as before, with the fan off."), fan_on]
    if plan.repeats > 1:
        times = plan.repeats - 1
        steps.append(
            Step(
                minutes=None,
                text=f"Do all this {times} more time{'s' if times > 1 else ''}, over as many days as suit.",
            )
        )
    steps.append(
        Step(minutes=None, text="Set thermostat, cleaners and fans back to what they were, and air the kitchen.")
    )
    return tuple(steps)


def _raising(start: float, cooking: float) -> str:
    text = (
        f"Raise the level to about {start:.0f} µg/m³: cook an ordinary meal, as at any other time. "
        f"{MEAL_MIN:.0f} minutes of it should bring about {cooking:.0f} µg/m³ in this house. Over a gas flame keep the "
        "hood running. "
    )
    if start > 1.2 * cooking:
        text += "That will not do here: a licensed technician can raise it by a measured release that they control. "
    return text + (
        "Make no smoke, burn nothing and spray nothing for the test. Where the outdoor air is somewhat dirtier than "
        "indoors, is not poor, and everyone at home agrees, an ordinary airing counts as well; shut the windows again "
        "before the next step. On a day of poor outdoor air do not open windows for the test."
    )


def _remarks(due: Answer, plan: ProofPlan, conditions: ProofConditions, needed: float | None) -> list[str]:
    remarks = []
    if isinstance(due, Unknown):
        remarks.append(
            f"the survey does not let the delivery be foreseen ({due}); {conditions.clean_air_m3h:.0f} m³/h, one house "
            "volume an hour, is reckoned with"
        )
    if not plan.reaches:
        remarks.append(
            f"so little clean air is expected that no such test, however often, is likely to tell it to "
            f"±{plan.wanted:.0%}; the steps show one pass, but days of ordinary readings, given to "
            "`moteledger assess`, tell more"
            if needed is None
            else "the plan may fall short of what is wanted; a higher level does more than a longer wait"
        )
    return remarks
