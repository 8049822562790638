"""When the filter's drop meets its limit: its trend so far, over the fan's running and the dust that lie ahead."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from motemodel.bounds import FloatArray
from motemodel.estimate import Z_90, DailyDrops, Estimate, PressureWatch
from motemodel.filters import clogging_weight
from motemodel.particles import HOUSE_DUST, INDOOR_COOKING, MassDistribution, SizeGrid
from motemodel.plan import (
    TEMPERATE,
    Climate,
    DropHistory,
    LoadAhead,
    Reach,
    reach_by_clogging,
    running_ahead,
    running_habit,
    usual_season,
)

from ..settings import FilterSettings, House
from .airflow_fall import AirflowFall, drop_exponent, drop_exponents
from .assessment import LimitReason
from .filter_before import FilterBefore
from .filter_past import FilterPast, reference_airflow
from .survey import dust_of, efficiency_curve

_US_PER_DAY = 24 * 3_600_000_000
_AHEAD_DAYS = 1500
_LOOKED_AT = np.unique(np.round(np.geomspace(1.0, _AHEAD_DAYS, 150)).astype(np.intp))
"""Days ahead for which the chance to be at the limit is reckoned; it is smooth between them."""
_TOLD_SD_C = 1.5
_LATE_DAYS = 30
_DUST_SCORES = np.linspace(-2.5, 2.5, 6)
"""Standard scores of a house's dust among such homes, by its logarithm; which it is, the filter's growth tells."""


def reaches_by_pressure(
    house: House,
    past: FilterPast,
    watch: PressureWatch,
    before: Sequence[FilterBefore],
    limits: Mapping[LimitReason, Estimate],
    clean_pa: float | None,
) -> dict[LimitReason, Reach]:
    """Days until the drop meets each of its limits, Pa; without those of which they cannot be told.

    `before`: filters like it before this; `clean_pa`: the drop that they come with, None if unknown. The fan runs by
    its own habit with the season's temperature, recorded here as far as it is and else of the house file's climate. The
    filter takes house dust, always alike, and PM2.5, as measured indoors.
    """
    if house.filter is None or watch.daily.drop_pa.size == 0 or not limits:
        return {}
    day, share, outdoor_c, indoor = _by_day(past)
    usual = usual_season(day, outdoor_c, _climate(house))
    habit = running_habit(share, np.where(np.isfinite(outdoor_c), outdoor_c, usual.expected_c(day)))
    to_come = day[-1] + 1.0 + np.arange(_AHEAD_DAYS)
    late = outdoor_c[-2:] - usual.expected_c(day[-2:])
    anomaly = float(np.nanmean(late)) if np.isfinite(late).any() else 0.0
    running = running_ahead(habit, usual, to_come, anomaly_k=anomaly)
    share = np.where(np.isfinite(share), share, habit.share(usual.expected_c(day)))
    # A filter whose airflow was known is not brought to the reference as one whose airflow was not.
    alike = [each for each in before if each.past.airflow_measured == past.airflow_measured]
    this_and_earlier = (FilterBefore(past, watch.daily), *alike)
    dusts = _dustiness(house.filter, house, indoor)
    share_per_day = float(running.run_days[_LATE_DAYS - 1]) / _LATE_DAYS

    def history(of_day: DailyDrops, drop: FloatArray, airflow: FloatArray, dusty_share: FloatArray) -> DropHistory:
        load = np.cumsum(dusty_share * np.interp(day + 0.5, of_day.time_h / 24.0, airflow))
        on_each = np.interp(of_day.time_h / 24.0, day + 1.0, load)
        return DropHistory(on_each, drop, float(load[-1]), clean_pa=np.nan if clean_pa is None else clean_pa)

    def of_one_drop(drops: Sequence[_Drop]) -> Iterator[tuple[DropHistory, LoadAhead]]:
        for dustiness, weight in dusts:
            this, *earlier = (
                history(each.daily, drop.at_reference_pa, drop.airflow_share, share * dustiness)
                for each, drop in zip(this_and_earlier, drops, strict=True)
            )
            ahead_dusty = 0.5 * (1.0 + float(dustiness[-_LATE_DAYS:].mean()))
            per_run_day = ahead_dusty * drops[0].airflow_ahead
            ahead = LoadAhead(
                _LOOKED_AT.astype(np.float64),
                per_run_day * running.run_days[_LOOKED_AT - 1],
                per_run_day * running.run_days_sd[_LOOKED_AT - 1],
            )
            yield replace(this, weight=weight * drops[0].weight, earlier=tuple(earlier)), ahead

    found = {}
    for reason, limit in limits.items():
        limit_sd = (limit.high - limit.low) / 2.0 / Z_90
        drops = (_drops(house, each.past, each.daily, limit.value) for each in this_and_earlier)
        ways = [tuple(of_one_drop(of_each)) for of_each in zip(*drops, strict=True)]
        reach = reach_by_clogging(reason, ways, limit.value, limit_sd, share_per_day)
        if reach is not None:
            found[reason] = reach
    return found


def _by_day(past: FilterPast) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Each day since 1970 from the first to the last: number, share run, outdoor degC, indoor PM2.5; NaN if unknown."""
    number = past.time_us // _US_PER_DAY
    first = int(number[0])
    at = (number - first).astype(np.intp)
    count = int(at[-1]) + 1

    def means(values: FloatArray) -> FloatArray:
        known = np.isfinite(values)
        seen = np.bincount(at[known], minlength=count)
        total = np.bincount(at[known], values[known], minlength=count)
        return np.asarray(np.divide(total, seen, out=np.full(count, np.nan), where=seen > 0))

    day = first + np.arange(float(count))
    return day, means(past.run_share), means(past.outdoor_c), means(past.indoor_ug_m3)


def _climate(house: House) -> Climate:
    """The climate of the house file where it states it, else a temperate one that may be far off."""
    told = house.outdoors
    if not {"coldest_month", "warmest_month"} <= told.model_fields_set:
        return TEMPERATE
    mean, swing = (told.warmest_month + told.coldest_month) / 2.0, (told.warmest_month - told.coldest_month) / 2.0
    return Climate(mean, swing, _TOLD_SD_C, _TOLD_SD_C)


@dataclass(frozen=True)
class _Drop:
    """A way to bring the drop to the reference airflow, day by day, and how likely it is.

    With it goes the share of the airflow that was left, which is the dusty air that the filter saw, and the share until
    the limit.
    """

    at_reference_pa: FloatArray
    airflow_share: FloatArray
    airflow_ahead: float
    weight: float


def _drops(house: House, past: FilterPast, daily: DailyDrops, limit_pa: float) -> list[_Drop]:
    """The drop at the reference airflow, in as many ways as it may be brought there."""
    fall = AirflowFall(house, reference_airflow(house))
    found = []
    if past.airflow_measured:
        share = _share_on(past, daily.time_h)
        for exponent, weight in drop_exponents(house):
            drop = daily.drop_pa * share ** (drop_exponent(house) - exponent)
            ahead = share[-1] - 0.5 * fall.seen(drop, share) * max(limit_pa - float(drop[-1]), 0.0)
            found.append(_Drop(drop, share, max(float(ahead), 0.1), weight))
        return found
    read = fall.as_read(daily.drop_pa)
    for times, weight in fall.may_be:
        drop = fall.full(read, times)
        ahead = fall.airflow_share(np.array([drop[-1], limit_pa]), times).mean()
        found.append(_Drop(drop, fall.airflow_share(drop, times), float(ahead), weight))
    return found


def _share_on(past: FilterPast, time_h: FloatArray) -> FloatArray:
    """The airflow over the reference on each day of `time_h`, of as many readings as a day has; one if none is known.

    None is where there is no airflow to refer to, or where the sensor is new and the fan has not run since.
    """
    day, known = past.time_us // _US_PER_DAY, np.isfinite(past.airflow_share)
    if not known.any():
        return np.ones_like(time_h)
    days, at = np.unique(day[known], return_inverse=True)
    of_day = np.split(past.airflow_share[known], np.flatnonzero(np.diff(at)) + 1)
    return np.interp(time_h // 24.0, days, [np.median(values) for values in of_day])


def _dustiness(settings: FilterSettings, house: House, indoor_ug_m3: FloatArray) -> list[tuple[FloatArray, float]]:
    """How much each day's air loads the filter beside the mean, for little to much house dust, and how likely each is.

    What is made indoors and what comes in is weighed by what it does to the drop, `filters.clogging_weight`.
    """
    mean = float(np.nanmean(indoor_ug_m3))
    if not mean > 0.0:
        return [(np.ones(indoor_ug_m3.size), 1.0)]
    # Single readings of a sensor may be far off; ten times the mean is a fire.
    departs = np.clip(np.nan_to_num(indoor_ug_m3, nan=mean) / mean, 0.0, 10.0) - 1.0
    curve = efficiency_curve(settings)

    def clogging(distribution: MassDistribution, low: float, high: float) -> float:
        grid = SizeGrid(tuple(np.geomspace(low, high, 41)))
        at = grid.midpoints_um
        return float(np.sum(distribution.bin_fractions(grid) * curve(at) * clogging_weight(at)))

    fine = mean * clogging(INDOOR_COOKING, 0.01, 2.5) / INDOOR_COOKING.fraction_between(0.01, 2.5)
    coarse = clogging(HOUSE_DUST, 0.01, 300.0)
    if fine + coarse <= 0.0:
        return [(np.ones(indoor_ug_m3.size), 1.0)]
    dust = dust_of(house)
    parts = fine / (fine + coarse * dust.value * (dust.high / dust.value) ** (_DUST_SCORES / Z_90))
    return [(1.0 + part * departs, weight) for part, weight in zip(parts, np.exp(-0.5 * _DUST_SCORES**2), strict=True)]
