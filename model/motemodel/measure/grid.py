"""An even time grid, and readings of any spacing averaged onto it."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bounds import FloatArray
from ..units import SECONDS_PER_HOUR


class Stamp(StrEnum):
    """Where a reading's time stands in the interval that the reading speaks for.

    START: at its start. END: at its end. INSTANT: a momentary value; the straight line holds between two.
    """

    START = "start"
    END = "end"
    INSTANT = "instant"


@dataclass(frozen=True)
class TimeGrid:
    """`count` steps of `step_h` hours from `start_h` on; step k covers [start + k step, start + (k+1) step)."""

    start_h: float
    step_h: float
    count: int

    def __post_init__(self) -> None:
        if not (np.isfinite(self.start_h) and np.isfinite(self.step_h) and self.step_h > 0.0):
            raise ValueError(
                f"time grid: start {self.start_h:g} h, step {self.step_h:g} h; give a finite start, a step above zero"
            )
        if not 1 <= self.count <= 50_000_000:
            raise ValueError(
                f"time grid: {self.count} steps; give 1 to 50 million (a coarser step or a shorter period)"
            )

    @classmethod
    def covering(cls, first_h: float, last_h: float, step_h: float) -> Self:
        """The grid of whole steps (counted from time 0) that covers `first_h` to `last_h`."""
        if not (np.isfinite(first_h) and np.isfinite(last_h) and last_h >= first_h):
            raise ValueError(f"time grid: from {first_h:g} h to {last_h:g} h; the end must not be before the start")
        if not step_h > 0.0:
            raise ValueError(f"time grid: step {step_h:g} h; give a step above zero")
        begin = np.floor(first_h / step_h + 1e-9)
        count = int(np.ceil(last_h / step_h - 1e-9) - begin)
        return cls(float(begin * step_h), step_h, max(count, 1))

    @property
    def end_h(self) -> float:
        """End of the last step, h."""
        return self.start_h + self.count * self.step_h

    @property
    def edges_h(self) -> FloatArray:
        """The `count + 1` edges of the steps, h."""
        return self.start_h + self.step_h * np.arange(self.count + 1, dtype=np.float64)

    @property
    def midpoints_h(self) -> FloatArray:
        """The middle of each step, h."""
        return self.start_h + self.step_h * (np.arange(self.count, dtype=np.float64) + 0.5)


def level_means(
    time_h: FloatArray,
    value: FloatArray,
    grid: TimeGrid,
    *,
    hold_h: float,
    stamp: Stamp = Stamp.END,
    least_cover: float = 0.5,
) -> FloatArray:
    """Time-weighted mean of a level in each step; NaN where readings cover less than `least_cover` of the step.

    `time_h` strictly increasing. Two readings no more than `hold_h` apart leave no gap between them: the later one
    (END), the earlier one (START) or the straight line (INSTANT) stands for the time between. Across a longer gap a
    reading stands for one typical interval only. Exact for piecewise constant (START, END) and piecewise linear
    (INSTANT) signals.
    """
    _check(time_h, value, hold_h)
    if time_h.size == 0:
        return np.full(grid.count, np.nan)
    gap = np.diff(time_h)
    usual = min(float(np.median(gap)), hold_h) if gap.size else min(hold_h, grid.step_h)
    reach = np.where(gap <= hold_h, gap, usual)
    if stamp is Stamp.INSTANT:
        whole = gap <= hold_h
        return _linear_means(time_h, value, whole, grid, least_cover)
    if stamp is Stamp.END:
        begin, end = time_h - np.concatenate(([usual], reach)), time_h
    else:
        begin, end = time_h, time_h + np.append(reach, usual)
    return _means(begin, end, value, grid, least_cover)


def state_fractions(time_h: FloatArray, state: FloatArray, grid: TimeGrid, *, hold_h: float) -> FloatArray:
    """Fraction of each step that a state (0..1) was on; a reading holds until the next one, at most `hold_h`.

    NaN where less than half of the step is known. `time_h` strictly increasing.
    """
    _check(time_h, state, hold_h)
    if time_h.size == 0:
        return np.full(grid.count, np.nan)
    end = time_h + np.append(np.minimum(np.diff(time_h), hold_h), hold_h)
    return _means(time_h, end, state, grid, 0.5)


def runtime_fractions(
    time_h: FloatArray, seconds_since_previous: FloatArray, grid: TimeGrid, *, hold_h: float
) -> FloatArray:
    """Fraction of each step run, from a counter that reads the seconds run since the reading before it.

    The seconds are spread evenly over the time since that reading; the first reading has none before it and says
    nothing. A counter that ran longer than the time between (clock jitter) counts as always on; across more than
    `hold_h`, and where the seconds are NaN, nothing is known. `time_h` strictly increasing.
    """
    _check(time_h, seconds_since_previous, hold_h)
    if time_h.size < 2:
        return np.full(grid.count, np.nan)
    gap = np.diff(time_h)
    fraction = np.clip(seconds_since_previous[1:] / (SECONDS_PER_HOUR * gap), 0.0, 1.0)
    known = (gap <= hold_h) & np.isfinite(fraction)
    return _means(time_h[:-1][known], time_h[1:][known], fraction[known], grid, 0.5)


def _check(time_h: FloatArray, value: ArrayLike, hold_h: float) -> None:
    if time_h.shape != np.shape(value) or time_h.ndim != 1:
        raise ValueError(f"gridding: {time_h.shape} times and {np.shape(value)} values; give one value for each time")
    if not hold_h > 0.0:
        raise ValueError(f"gridding: hold of {hold_h:g} h; give a hold above zero")
    if time_h.size > 1 and not np.all(np.diff(time_h) > 0.0):
        raise ValueError("gridding: times are not strictly increasing; pass the readings through tidy() first")


def _means(begin: FloatArray, end: FloatArray, value: FloatArray, grid: TimeGrid, least_cover: float) -> FloatArray:
    """Means of intervals that follow each other without overlap, by the running integrals of cover and of value."""
    if begin.size == 0:
        return np.full(grid.count, np.nan)
    knots = np.empty(2 * begin.size)
    knots[0::2], knots[1::2] = begin, end
    # The running integrals stand still between intervals; taking out the middle value keeps their rounding small.
    middle = float(np.median(value))
    length = end - begin
    cover = np.zeros(knots.size)
    integral = np.zeros(knots.size)
    np.cumsum(length, out=cover[1::2])
    np.cumsum(length * (value - middle), out=integral[1::2])
    cover[2::2], integral[2::2] = cover[1:-1:2], integral[1:-1:2]
    edges = grid.edges_h
    covered = np.diff(np.interp(edges, knots, cover))
    total = np.diff(np.interp(edges, knots, integral))
    # Rounding of the long running sums must not carry a fraction past one.
    return np.clip(_where_covered(total, covered, middle, grid, least_cover), value.min(), value.max())


def _linear_means(
    time: FloatArray,
    value: FloatArray,
    whole: NDArray[np.bool_],
    grid: TimeGrid,
    least_cover: float,
) -> FloatArray:
    """Means of the straight lines between readings; the integral inside a segment is a parabola, added exactly."""
    if time.size < 2:
        return np.full(grid.count, np.nan)
    length = np.where(whole, np.diff(time), 0.0)
    cover = np.concatenate(([0.0], np.cumsum(length)))
    integral = np.concatenate(([0.0], np.cumsum(length * 0.5 * (value[1:] + value[:-1]))))
    edges = np.clip(grid.edges_h, time[0], time[-1])
    segment = np.clip(np.searchsorted(time, edges, side="right") - 1, 0, time.size - 2)
    into = np.where(whole[segment], edges - time[segment], 0.0)
    slope = (value[segment + 1] - value[segment]) / (time[segment + 1] - time[segment])
    covered = np.diff(cover[segment] + into)
    total = np.diff(integral[segment] + into * (value[segment] + 0.5 * slope * into))
    return _where_covered(total, covered, 0.0, grid, least_cover)


def _where_covered(
    total: FloatArray, covered: FloatArray, middle: float, grid: TimeGrid, least_cover: float
) -> FloatArray:
    enough = covered >= max(least_cover, 1e-6) * grid.step_h * (1.0 - 1e-9)
    mean = np.full(grid.count, np.nan)
    np.divide(total, covered, out=mean, where=enough)
    return mean + middle
