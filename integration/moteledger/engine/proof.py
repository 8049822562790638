"""The fan-off / fan-on decay test of a house, evaluated from its readings: what it delivers, or what is missing."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

import numpy as np

from motemodel.bounds import FloatArray
from motemodel.estimate import Answer, Decay, Estimate, HouseRecord, Unknown, decay_test, quotient
from motemodel.plan import ProofConditions

from ..settings import House
from ..store import Series
from .assessment import Caution, Delivery, Document, Figure, Moment, Period
from .cautions import Circumstances, cautions_for
from .delivery import bypass, evidence_of, verdict_on
from .figures import figure, product, spread
from .filter_advice import filter_advice
from .grid import GriddedHouse, gridded
from .proof_missing import Missing
from .survey import Survey, filled, survey

FanState = Literal["off", "on"]

WANTED_HALF_WIDTH = 0.15
"""The test may end when the 90 % interval of the clean air delivered reaches this share of it to either side."""
_UNLIKE_SENSORS = 1.3
"""Two particle sensors in the same air read alike to within this ratio (common practice, no source)."""
_UNFORESEEN_AIR_CHANGES = 1.0
SENSITIVE_PEOPLE = Caution(
    code="sensitive_people",
    applies_to="delivery",
    text="People with asthma, heart or lung disease, small children and pets leave the rooms while the level is raised "
    "and stay out until it has fallen again.",
)


class DecayFound(Document):
    """One usable decay, whether the fan ran in it, and the loss that it shows."""

    start: Moment
    end: Moment
    fan: FanState
    loss_per_h: Figure
    readings: int


class Proof(Document):
    """What the fan-off / fan-on test shows.

    `half_width` is that of the clean air delivered as a share of it, None where there is none yet; `enough` whether it
    is within `wanted_half_width`. `missing` says in words what would make it enough, the most telling first.
    """

    house: str
    period: Period
    fan_now: FanState | None
    indoor_pm25_now: float | None
    decays: tuple[DecayFound, ...]
    loss_fan_off_per_h: Figure
    loss_fan_on_per_h: Figure
    clean_air_delivered_m3h: Figure
    installed_efficiency: Figure
    expected_loss_fan_off_per_h: Figure
    expected_clean_air_delivered_m3h: Figure
    expected_installed_efficiency: Figure
    delivery: Delivery
    half_width: float | None
    wanted_half_width: float
    enough: bool
    missing: tuple[str, ...]
    remarks: tuple[str, ...]
    cautions: tuple[Caution, ...]


def prove(house: House, readings: Mapping[str, Series], *, wanted: float = WANTED_HALF_WIDTH) -> Proof:
    """Find and evaluate every decay in a house's readings; `wanted` is the half width at which it is enough.

    Decays are those with windows shut and the fan steadily off or on. Outdoor air that enters meanwhile is allowed for
    by the survey's entry rate. Raises AssessmentError where the readings cannot be put on a grid.
    """
    grid = gridded(house, readings)
    expected = survey(house, grid)
    record = _record(house, grid)
    found = decay_test(record, entry_per_h=entry_as_read(expected))
    delivered = found.clean_air_delivered_m3h
    now = grid.moment(grid.grid.end_h)
    half_width = (
        delivered.half_width / delivered.value if isinstance(delivered, Estimate) and delivered.value > 0 else None
    )
    enough = half_width is not None and half_width <= wanted
    return Proof(
        house=house.name,
        period=Period(
            start=grid.moment(grid.grid.start_h), end=now, step_s=record.step_h * 3600.0, time_zone=house.time_zone
        ),
        fan_now=_fan_now(record),
        indoor_pm25_now=_last_known(record.indoor),
        decays=tuple(_told(decay, grid) for decay in found.decays),
        loss_fan_off_per_h=figure(found.loss_fan_off_per_h, "1/h"),
        loss_fan_on_per_h=figure(found.loss_fan_on_per_h, "1/h"),
        clean_air_delivered_m3h=figure(delivered, "m3/h"),
        installed_efficiency=figure(_efficiency(delivered, expected.airflow_m3h), "1"),
        expected_loss_fan_off_per_h=figure(expected.loss_fan_off_per_h, "1/h"),
        expected_clean_air_delivered_m3h=figure(expected.clean_air_delivered_m3h, "m3/h"),
        expected_installed_efficiency=figure(expected.installed_efficiency, "1"),
        delivery=_judged(house, delivered, expected, grid),
        half_width=half_width,
        wanted_half_width=wanted,
        enough=enough,
        missing=() if enough else Missing(record, found, conditions_of(house, expected), wanted).told(),
        remarks=_remarks(house, grid),
        cautions=proof_cautions(house),
    )


def _judged(house: House, delivered: Answer, expected: Survey, grid: GriddedHouse) -> Delivery:
    filter_ = filter_advice(house, grid, grid.moment(grid.grid.end_h))
    slips = bypass(house, delivered, expected, filter_, grid)
    return verdict_on(
        delivered, expected.clean_air_delivered_m3h, replace(evidence_of(house, filter_, grid), bypass=slips)
    )


def proof_cautions(house: House) -> tuple[Caution, ...]:
    """The cautions that travel with the test."""
    usual = Circumstances(house, cooling_recently=False, fan_to_run=True, poor_air=False, low_airflow=False)
    return (SENSITIVE_PEOPLE, *(caution for caution in cautions_for(usual) if caution.applies_to != "filter"))


def entry_as_read(expected: Survey) -> Estimate:
    """The survey's entry rate between two sensors that need not read alike, 1/h."""
    return product(expected.entry_per_h, spread(1.0, _UNLIKE_SENSORS))


def conditions_of(house: House, expected: Survey) -> ProofConditions:
    """What a test of this house meets, from a level that is to be found.

    Where the survey does not let the delivery be foreseen, one house volume an hour is taken (common practice, no
    source).
    """
    due, volume = expected.clean_air_delivered_m3h, house.house.volume_m3
    clean_air = due.value if isinstance(due, Estimate) else 0.0
    return ProofConditions(
        volume_m3=volume,
        loss_fan_off_per_h=float(np.clip(expected.loss_fan_off_per_h.value, 0.02, 20.0)),
        clean_air_m3h=clean_air if clean_air > 0.01 * volume else _UNFORESEEN_AIR_CHANGES * volume,
        start_ug_m3=1.0,
        outdoor_ug_m3=house.outdoors.ordinary_pm25,
        entry_per_h=entry_as_read(expected),
    )


def _record(house: House, grid: GriddedHouse) -> HouseRecord:
    """The readings as the decay test takes them: airing is no decay, and a slow sensor's reading counts once."""
    indoor, outdoor, fan = grid.values_or_nan("indoor.pm25"), filled(grid.values_or_nan("outdoor.pm25")), grid.fan
    window = grid.values("window.open")
    if window is not None:
        indoor = np.where(np.nan_to_num(window) > 0.0, np.nan, indoor)
    step_h = grid.grid.step_h
    interval_h = min(grid.qualities["indoor.pm25"].typical_interval_h, 0.25)
    steps = max(1, round(interval_h / step_h))
    if steps > 1 and indoor.size >= 2 * steps:
        indoor, outdoor, fan = (
            values[: values.size // steps * steps].reshape(-1, steps).mean(axis=1) for values in (indoor, outdoor, fan)
        )
    else:
        steps = 1
    return HouseRecord(
        step_h=steps * step_h,
        start_h=grid.grid.start_h,
        volume_m3=house.house.volume_m3,
        outdoor=outdoor,
        indoor=indoor,
        fan=fan,
    )


def _efficiency(delivered: Answer, airflow: Answer) -> Answer:
    """Clean air delivered over all the air that the blower moves."""
    if isinstance(delivered, Unknown):
        return delivered
    return airflow if isinstance(airflow, Unknown) else quotient(delivered, airflow)


def _told(decay: Decay, grid: GriddedHouse) -> DecayFound:
    return DecayFound(
        start=grid.moment(decay.start_h),
        end=grid.moment(decay.end_h),
        fan="on" if decay.fan_on else "off",
        loss_per_h=figure(decay.loss_per_h, "1/h"),
        readings=decay.readings,
    )


def _fan_now(record: HouseRecord) -> FanState | None:
    last = _last_known(record.fan[-2:])
    return None if last is None else "on" if last > 0.5 else "off"


def _last_known(values: FloatArray) -> float | None:
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else None


def _remarks(house: House, grid: GriddedHouse) -> tuple[str, ...]:
    remarks = list(grid.remarks)
    leaks = max(house.air_handler.supply_leakage, house.air_handler.return_leakage)
    if leaks > 0.0:
        remarks.append(
            f"air that the ducts exchange with outdoors while the fan runs ({leaks:.0%} of the airflow by the survey) "
            "clears the house too and is part of this figure"
        )
    if grid.values("window.open") is None:
        remarks.append("no signal tells of open windows; the test holds only if they stayed shut")
    return tuple(remarks)
