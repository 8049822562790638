"""The pressure watch: the filter's drop at a reference airflow, its trend, and sudden steps.

A filter's drop goes with the airflow as dp ~ Q^n, n between 1 (laminar) and 2 (turbulent), on average as measured by Li
et al. (2022; `filters.USUAL_EXPONENT`). Only time with the fan running counts, and it is what loads the filter.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from ..bounds import FloatArray
from ..filters import USUAL_EXPONENT
from .answer import Z_90, Answer, Estimate, Unknown
from .theil_sen import theil_sen_line

_DEAD_PA = 1.5
_LEAST_DAYS = 5
_SETTLE_H = 12.0
_BACK_H = 36.0
_HELD, _READ_TO_PA = 2.5, 1.0
"""Scatters from a day's median beyond which a reading is held there, and what field sensors are read to (common
practice, no source)."""
STANDING_AIR = 0.05
"""Share of the reference airflow up to which a sensor tells of air that stands, or of nothing (common practice, no
source)."""
# Filters of one kind differ by about a tenth, and so does the airflow through them (common practice, no source).
_NEAR_CLEAN = (0.8, 1.25)


class StepKind(StrEnum):
    """What a sudden, lasting change of the filter's drop most likely is."""

    FILTER_CHANGED = "filter changed"
    DOOR_OPEN = "filter or blower door open for a while"
    FILTER_MISSING = "filter missing or collapsed"
    PORT_BLOCKED = "pressure port blocked or hose off"
    READING_BACK = "the reading is back"
    REGISTER_CLOSED = "registers closed or duct obstructed"
    UNEXPLAINED = "unexplained"


@dataclass(frozen=True)
class PressureStep:
    """A sudden change at `time_h`: the drop at the reference airflow before and after, Pa, and what it likely is."""

    time_h: float
    before_pa: float
    after_pa: float
    kind: StepKind
    evidence: str


@dataclass(frozen=True)
class DailyDrops:
    """Each day with the fan running since the last filter change, (N,) each, oldest first.

    Median time and hours run by then, h; centre of its drops at the reference airflow, Pa.
    """

    time_h: FloatArray
    run_h: FloatArray
    drop_pa: FloatArray


_NO_DAYS = DailyDrops(np.empty(0), np.empty(0), np.empty(0))


@dataclass(frozen=True)
class PressureWatch:
    """The drop now at the reference airflow (Pa), its growth since the last filter change (Pa/day), and the steps.

    `daily` is what they were told from; without a day where the drop cannot be told.
    """

    drop_at_reference_pa: Answer
    growth_pa_per_day: Answer
    steps: tuple[PressureStep, ...]
    sound: bool
    daily: DailyDrops = _NO_DAYS


def drop_at_reference(
    drop_pa: FloatArray, airflow_m3h: FloatArray, reference_m3h: float, exponent: float = USUAL_EXPONENT
) -> FloatArray:
    """The drop (Pa) that the filter would show at the reference airflow: dp (Q_ref / Q)^n; NaN where the air stands.

    >>> drop_at_reference(np.array([50.0]), np.array([1000.0]), 2000.0, 2.0).tolist()
    [200.0]
    """
    if not (reference_m3h > 0.0 and 0.8 <= exponent <= 2.2):
        raise ValueError(
            f"drop at reference: reference {reference_m3h:g} m3/h, exponent {exponent:g}; "
            "give an airflow above zero and an exponent of 1 to 2"
        )
    flowing = airflow_m3h > STANDING_AIR * reference_m3h
    ratio = np.divide(reference_m3h, airflow_m3h, out=np.full(np.shape(drop_pa), np.nan), where=flowing)
    return np.asarray(drop_pa * ratio**exponent)


def watch_pressure(
    time_h: FloatArray,
    drop_pa: FloatArray,
    fan: FloatArray,
    *,
    clean_drop_pa: float | None = None,
    static_pa: FloatArray | None = None,
    installed_h: float = -np.inf,
    run_h: FloatArray | None = None,
    accuracy: tuple[float, float] = (0.0, 0.0),
) -> PressureWatch:
    """Watch a filter's drop, already brought to the reference airflow where the airflow is known.

    `time_h` (h, increasing), `drop_pa` (Pa), `fan` (fraction on): one reading or grid step each, NaN where unknown.
    `clean_drop_pa`: the clean filter's drop at the reference airflow; the lowest quarter of the record otherwise.
    `static_pa`: duct static pressure downstream of the blower, Pa, alike in shape, to tell closed registers.
    `installed_h`: when this filter went in, if known; `run_h`: hours that the fan has run by then, else from `fan`.
    `accuracy`: how far (Pa) the drop may lie below and above what was read, with 90 % confidence, at all times alike;
    it widens the drop and not its growth.
    """
    for name, values in (("drop", drop_pa), ("fan", fan), ("static", static_pa), ("run_h", run_h)):
        if values is not None and np.shape(values) != np.shape(time_h):
            raise ValueError(
                f"pressure watch: {name} has shape {np.shape(values)}, time {np.shape(time_h)}; give alike"
            )
    running = (fan > 0.95) & np.isfinite(drop_pa) & np.isfinite(time_h)
    if np.count_nonzero(running) < 24:
        why = Unknown("fewer than 24 readings with the fan running", "wait until the fan has run for a day in all")
        return PressureWatch(why, why, (), True)
    time, drop = time_h[running], drop_pa[running]
    static = static_pa[running] if static_pa is not None else None
    clean = clean_drop_pa if clean_drop_pa is not None else float(np.quantile(drop, 0.25))
    steps = _steps(time, drop, static, clean)
    changes = (step.time_h for step in steps if step.kind is StepKind.FILTER_CHANGED)
    since = max(installed_h, max(changes, default=-np.inf))
    steps = tuple(step for step in steps if step.time_h >= installed_h)
    sound = not steps or steps[-1].kind in {StepKind.FILTER_CHANGED, StepKind.DOOR_OPEN, StepKind.READING_BACK}
    usable = time >= since
    for before, step in zip((None, *steps), steps, strict=False):
        if step.kind is StepKind.DOOR_OPEN:
            usable &= ~((time >= step.time_h) & (time < step.time_h + _SETTLE_H))
        if step.kind is StepKind.READING_BACK:
            # A step may be found some readings early or late.
            lost_h = time[0] if before is None else before.time_h - _SETTLE_H
            usable &= ~((time >= lost_h) & (time < step.time_h + _SETTLE_H))
    if not sound:
        why = Unknown(f"it changed suddenly: {steps[-1].kind}", "look at filter, doors, hose and registers")
        return PressureWatch(why, why, steps, sound)
    if run_h is None:
        run_h = np.cumsum(np.nan_to_num(fan)) * float(np.median(np.diff(time_h)))
    return _trend(time[usable], run_h[running][usable], drop[usable], accuracy, steps)


def _trend(
    time: FloatArray,
    run_h: FloatArray,
    drop: FloatArray,
    accuracy: tuple[float, float],
    steps: tuple[PressureStep, ...],
) -> PressureWatch:
    """Drop at the end and its growth, by the Theil-Sen line through the days (Sen 1968, JASA 63: 1379-1389)."""
    below, above = accuracy

    def level(middle: float, half: float) -> Estimate:
        return Estimate(middle, middle - float(np.hypot(half, below)), middle + float(np.hypot(half, above)))

    day = np.floor((time - time[0]) / 24.0) if time.size else time
    days = np.unique(day)
    if days.size < _LEAST_DAYS:
        if not drop.size:
            why = Unknown("no reading with the fan running since the filter was changed", "wait for some")
            return PressureWatch(why, why, steps, True)
        half = Z_90 * float(np.std(drop)) / max(np.sqrt(days.size), 1.0)
        why = Unknown(
            f"only {days.size} days with the fan running since the filter was changed", "wait for a week of readings"
        )
        return PressureWatch(level(float(np.median(drop)), half), why, steps, True)
    of_day = [day == d for d in days]
    centre = np.array([_centre(drop[d]) for d in of_day])
    middle_day, run_day = (np.array([np.median(x[d]) for d in of_day]) for x in (time / 24, run_h / 24))
    growth, now, half = _line(middle_day, centre, float(time[-1]) / 24.0)
    daily = DailyDrops(24.0 * middle_day, 24.0 * run_day, centre)
    return PressureWatch(level(now, half), growth, steps, True, daily)


def _centre(values: FloatArray) -> float:
    """The mean of a day's readings, those beyond some scatters of their median held there.

    A median of whole pascals is a whole pascal; their mean is not, and a single wild one hardly moves it: a step of
    Huber's estimate of location (1964, Ann. Math. Statist. 35: 73-101; from memory).
    """
    median = float(np.median(values))
    scatter = max(1.4826 * float(np.median(np.abs(values - median))), _READ_TO_PA / 2.0)
    return float(np.clip(values, median - _HELD * scatter, median + _HELD * scatter).mean())


def _line(place: FloatArray, value: FloatArray, end: float) -> tuple[Estimate, float, float]:
    """Slope of the Theil-Sen line with its interval, widened for autocorrelation; its value at the end, half width."""
    line = theil_sen_line(place, value)
    slope, residual = line.slope.value, value - line.at(place)
    lag = float(np.clip(np.corrcoef(residual[:-1], residual[1:])[0, 1], 0.0, 0.9)) if np.ptp(residual) > 0.0 else 0.0
    wider = np.sqrt((1.0 + lag) / (1.0 - lag))
    low, high = slope - wider * (slope - line.slope.low), slope + wider * (line.slope.high - slope)
    scatter = 1.4826 * float(np.median(np.abs(residual))) * Z_90 * wider / np.sqrt(place.size)
    half = float(np.hypot(scatter, 0.5 * (high - low) * 0.5 * (place[-1] - place[0])))
    return Estimate(slope, float(low), float(high)), line.intercept + slope * end, half


def _steps(time: FloatArray, drop: FloatArray, static: FloatArray | None, clean: float) -> tuple[PressureStep, ...]:
    """Times at which the median of the readings before and after differ beyond their scatter, strongest first."""
    width = 12
    if time.size < 2 * width:
        return ()
    windows = np.lib.stride_tricks.sliding_window_view(drop, width)
    median = np.median(windows, axis=1)
    before, after = median[:-width], median[width:]
    scatter = 1.4826 * float(np.median(np.abs(np.diff(drop)))) / np.sqrt(2.0)
    jump = after - before
    needed = np.maximum.reduce(
        [np.full(jump.size, 6.0 * scatter / np.sqrt(width)), 0.12 * np.abs(before), np.full(jump.size, 3.0)]
    )
    ratio = np.abs(jump) / needed
    found: list[int] = []
    while ratio.size and float(ratio.max()) > 1.0 and len(found) < 50:
        at = int(np.argmax(ratio))
        found.append(at)
        ratio[max(at - width, 0) : at + width] = 0.0
    found.sort()
    levels = [_Level(int(at) + width, float(before[at]), float(after[at])) for at in found]
    return _named(time, drop, static, clean, levels)


@dataclass(frozen=True)
class _Level:
    """A step at index `at`, from `before` to `after`, Pa."""

    at: int
    before: float
    after: float


def _named(
    time: FloatArray, drop: FloatArray, static: FloatArray | None, clean: float, levels: list[_Level]
) -> tuple[PressureStep, ...]:
    steps: list[PressureStep] = []
    skip = False
    for number, level in enumerate(levels):
        if skip:
            skip = False
            continue
        following = levels[number + 1] if number + 1 < len(levels) else None
        end = following.at if following is not None else time.size
        blocked = steps[-1].before_pa if steps and steps[-1].kind is StepKind.PORT_BLOCKED else None
        kind, evidence = _kind(drop[level.at : end], _of(static, level), level, clean, blocked)
        back = (
            following is not None
            and time[following.at] - time[level.at] < _BACK_H
            and abs(following.after - level.before) < _no_step_pa(level.before)
        )
        if back and level.after < level.before:
            kind = StepKind.DOOR_OPEN
            evidence = f"down to {level.after:z.0f} Pa and back within {time[end] - time[level.at]:.1f} h"
            skip = True
        steps.append(PressureStep(float(time[level.at]), level.before, level.after, kind, evidence))
    return tuple(steps)


def _no_step_pa(drop_pa: float) -> float:
    """A difference from a drop that is too small to be a step, Pa."""
    return 0.12 * abs(drop_pa) + 3.0


def _of(static: FloatArray | None, level: _Level) -> float | None:
    """Relative change of the static pressure across a step."""
    if static is None:
        return None
    before, after = static[max(level.at - 12, 0) : level.at], static[level.at : level.at + 12]
    if not (np.isfinite(before).any() and np.isfinite(after).any()):
        return None
    base = float(np.nanmedian(before))
    return float(np.nanmedian(after)) / base - 1.0 if abs(base) > 1.0 else None


def _kind(
    after: FloatArray, static_change: float | None, level: _Level, clean: float, blocked_pa: float | None
) -> tuple[StepKind, str]:
    """What a step most likely is, and why; `blocked_pa`: the drop before its port was blocked, if the step before was
    that."""
    to = f"from {level.before:z.0f} to {level.after:z.0f} Pa with the fan running"
    # By medians: the reading of the step itself may still stand among those after it.
    scatter = 1.4826 * float(np.median(np.abs(after - np.median(after))))
    dead = max(abs(level.after), abs(float(np.median(after))), scatter) < _DEAD_PA
    lower = level.after < level.before
    back_in = not lower and level.before < 0.6 * clean and 0.7 * clean < level.after < 1.6 * clean
    # A drop that is no lower than it was is that of the same filter.
    same = blocked_pa is not None and level.after > blocked_pa - _no_step_pa(blocked_pa)
    from_nought = not lower and abs(level.before) < _DEAD_PA
    likely = (
        (
            from_nought and same,
            StepKind.READING_BACK,
            f", where {blocked_pa or 0.0:.0f} Pa were read before; the filter is the same",
        ),
        (lower and dead, StepKind.PORT_BLOCKED, ", and no sign of the fan since"),
        (
            lower and static_change is not None and static_change > 0.1,
            StepKind.REGISTER_CLOSED,
            f" while static pressure rose by {static_change or 0.0:.0%}",
        ),
        (
            lower and level.after < 0.5 * clean,
            StepKind.FILTER_MISSING,
            f", below half of a clean filter's {clean:.0f} Pa",
        ),
        (
            lower and _NEAR_CLEAN[0] * clean < level.after < _NEAR_CLEAN[1] * clean < level.before,
            StepKind.FILTER_CHANGED,
            f", near the clean filter's {clean:.0f} Pa"
            + ("; closed registers would look alike" if static_change is None else ""),
        ),
        (back_in, StepKind.FILTER_CHANGED, ": a filter is in again"),
        (from_nought, StepKind.READING_BACK, ""),
        (True, StepKind.UNEXPLAINED, ""),
    )
    return next((kind, to + why) for holds, kind, why in likely if holds)
