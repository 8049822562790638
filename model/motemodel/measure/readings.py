"""Readings in the order of their time: duplicates settled, late ones and clock steps counted."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray

_EVEN = 0.5
"""Of the usual time between samples, from the early tenth to the late (common practice, no source)."""


@dataclass(frozen=True)
class Readings:
    """Readings of one signal, strictly increasing in time, all finite; and what had to be put right.

    `duplicates`: readings whose time was there already. `out_of_order`: readings that arrived after a later one.
    `clock_steps`: backward steps of the clock. `not_finite`: readings without a value or a time.
    """

    time_h: FloatArray
    value: FloatArray
    duplicates: int = 0
    out_of_order: int = 0
    clock_steps: int = 0
    not_finite: int = 0

    @property
    def typical_interval_h(self) -> float:
        """Median time between two readings, h; 0 when there are fewer than two."""
        return float(np.median(np.diff(self.time_h))) if self.time_h.size > 1 else 0.0

    @property
    def sampled_every_h(self) -> float:
        """How long after a switch its state may be told, h: the interval of a state that is only sampled, evenly.

        A state that is told as it changes, be it with a sign of life in between, is told at uneven times: 0.
        """
        if self.time_h.size < 2:
            return 0.0
        early, usual, late = np.quantile(np.diff(self.time_h), (0.1, 0.5, 0.9))
        return float(usual) if late - early <= _EVEN * usual else 0.0


def tidy(time_h: ArrayLike, value: ArrayLike) -> Readings:
    """Sort readings given in their order of arrival; of several at one time the last to arrive stands.

    A backward step of the arrival order is late data when it fills a gap, and a step of the clock when what follows
    falls among readings that are there already without being the same moments.

    `time_h` (h) and `value` are one-dimensional and of one length; ValueError otherwise.
    """
    time = np.asarray(time_h, dtype=np.float64)
    values = np.asarray(value, dtype=np.float64)
    if time.ndim != 1 or time.shape != values.shape:
        raise ValueError(
            f"readings: {time.shape} times and {values.shape} values; give one value for each time, in two flat arrays"
        )
    finite = np.isfinite(time) & np.isfinite(values)
    not_finite = int(time.size - np.count_nonzero(finite))
    if not_finite:
        time, values = time[finite], values[finite]
    if time.size < 2 or bool(np.all(np.diff(time) > 0.0)):
        return Readings(time, values, not_finite=not_finite)

    late = time < np.maximum.accumulate(time)
    clock_steps = _clock_steps(time)
    order = np.argsort(time, kind="stable")
    time, values = time[order], values[order]
    last_of_its_time = np.append(np.diff(time) > 0.0, True)
    return Readings(
        time_h=time[last_of_its_time],
        value=values[last_of_its_time],
        duplicates=int(np.count_nonzero(~last_of_its_time)),
        out_of_order=int(np.count_nonzero(late)),
        clock_steps=clock_steps,
        not_finite=not_finite,
    )


def _clock_steps(time: FloatArray) -> int:
    """Backward steps after which several readings fall between readings that came before them."""
    backward = np.flatnonzero(np.diff(time) < 0.0) + 1
    usual = float(np.median(np.abs(np.diff(time))))
    steps = 0
    for start in backward[:1000]:
        following = time[start : start + 5]
        if following.size < 3 or np.any(np.diff(following) <= 0.0):
            continue
        before = np.sort(time[max(0, start - 100_000) : start])
        right = np.searchsorted(before, following)
        inside = (right > 0) & (right < before.size)
        right = np.clip(right, 1, before.size - 1)
        near = before[right] - before[right - 1] < 3.0 * usual
        same = np.minimum(before[right] - following, following - before[right - 1]) < 1e-9
        if np.count_nonzero(inside & near & ~same) >= 3:
            steps += 1
    return steps
