"""What the filter's pressure has been: by quarters of an hour, brought to one airflow, for as long as it is in."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from motemodel.bounds import FloatArray
from motemodel.estimate import (
    STANDING_AIR,
    Answer,
    Estimate,
    PressureWatch,
    StepKind,
    Unknown,
    drop_at_reference,
    drop_when_new,
    watch_pressure,
)
from motemodel.measure import spans

from ..settings import House
from ..store import Series
from .airflow_fall import AirflowFall, clean_drop_at, drop_exponent, drop_exponents
from .grid import AssessmentError, GriddedHouse, gridded

_WIDTH_H = 0.25
_US_PER_H = 3_600_000_000
_STEADY = 0.99
_STOPPED = 0.5
"""A pressure that falls below this share of the run's highest in its last readings was read as the fan stopped."""
_RESTED = 0.25
"""Of what is read in the runs beside one: less is no new filter, whose drop is a third to a half of a spent one's
(common practice, no source)."""
_BESIDE = 12
"""Runs to either side of one that tell what it should read: a round that keeps step with the samples for a while, so
that they see only its ends, is outvoted, and a hose that is off for a day is not (common practice, no source)."""
_ALIKE_PA = 1e-6
"""Means of steps that one reading stands for are alike to their rounding."""
_PART_US = 14 * 24 * _US_PER_H
LONGEST_US = 2 * 8766 * _US_PER_H
"""How far back the past is looked at."""
FILTER_SIGNALS = {
    "indoor.pm25",
    "outdoor.pm25",
    "outdoor.temperature",
    "fan.running",
    "fan.runtime",
    "fan.runtime_total",
    "cooling.running",
    "heating.running",
    "filter.pressure_drop",
    "duct.airflow",
    "duct.static_pressure",
}
"""What the past of a filter is read from; the particles span the grid."""
_EXPONENT_OFF = 0.25
"""Of the power of the airflow with which the drop goes, 90 % (common practice, no source)."""
SENSOR_PA, SENSOR_SHARE = 1.0, 0.02
"""What a differential-pressure sensor in the field may be off, with 90 % confidence (common practice, no source)."""
NOT_DATED = Unknown("nobody has recorded when this filter went in", "record the day on which it is changed")

_PUT_IN_DAYS, _LEAST_PUT_IN_DAYS = 21.0, 7
"""First days of a filter by which the drop that it came with is told, and how many of them at least."""


@dataclass(frozen=True)
class FilterPast:
    """The past of the filter, (N,) each, oldest first.

    `time_us`: middle of the quarter, since 1970 UTC; `drop_pa` at the reference airflow while the fan ran throughout,
    NaN where it did not; `run_share` of the quarter, NaN where unknown; `static_pa` in the duct, NaN where unknown;
    `outdoor_c` temperature and `indoor_ug_m3` PM2.5, NaN where unknown; `airflow_share`: the airflow over the
    reference, NaN where the air stands, or it is neither measured nor told by the static pressure, which
    `airflow_measured` says of the whole.
    """

    time_us: NDArray[np.int64]
    drop_pa: FloatArray
    run_share: FloatArray
    static_pa: FloatArray
    outdoor_c: FloatArray
    indoor_ug_m3: FloatArray
    airflow_share: FloatArray
    airflow_measured: bool

    def then(self, later: "FilterPast") -> "FilterPast":
        """This past with what came later; where both know a time, the later one tells."""
        kept = self.time_us < (later.time_us[0] if later.time_us.size else np.inf)

        def joined(name: str) -> FloatArray:
            return np.concatenate((getattr(self, name)[kept], getattr(later, name)))

        return FilterPast(
            time_us=np.concatenate((self.time_us[kept], later.time_us)),
            drop_pa=joined("drop_pa"),
            run_share=joined("run_share"),
            static_pa=joined("static_pa"),
            outdoor_c=joined("outdoor_c"),
            indoor_ug_m3=joined("indoor_ug_m3"),
            airflow_share=joined("airflow_share"),
            airflow_measured=later.airflow_measured,
        )


def reference_airflow(house: House) -> float | None:
    """The airflow at which the filter's drop is told, m3/h: the system's own, else that of its first rating."""
    if house.air_handler.airflow is not None:
        return house.air_handler.airflow
    rated = house.filter.rated_drop if house.filter else ()
    return rated[0].airflow if rated else None


def steady_drop(house: House, gridded: GriddedHouse) -> FloatArray | None:
    """Drop at the reference airflow in the steps in which the fan ran throughout, NaN elsewhere; None without any."""
    drop = gridded.values("filter.pressure_drop")
    if drop is None:
        return None
    airflow, reference = gridded.values("duct.airflow"), reference_airflow(house)
    if airflow is not None and reference is not None:
        drop = drop_at_reference(drop, airflow, reference, drop_exponent(house))
    return _while_running(gridded, "filter.pressure_drop", drop)


def _while_running(gridded: GriddedHouse, name: str, values: FloatArray) -> FloatArray:
    """Values of a signal in the steps in which the fan ran throughout, NaN elsewhere."""
    # A step in which the fan started or stopped averages rest and run.
    running = gridded.fan > _STEADY
    found = np.where(running, values, np.nan)
    edges = spans(running)
    highest = np.fmax.reduceat(found, edges[:, 0]) if edges.size else np.empty(0)
    interval_h = gridded.signals[name].quality.typical_interval_h if name in gridded.signals else 0.0
    long = (edges[:, 1] - edges[:, 0]) * gridded.grid.step_h > 1.01 * interval_h
    known = highest[long & np.isfinite(highest)]
    usual = float(np.median(known)) if known.size else 0.0
    for (start, end), of_run_highest, is_long in zip(edges, highest, long, strict=True):
        # A reading taken as the fan stops tells of its rest, and stands for the time up to it all the same.
        of_run = found[start:end]
        last = of_run[-1]
        # A run no longer than the time between readings may have no other: what the longer ones read tells.
        against = of_run_highest if is_long else max(of_run_highest, usual)
        if not (np.isfinite(last) and last < _STOPPED * max(float(against), 0.0)):
            continue
        others = np.flatnonzero(~(np.abs(of_run - last) < _ALIKE_PA))
        if others.size or not is_long:
            of_run[int(others[-1]) + 1 if others.size else 0 :] = np.nan
    late = round(gridded.fan_late_h / gridded.grid.step_h)
    if late:
        _leave_out_unsampled_rests(found, edges, highest, late)
    return found


def _leave_out_unsampled_rests(found: FloatArray, runs: NDArray[np.intp], highest: FloatArray, late: int) -> None:
    """Of a fan that is sampled every `late` steps, NaN in place of what it may have rested for without being seen.

    Between two samples, and ever since the last one of a run, which may be its only one: then the runs beside it tell
    what it should have read. A drop that is low in all of them, by a hose or a door, stays.
    """
    for number, (start, end) in enumerate(runs):
        beside = highest[max(number - _BESIDE, 0) : number + _BESIDE + 1]
        of_run, beside = found[start:end], beside[np.isfinite(beside)]
        running = max(
            _STOPPED * float(highest[number]), _RESTED * float(np.median(beside)) if beside.size else 0.0, 0.0
        )
        for first, after in spans(of_run < running):
            if after - first <= late:
                of_run[first:after] = np.nan


def filter_past(house: House, gridded: GriddedHouse) -> FilterPast:
    """The quarters of an hour of a gridded period."""
    width = max(round(_WIDTH_H / gridded.grid.step_h), 1)
    count = -(-gridded.grid.count // width)
    drop = steady_drop(house, gridded)
    nothing = np.full(gridded.grid.count, np.nan)

    def medians(values: FloatArray) -> FloatArray:
        rows = np.concatenate((np.full(count * width - values.size, np.nan), values)).reshape(count, width)
        known = np.isfinite(rows).any(axis=1)
        found = np.full(count, np.nan)
        if known.any():
            found[known] = np.nanmedian(rows[known], axis=1)
        return found

    def means(values: FloatArray) -> FloatArray:
        rows = np.concatenate((np.full(count * width - values.size, np.nan), values)).reshape(count, width)
        known = np.isfinite(rows)
        return np.where(known.any(axis=1), np.nansum(rows, axis=1) / np.maximum(known.sum(axis=1), 1), np.nan)

    def while_running(name: str) -> FloatArray:
        return _while_running(gridded, name, gridded.values_or_nan(name))

    airflow_share = while_running("duct.airflow") / (reference_airflow(house) or np.nan)
    ends_h = gridded.grid.end_h - (count - 1 - np.arange(count) + 0.5) * width * gridded.grid.step_h
    return FilterPast(
        time_us=gridded.origin_us + np.round(ends_h * _US_PER_H).astype(np.int64),
        drop_pa=nothing[:count] if drop is None else medians(drop),
        run_share=means(gridded.fan),
        static_pa=medians(while_running("duct.static_pressure")),
        outdoor_c=means(gridded.values_or_nan("outdoor.temperature")),
        indoor_ug_m3=means(gridded.values_or_nan("indoor.pm25")),
        airflow_share=medians(np.where(airflow_share > STANDING_AIR, airflow_share, np.nan)),
        airflow_measured=gridded.values("duct.airflow") is not None,
    )


def past_in_parts(
    house: House, read: Callable[[int, int], Mapping[str, Series]], first_us: int, end_us: int
) -> FilterPast | None:
    """The past between two moments, by fortnights back from the end; what cannot be put on a grid is left out.

    Not farther back than two years. `read` gives the readings of `FILTER_SIGNALS` between two moments.
    """
    first_us = max(first_us, end_us - LONGEST_US)
    past: FilterPast | None = None
    edges = list(range(end_us, first_us, -_PART_US))[::-1]
    for edge in edges:
        try:
            part = filter_past(house, gridded(house, read(max(edge - _PART_US, first_us), edge)))
        except AssessmentError:
            continue
        past = part if past is None else past.then(part)
    return past


def watched(house: House, past: FilterPast, installed_us: int | None) -> PressureWatch:
    """The watch over the filter's past, with the sensor's accuracy in its interval.

    Where nobody knows the airflow, the drop is corrected for its usual fall as the filter loads, and the interval has
    that correction to either side; where it is known, what another exponent would make of it.
    """
    known = np.isfinite(past.drop_pa)
    time_h = past.time_us / _US_PER_H
    reference = reference_airflow(house)
    clean = clean_drop_at(house, reference)
    drop = past.drop_pa if past.airflow_measured else AirflowFall(house, reference).full(past.drop_pa)
    at = float(np.median(drop[known][-96:])) if known.any() else 0.0
    hidden = at - float(np.median(past.drop_pa[known][-96:])) if known.any() else 0.0
    share = past.airflow_share[known & np.isfinite(past.airflow_share)][-96:]
    if past.airflow_measured and share.size and len(drop_exponents(house)) > 1:
        hidden = at * _EXPONENT_OFF * float(np.abs(np.log(np.median(share))))
    off = float(np.hypot(sensor_off_pa(at), hidden))
    return watch_pressure(
        time_h,
        drop,
        known.astype(np.float64),
        clean_drop_pa=clean,
        static_pa=past.static_pa if np.isfinite(past.static_pa).any() else None,
        installed_h=-np.inf if installed_us is None else installed_us / _US_PER_H,
        run_h=_run_h(past),
        accuracy=(off, off),
    )


def changed_us(watch: PressureWatch) -> float:
    """When the newest change of the filter was that the drop shows, us since 1970; minus infinity without any."""
    return max(
        (step.time_h * _US_PER_H for step in watch.steps if step.kind is StepKind.FILTER_CHANGED), default=-np.inf
    )


def put_in_us(watch: PressureWatch, installed_us: float | None) -> float:
    """When the filter that is in went in, as far as anybody or its drop tells; minus infinity where none does."""
    return max(changed_us(watch), -np.inf if installed_us is None else installed_us)


def new_drop(past: FilterPast, watch: PressureWatch, installed_us: int | None) -> Answer:
    """The drop at the reference airflow of the filter that is in, Pa, when it was new (see `drop_when_new`).

    Of a filter known to have gone in on a day, from the day after: until then the one before may have been in.
    """
    since_h = put_in_us(watch, None if installed_us is None else installed_us + 24 * _US_PER_H) / _US_PER_H
    if not np.isfinite(since_h):
        return Unknown("nobody knows when this filter went in", "record the day on which it is changed")
    if not watch.sound:
        return Unknown("the filter's drop is not to be trusted now", "look at filter, doors, hose and registers")
    time_h = past.time_us / _US_PER_H
    found = drop_when_new(time_h, past.drop_pa, since_h)
    if isinstance(found, Unknown):
        return found
    off = sensor_off_pa(found.value)
    return drop_when_new(time_h, past.drop_pa, since_h, (off, off))


def drop_put_in(past: FilterPast, watch: PressureWatch, since_us: float) -> Estimate | None:
    """The drop at the reference airflow on the day on which this filter went in, Pa, by the same sensor's readings.

    The line of its logarithm (Li et al. 2022, `filters.ExponentialLoading`) over the hours run through its first weeks,
    back to that day; the interval is that of the line, by Student's t. None where they are not on record, or hold less
    running than lies before them: so far back another law of loading would lead elsewhere.
    """
    daily, time_h, since_h = watch.daily, past.time_us / _US_PER_H, since_us / _US_PER_H
    first = (daily.time_h >= since_h) & (daily.time_h < since_h + 24.0 * _PUT_IN_DAYS)
    first &= daily.drop_pa > 1.0
    if np.count_nonzero(first) < _LEAST_PUT_IN_DAYS or time_h[0] > since_h + 24.0:
        return None
    since_put_in = daily.run_h[first] - float(np.interp(since_h, time_h, _run_h(past)))
    if not since_put_in.max() > 2.0 * since_put_in.min():
        return None
    line, covariance = np.polyfit(since_put_in, np.log(daily.drop_pa[first]), 1, cov=True)
    student = float(stdtrit(np.count_nonzero(first) - 2, 0.95))
    drop, ratio = float(np.exp(line[1])), float(np.exp(student * np.sqrt(covariance[1, 1])))
    return Estimate(drop, drop / ratio, drop * ratio)


def sensor_off_pa(drop_pa: float) -> float:
    """How far a reading of the drop may be off, Pa, with 90 % confidence."""
    return float(np.hypot(SENSOR_PA, SENSOR_SHARE * drop_pa))


def _run_h(past: FilterPast) -> FloatArray:
    """Hours that the fan has run by the end of each quarter, at its mean where nobody knows."""
    known, time_h = past.run_share[np.isfinite(past.run_share)], past.time_us / _US_PER_H
    mean = float(known.mean()) if known.size else 0.0
    step_h = float(np.median(np.diff(time_h))) if time_h.size > 1 else _WIDTH_H
    return np.cumsum(np.nan_to_num(past.run_share, nan=mean)) * step_h
