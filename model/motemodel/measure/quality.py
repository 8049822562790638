"""From raw readings to the grid in one call, with the account of what was found on the way."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray
from .correction import Correction
from .fan_rest import drop_at_odds
from .faults import BoolArray, FaultRule, find_faults, resolution_of, spans, suspected_scale
from .grid import Stamp, TimeGrid, level_means, runtime_fractions, state_fractions
from .readings import Readings, tidy

# Milligrams told as micrograms, and the reverse.
_MISTAKEN_SCALES = (1e3, 1e-3)


@dataclass(frozen=True)
class DataQuality:
    """How good the readings of one signal were over the period of a grid.

    `coverage`: fraction of the steps with a value. Counts are of readings, `stuck_h` and `longest_gap_h` hours.
    `resolution`: the smallest step between values of a level, in the unit of the signal. `suspected_scale`: what
    readings that seem to be in another unit would have to be multiplied by; None where they seem right.
    `counter_restarts`: how often a counter of all that ran fell, which leaves nothing known since the reading before.
    `late_h`: how long after a switch it may be told, where it is sampled (`Readings.sampled_every_h`) or counted.
    `same_at_rest_h`, `rests_in_run_h`: a filter's drop that the fan's state contradicts (`drop_at_odds`).
    """

    readings: int
    coverage: float
    longest_gap_h: float
    typical_interval_h: float
    resolution: float
    duplicates: int = 0
    out_of_order: int = 0
    clock_steps: int = 0
    not_finite: int = 0
    out_of_range: int = 0
    spikes: int = 0
    saturated: int = 0
    stuck_h: float = 0.0
    suspected_scale: float | None = None
    counter_restarts: int = 0
    late_h: float = 0.0
    same_at_rest_h: float = 0.0
    rests_in_run_h: float = 0.0

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a person should know, in words; empty when all is well."""
        said = (
            (self.readings == 0, "no reading in the period"),
            (self.readings > 0 and self.coverage < 0.8, f"only {self.coverage:.0%} of the period is covered"),
            (self.coverage > 0.0 and self.longest_gap_h > 6.0, f"longest gap {self.longest_gap_h:.1f} h"),
            (self.stuck_h > 0.0, f"stuck for {self.stuck_h:.0f} h; those readings are left out"),
            *((True, f"{odds}; those readings are left out: {look}") for odds, look in self.at_odds),
            (
                self.out_of_range > 0,
                f"{_counted(self.out_of_range, 'reading')} outside what is plausible; check unit",
            ),
            (
                self.suspected_scale is not None,
                f"the readings look as if in another unit (times {self.suspected_scale or 1.0:g} they would be usual); "
                "check the unit",
            ),
            (self.spikes > 0, f"{_counted(self.spikes, 'single spike')} left out"),
            (self.saturated > 0, f"{_counted(self.saturated, 'reading')} at the sensor's upper end left out"),
            (
                self.duplicates > 0,
                f"{_counted(self.duplicates, 'reading')} at a time told before; the last one stands",
            ),
            (self.out_of_order > 0, f"{_counted(self.out_of_order, 'reading')} that came late put in place"),
            (self.clock_steps > 0, f"the clock set back {_counted(self.clock_steps, 'time')}"),
            (
                self.counter_restarts > 0,
                f"the counter fell {_counted(self.counter_restarts, 'time')}; what ran meanwhile is not known",
            ),
            (self.not_finite > 0, f"{_counted(self.not_finite, 'reading')} without a value"),
        )
        return tuple(text for holds, text in said if holds)

    @property
    def at_odds(self) -> tuple[tuple[str, str], ...]:
        """What contradicts the fan's state, and what to look at, in words; empty when nothing does."""
        state = "that the fan's state is that of this blower"
        said = (
            (
                self.same_at_rest_h,
                "does not fall while the fan is told to rest",
                f"see that the sensor is not stuck and its hoses are free, and {state}",
            ),
            (
                self.rests_in_run_h,
                "falls to nought again and again while the fan is told to run",
                f"see {state}, and that no hose is loose",
            ),
        )
        return tuple((f"{what}, for {hours:.0f} h", then) for hours, what, then in said if hours > 0.0)


@dataclass(frozen=True)
class GriddedSignal:
    """A signal on the grid: `values` of shape (count,), NaN where nothing is known; and how good it is."""

    values: FloatArray
    quality: DataQuality


def gridded_level(
    time_h: ArrayLike,
    value: ArrayLike,
    grid: TimeGrid,
    *,
    hold_h: float,
    stamp: Stamp = Stamp.END,
    rule: FaultRule | None = None,
    correction: Correction | None = None,
    humidity_percent: FloatArray | None = None,
) -> GriddedSignal:
    """Raw readings of a level, in order of arrival, to corrected step means.

    `time_h` h, `value` in the unit of the signal; `humidity_percent` on the grid, shape (count,), only for a
    correction with humidity growth. Faulty readings are left out before averaging. Raises ValueError for arrays that
    do not match and for a correction that cannot be applied.
    """
    readings = tidy(time_h, value)
    rule = rule or FaultRule()
    faults = find_faults(readings.time_h, readings.value, rule)
    good = ~faults.unusable
    values = level_means(readings.time_h[good], readings.value[good], grid, hold_h=hold_h, stamp=stamp)
    if correction is not None and not correction.changes_nothing:
        values = correction.apply(values, humidity_percent)
    quality = _quality(
        readings,
        values,
        grid,
        resolution=resolution_of(readings.value[good]),
        out_of_range=int(np.count_nonzero(faults.out_of_range)),
        spikes=int(np.count_nonzero(faults.spike)),
        saturated=int(np.count_nonzero(faults.saturated)),
        stuck_h=faults.stuck_h,
        scale=None if rule.usual is None else suspected_scale(readings.value, *rule.usual, _MISTAKEN_SCALES),
    )
    return GriddedSignal(values, quality)


def gridded_state(time_h: ArrayLike, state: ArrayLike, grid: TimeGrid, *, hold_h: float) -> GriddedSignal:
    """Raw readings of a state (0..1, anything else is left out) to the fraction of each step that it was on."""
    readings = tidy(time_h, state)
    good = (readings.value >= 0.0) & (readings.value <= 1.0)
    values = state_fractions(readings.time_h[good], readings.value[good], grid, hold_h=hold_h)
    return _fraction(readings, values, grid, good, late_h=readings.sampled_every_h)


def gridded_runtime(time_h: ArrayLike, seconds: ArrayLike, grid: TimeGrid, *, hold_h: float) -> GriddedSignal:
    """Raw readings of a runtime counter (s since the previous reading; negative is left out) to fractions run."""
    readings = tidy(time_h, seconds)
    good = readings.value >= 0.0
    values = runtime_fractions(readings.time_h[good], readings.value[good], grid, hold_h=hold_h)
    return _fraction(readings, values, grid, good, late_h=readings.typical_interval_h)


def gridded_total(time_h: ArrayLike, total_s: ArrayLike, grid: TimeGrid, *, hold_h: float) -> GriddedSignal:
    """Raw readings of a counter of seconds run (negative is left out) to fractions run.

    A reading below the one before it tells that the counter has started again, or was put right. What it then shows is
    the least that ran since the reading before; what ran up to the new start nobody has counted. So nothing is told of
    that time, rather than the least for the whole.
    """
    readings = tidy(time_h, total_s)
    good = readings.value >= 0.0
    total = readings.value[good]
    run = np.diff(total, prepend=total[:1])
    fell = run < 0.0
    values = runtime_fractions(readings.time_h[good], np.where(fell, np.nan, run), grid, hold_h=hold_h)
    at_h = readings.time_h[good][fell]
    restarts = int(np.count_nonzero((at_h >= grid.start_h) & (at_h <= grid.end_h)))
    return _fraction(readings, values, grid, good, late_h=readings.typical_interval_h, restarts=restarts)


def _fraction(
    readings: Readings, values: FloatArray, grid: TimeGrid, good: BoolArray, *, late_h: float, restarts: int = 0
) -> GriddedSignal:
    """A fraction of each step with its account: what is not `good` is out of range."""
    out_of_range = int(np.count_nonzero(~good))
    quality = _quality(readings, values, grid, out_of_range=out_of_range, restarts=restarts, late_h=late_h)
    return GriddedSignal(values, quality)


def checked_by_fan(drop: GriddedSignal, fan: GriddedSignal, read: BoolArray, step_h: float) -> GriddedSignal:
    """A filter's drop (Pa) without what the fan's own state contradicts, which its quality then tells.

    `read`: the steps in which the drop was read, shape (count,); see `drop_at_odds`.
    """
    late_h = fan.quality.late_h + drop.quality.typical_interval_h
    odds = drop_at_odds(drop.values, fan.values, read, step_h, late_h)
    left_out = odds.same_at_rest | odds.rests_in_run
    if not left_out.any():
        return drop
    known, values = np.isfinite(drop.values), np.where(left_out, np.nan, drop.values)
    quality = replace(
        drop.quality,
        coverage=float(np.isfinite(values).mean()),
        longest_gap_h=_longest_run(~np.isfinite(values)) * step_h,
        same_at_rest_h=float(np.count_nonzero(known & odds.same_at_rest) * step_h),
        rests_in_run_h=float(np.count_nonzero(known & odds.rests_in_run) * step_h),
    )
    return GriddedSignal(values, quality)


def _quality(
    readings: Readings,
    values: FloatArray,
    grid: TimeGrid,
    *,
    resolution: float = 0.0,
    out_of_range: int = 0,
    spikes: int = 0,
    saturated: int = 0,
    stuck_h: float = 0.0,
    scale: float | None = None,
    restarts: int = 0,
    late_h: float = 0.0,
) -> DataQuality:
    known = np.isfinite(values)
    inside = (readings.time_h >= grid.start_h) & (readings.time_h <= grid.end_h)
    return DataQuality(
        readings=int(np.count_nonzero(inside)),
        coverage=float(known.mean()),
        longest_gap_h=_longest_run(~known) * grid.step_h,
        typical_interval_h=readings.typical_interval_h,
        resolution=resolution,
        duplicates=readings.duplicates,
        out_of_order=readings.out_of_order,
        clock_steps=readings.clock_steps,
        not_finite=readings.not_finite,
        out_of_range=out_of_range,
        spikes=spikes,
        saturated=saturated,
        stuck_h=stuck_h,
        suspected_scale=scale,
        counter_restarts=restarts,
        late_h=late_h,
    )


def _longest_run(mask: BoolArray) -> int:
    return int(np.diff(spans(mask), axis=1).max(initial=0))


def _counted(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"
