"""The limits of a filter: its drop and age apart, too little air for heating and cooling, too few fine particles.

The first of all limits gives the date and its reason; `told_limits` says the day of each, or why it has none.
"""

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from motemodel.airside import DuctCurve, NoOperatingPointError
from motemodel.bounds import FloatArray
from motemodel.estimate import Answer, Estimate, Unknown
from motemodel.filters import CLEAN, DUST_GRID, Deposit, Filter, as_installed
from motemodel.particles import DEFAULT_GRID, HOUSE_DUST, OUTDOOR_URBAN
from motemodel.plan import PM25_BINS, Filling, Reach, reach_by_fading

from ..settings import House
from .airflow_fall import clean_drop_at, drop_exponent
from .assessment import FARTHEST_DAYS, FilterLimit, LimitReason
from .filter_past import NOT_DATED, FilterPast, reference_airflow
from .fitted import least_airflow_m3h, variants
from .grid import GriddedHouse
from .low_airflow import airflow_read_lately
from .survey import assembly, dust_of
from .system import ComparisonError, System, surveyed_system

_ROOM = 1.2
"""A filter that is down to the least airflow before its drop has grown by this is not what holds the air back (common
practice, no source)."""
_READ_OFF = 0.07
"""Of an airflow that is read while the system runs, 90 %: as of a flow grid (common practice, no source)."""
_FITS_SURVEY = (0.6, 1.6)
_SCREENING_OFF, _EXPOSURE_OFF = 2.0, 1.5
"""Times that the particle surface that screens the charge may be off, which is "two or more" (`filters.charge`), and
the mean air ahead beside that recorded (common practice, no source)."""
_REASONS: dict[LimitReason, tuple[str, str, str]] = {
    "pressure": (
        "By then its resistance reaches the limit.",
        "Its resistance has reached the limit.",
        "Its resistance hardly grows so far.",
    ),
    "airflow": (
        "By then the fan moves only just the air that heating and cooling need.",
        "The fan moves only just the air that heating and cooling need.",
        "It hardly takes from the airflow so far.",
    ),
    "efficiency": (
        "By then it takes no more of the fine particles than it has to.",
        "It takes no more of the fine particles than it has to.",
        "It will take enough of the fine particles for as long as can be foreseen.",
    ),
    "dust": (
        "By then it has taken the dust it can hold.",
        "It has taken the dust it can hold.",
        "So little dust comes that it does not fill.",
    ),
    "age": (
        "By then it has been in use as long as it should.",
        "It has been in use as long as it should.",
        "It does not age.",
    ),
}
"""Why it is to be changed: for a day to come, for today, and where that day never comes."""


def because(reach: Reach) -> str:
    """The sentence that says why a filter is to be changed when a limit is reached, or that it never is."""
    to_come, reached, never = _REASONS[_reason(reach.reason)]
    return never if not math.isfinite(reach.days) else to_come if reach.days > 0.0 else reached


def day_of(days: float, today: date) -> date:
    """The day that many days ahead, at the most ten years."""
    return today + timedelta(days=round(min(days, FARTHEST_DAYS)))


def told_limits(limits: Mapping[LimitReason, Reach | Unknown], today: date) -> tuple[FilterLimit, ...]:
    """Each limit with its day, the first to come first, or with why there is none."""
    told = []
    for reason, reach in limits.items():
        if isinstance(reach, Unknown):
            told.append(FilterLimit(reason=reason, told=f"{str(reach)[0].upper()}{str(reach)[1:]}."))
        elif not math.isfinite(reach.days):
            told.append(FilterLimit(reason=reason, told=because(reach)))
        else:
            on, earliest, latest = (day_of(days, today) for days in (reach.days, reach.low, reach.high))
            told.append(FilterLimit(reason=reason, on=on, earliest=earliest, latest=latest, told=because(reach)))
    return tuple(sorted(told, key=lambda limit: limit.on or date.max))


def drop_at_least_airflow(house: House, gridded: GriddedHouse, drop: Answer, put_in: Estimate | None) -> Answer:
    """The drop at the reference airflow, Pa, at which the system moves the least air that coil and furnace bear.

    By the surveyed blower and ducts, made to move what is read where the airflow is; `drop` is that of now and `put_in`
    that of this filter when it was new. The interval is how far the airflow may be off. It is above the new filter's:
    a filter that leaves too little air from the first day on is the wrong one, or not to blame.
    """
    reference = reference_airflow(house)
    try:
        system = surveyed_system(house)
    except ComparisonError:
        system = None
    if system is None or reference is None:
        return Unknown(
            "how much air the system moves is not known",
            "a technician can measure its airflow and its static pressure",
        )
    least = least_airflow_m3h(system)
    if least is None:
        return Unknown(
            "how much air heating and cooling need is not known",
            "the cooling capacity, or the furnace's output and its greatest temperature rise, stand on the nameplates",
        )
    moved = _moved_over_survey(house, gridded, system, drop)
    if isinstance(moved, Unknown):
        return moved
    clean = clean_drop_at(house, reference) if put_in is None else put_in.value
    handler, exponent = system.with_fittings(None), drop_exponent(house)

    def drop_at(moved_over_survey: float) -> float:
        airflow = least / moved_over_survey
        try:
            return float(handler.filter_drop_at(airflow) * (reference / airflow) ** exponent)
        except NoOperatingPointError:
            at_its_end = float(system.blower.airflow_m3h(system.blower.static_range_pa[1]))
            return math.inf if at_its_end >= airflow else 0.0

    limit, new = drop_at(moved.value), clean or 0.0
    if not math.isfinite(limit):
        return Unknown(
            "the blower moves enough air as far as its curve is known",
            "nothing is to be done unless the airflow is found to be low",
        )
    if limit <= _ROOM * new:
        return Unknown(
            "even a new filter of this kind leaves hardly the air that heating and cooling need",
            "have a technician look at ducts, coil and blower, or fit a larger filter",
        )
    low, high = max(drop_at(moved.low), new), drop_at(moved.high)
    return Estimate(limit, low, high if math.isfinite(high) else 2.0 * limit - low)


def _moved_over_survey(house: House, gridded: GriddedHouse, system: System, drop: Answer) -> Answer:
    """The airflow over that which the surveyed blower and ducts would have with this filter; Unknown if unmeasured."""
    handler = house.air_handler
    read, reference = airflow_read_lately(gridded), reference_airflow(house)
    if read is not None and reference is not None and isinstance(drop, Estimate) and drop.value > 0.0:
        with_it = DuctCurve(reference, drop.value, drop_exponent(house))
        try:
            moved = read / system.with_fittings(None).operating_point(with_it).airflow_m3h
        except NoOperatingPointError:
            moved = math.nan
        if not _FITS_SURVEY[0] < moved < _FITS_SURVEY[1]:
            return Unknown(
                "the airflow that is read does not fit blower and ducts as surveyed", "have a technician measure again"
            )
        return Estimate(moved, moved * (1.0 - _READ_OFF), moved * (1.0 + _READ_OFF))
    if handler.airflow_known_by != "measured" and not handler.blower_table:
        return Unknown("the airflow was never measured", "a technician can measure it")
    unsure = handler.airflow_uncertainty
    return Estimate(1.0, 1.0 - unsure, 1.0 + unsure)


def reach_by_efficiency(house: House, past: FilterPast, since_us: float, today: date) -> Reach | Unknown | None:
    """Days until the filter takes less of PM2.5 than the house file asks for; None where it asks for nothing.

    What it has taken and will take is reckoned with the fan's hours and the indoor PM2.5 recorded since it went in, or
    while they were before, and with house dust as such homes have it.
    """
    settings = house.filter
    if settings is None or settings.least_efficiency is None:
        return None
    fitted, airflow = assembly(settings), house.air_handler.airflow
    if fitted is None or airflow is None:
        return Unknown(
            "for how much it still takes, its size, its resistance when new and the system's airflow have to be known",
            "its data sheet and a technician can tell them",
        )
    if settings.installed is None:
        return NOT_DATED
    of_air = _exposure(past, since_us)
    if of_air is None:
        return Unknown("the fine particles indoors are not known while the fan runs", "wait for a day of readings")
    used = float(max((today - settings.installed).days, 0))
    ran, exposure_ug_m3 = of_air
    dust = dust_of(house)

    def filling(filter_: Filter, exposure: float = 1.0, dust_ug_m3: float = dust.value) -> Filling:
        daily = _taken_in_a_day(filter_, airflow, exposure * exposure_ug_m3, exposure * ran * dust_ug_m3)
        return Filling(filter_, daily.times(used), daily)

    least, middle, most = variants(settings)
    best = filling(middle)
    new = float(replace(best, taken=CLEAN).pm25_efficiency(airflow, np.zeros(1))[0])
    floor = settings.least_efficiency
    if new <= floor:
        return Unknown(
            f"even a new one takes {new:.0%} of the fine particles, and {floor:.0%} are asked for",
            "choose a better filter, or have the gaps round it closed",
        )
    unsure = house.air_handler.airflow_uncertainty
    doubts = [
        (filling(least), filling(most)),
        (filling(middle, _EXPOSURE_OFF), filling(middle, 1.0 / _EXPOSURE_OFF)),
        (filling(middle, 1.0 + unsure), filling(middle, 1.0 - unsure)),
        (filling(middle, dust_ug_m3=dust.high), filling(middle, dust_ug_m3=dust.low)),
    ]
    if middle.charge is not None:
        screening = middle.charge.screening_m2_per_m2
        sooner, later = (
            replace(middle, charge=replace(middle.charge, screening_m2_per_m2=screening * times))
            for times in (1.0 / _SCREENING_OFF, _SCREENING_OFF)
        )
        doubts.append((filling(sooner), filling(later)))
    return reach_by_fading(best, doubts, airflow, floor)


def _exposure(past: FilterPast, since_us: float) -> tuple[float, float] | None:
    """Share of the time that the fan ran, and indoor PM2.5 by that share, ug/m3; None where nothing is known."""
    passed = past.run_share * past.indoor_ug_m3
    for of_this_one in (past.time_us >= since_us, np.ones(past.time_us.shape, dtype=bool)):
        known = of_this_one & np.isfinite(passed)
        if known.any():
            return float(past.run_share[known].mean()), float(passed[known].mean())
    return None


def _taken_in_a_day(filter_: Filter, airflow_m3h: float, exposure_ug_m3: float, dust_ug_m3: float) -> Deposit:
    """What a filter takes in a day of air with that much PM2.5, spread over sizes as outdoors, and house dust."""
    of_pm25 = OUTDOOR_URBAN.bin_fractions(DEFAULT_GRID)
    fine = np.zeros(DUST_GRID.count)
    fine[: DEFAULT_GRID.count] = exposure_ug_m3 * of_pm25 / of_pm25[:PM25_BINS].sum()
    air: FloatArray = fine + dust_ug_m3 * HOUSE_DUST.bin_fractions(DUST_GRID)
    sizes = DUST_GRID.midpoints_um
    return Deposit.by_size(air * as_installed(filter_, sizes, airflow_m3h) * airflow_m3h * 24.0 / 1000.0, sizes)


def _reason(name: str) -> LimitReason:
    """The name of a limit as one of those that there are."""
    return next(reason for reason in _REASONS if reason == name)
