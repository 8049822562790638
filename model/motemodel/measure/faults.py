"""What readings betray about their sensor: impossible values, spikes, a stuck reading, saturation, a wrong unit."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..bounds import FloatArray

BoolArray = NDArray[np.bool_]

# Differences of wilder numbers would overflow.
_BEYOND_ANY_SENSOR = 1e12

_FEWEST_STUCK = 12
"""Equal readings of a stuck sensor: measured wind, told by the hour in coarse steps, stood still for nine (Liang et al.
2015, Proc. R. Soc. A 471: 20150257, six weeks of one station)."""


@dataclass(frozen=True)
class FaultRule:
    """What counts as a fault. `low`, `high`: the plausible range, in the unit of the signal.

    `stuck_h`: how long a reading may stay the very same before it counts as stuck (six hours: a level of several
    times the sensor's resolution does not stand still that long in a lived-in house; common practice, no source).
    `spike_factor`: a single reading this many times above both its neighbours is not air but electronics: air that is
    mixed decays, and at the spacings looked at (a quarter of an hour or less) no house loses two thirds in one.
    Infinite for what is no air and may well jump up and down: then no single reading is at fault for that.
    `saturation_factor`: five equal readings on end at the top of the record, this many times above its median, are the
    end of the scale (common practice, no source). Infinite for what rests most of the time.
    `usual`: the range in which the median lies unless the unit is mistaken; None where there is no such range.
    """

    low: float = -np.inf
    high: float = np.inf
    stuck_h: float = 6.0
    spike_factor: float = 3.0
    usual: tuple[float, float] | None = None
    saturation_factor: float = 10.0

    def __post_init__(self) -> None:
        if not (self.low < self.high and self.stuck_h > 0.0 and self.spike_factor > 1.0):
            raise ValueError(
                f"fault rule: range {self.low:g}..{self.high:g}, stuck after {self.stuck_h:g} h, spike factor "
                f"{self.spike_factor:g}; give low < high, a time above zero and a factor above one"
            )


@dataclass(frozen=True)
class Faults:
    """Masks over the readings, True where a reading is at fault, and how long the sensor was stuck."""

    out_of_range: BoolArray
    spike: BoolArray
    stuck: BoolArray
    saturated: BoolArray
    stuck_h: float

    @property
    def unusable(self) -> BoolArray:
        """Readings that should not be used."""
        return np.asarray(self.out_of_range | self.spike | self.stuck | self.saturated)


def resolution_of(value: FloatArray) -> float:
    """The sensor's resolution: the smallest step between different values (1e-4 quantile); 0 when all are alike."""
    steps = np.abs(np.diff(value[:200_000]))
    steps = steps[steps > 1e-9]
    return float(np.quantile(steps, 1e-4)) if steps.size else 0.0


def find_faults(time_h: FloatArray, value: FloatArray, rule: FaultRule) -> Faults:
    """Mark the readings at fault; `time_h` (h) strictly increasing, `value` finite."""
    out_of_range = (value < rule.low) | (value > rule.high)
    value = np.clip(value, -_BEYOND_ANY_SENSOR, _BEYOND_ANY_SENSOR)
    first, last = _runs_of_equal(value)
    lasts = time_h[last] - time_h[first] if value.size else np.zeros(0)
    count = last - first + 1
    level = value[first] if value.size else np.zeros(0)

    # Coarse rounding alone keeps a low level still: near the floor it takes four times as long to count as stuck.
    coarse = level <= 5.0 * resolution_of(value)
    stuck_run = (lasts > np.where(coarse, 4.0 * rule.stuck_h, rule.stuck_h)) & (count >= _FEWEST_STUCK)
    stuck = _spread(stuck_run, first, last, value.size)

    saturated = np.zeros(value.size, dtype=np.bool_)
    if value.size:
        top = float(value.max())
        high_up = top > rule.saturation_factor * max(float(np.median(value)), 1e-9)
        saturated = _spread((level == top) & (count >= 5) & high_up & ~stuck_run, first, last, value.size)
    return Faults(
        out_of_range=out_of_range,
        spike=_spikes(time_h, value, rule.spike_factor) & ~out_of_range,
        stuck=stuck,
        saturated=saturated,
        stuck_h=float(lasts[stuck_run].sum()),
    )


def spans(mask: BoolArray) -> NDArray[np.intp]:
    """Start and end (after the last) of every run of True, shape (runs, 2).

    >>> spans(np.array([False, True, True, False])).tolist()
    [[1, 3]]
    """
    return np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])))).reshape(-1, 2)


def suspected_scale(
    value: FloatArray, typical_low: float, typical_high: float, scales: Sequence[float]
) -> float | None:
    """The scale that brings the median of `value` into what is typical, when as it stands it is not; else None.

    For unit mistakes: mg/m3 read as ug/m3 shows as a median a thousand times too small. Zero readings are left out.
    """
    present = np.abs(value[np.isfinite(value) & (value != 0.0)])
    if present.size < 10:
        return None
    median = float(np.median(present))
    if typical_low <= median <= typical_high:
        return None
    fitting = [scale for scale in scales if typical_low <= scale * median <= typical_high]
    return fitting[0] if len(fitting) == 1 else None


def _spikes(time_h: FloatArray, value: FloatArray, factor: float) -> BoolArray:
    """Single readings far above both neighbours, or far below both, between readings that are close in time."""
    spike = np.zeros(value.size, dtype=np.bool_)
    if value.size < 3 or np.isinf(factor):
        return spike
    before, here, after = value[:-2], value[1:-1], value[2:]
    close = time_h[2:] - time_h[:-2] <= 0.5
    usual = float(np.median(np.abs(np.diff(value))))
    floor = max(12.0 * usual, 5.0 * resolution_of(value))
    above, below = np.maximum(before, after), np.minimum(before, after)
    up = (here - above > floor) & (here > factor * np.abs(above))
    down = (below - here > floor) & (here < below / factor) & (above < 1.5 * below)
    spike[1:-1] = close & (up | down)
    return spike


def _runs_of_equal(value: FloatArray) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and last index of every run of equal neighbours."""
    if value.size == 0:
        nothing = np.zeros(0, dtype=np.intp)
        return nothing, nothing
    change = np.flatnonzero(np.diff(value) != 0.0)
    return np.concatenate(([0], change + 1)), np.concatenate((change, [value.size - 1]))


def _spread(chosen: BoolArray, first: NDArray[np.intp], last: NDArray[np.intp], size: int) -> BoolArray:
    """Mask of all readings in the chosen runs."""
    return np.repeat(chosen, last - first + 1) if size else np.zeros(0, dtype=np.bool_)
