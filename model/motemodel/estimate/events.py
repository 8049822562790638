"""Indoor events: when particles were made indoors, how many, and how high the air rose."""

from dataclasses import dataclass

import numpy as np

from ..bounds import FloatArray
from ..measure import spans
from .answer import Estimate
from .recurrence import BoolArray

_WINDOWS_H = (0.034, 0.084, 0.17, 0.34, 0.7)
_STILL_RISING = 0.8
# A burst begins before it can be told from noise, and its air takes some minutes to mix.
_BEFORE_H = 0.05
_AFTER_H = 0.1


@dataclass(frozen=True)
class Event:
    """Particles made indoors from `start_h` to `end_h` (h, the record's origin).

    `emitted_mg`: the mass released, on the scale of the indoor sensor; `peak_ug_m3`: the highest reading until half an
    hour after the end.
    """

    start_h: float
    end_h: float
    emitted_mg: Estimate
    peak_ug_m3: float


def rises(reading: FloatArray, known: BoolArray, outdoor: FloatArray, step_h: float) -> BoolArray:
    """Steps in which the air rises faster than outdoor air could make it: a first guess, before anything is fitted.

    Entry is taken as no faster than once an hour; the noise is judged from the differences themselves.
    """
    width = max(1, round(0.1 / step_h))
    smooth = _running_mean(np.where(known, reading, 0.0), width) / np.maximum(
        _running_mean(known.astype(np.float64), width), 1e-9
    )
    lag = max(1, round(0.15 / step_h))
    rise = np.zeros(reading.size)
    rise[lag:] = smooth[lag:] - smooth[:-lag]
    usual = 1.4826 * float(np.median(np.abs(rise))) if rise.size else 0.0
    entry = np.where(np.isfinite(outdoor), np.maximum(outdoor - smooth, 0.0), 0.0) * lag * step_h
    rising = rise > entry + 4.0 * usual + 1.0
    return _stretch(rising, lag + width, width)


def bursts(standard: FloatArray, used: BoolArray, step_h: float, every: int = 1, threshold: float = 4.5) -> BoolArray:
    """Steps in which standardised innovations stay positive beyond what chance and the model's errors would give.

    Sums over windows of two minutes to forty, each compared with the spread that such sums have in this very record.
    """
    clipped = np.where(used, np.clip(standard, -6.0, 6.0), 0.0)
    found = np.zeros(standard.size, dtype=np.bool_)
    widths = sorted({max(1, round(window / step_h)) for window in _WINDOWS_H})
    for width in widths:
        sums = _trailing_sum(clipped, width)
        centre = float(np.median(sums[used])) if used.any() else 0.0
        spread = 1.4826 * float(np.median(np.abs(sums[used] - centre))) if used.any() else 1.0
        high = sums - centre > threshold * max(spread, np.sqrt(max(width / every, 1.0)))
        found |= _stretch(high, width - 1, 0)
    before, after = (max(every, round(pad / step_h)) for pad in (_BEFORE_H, _AFTER_H))
    return _stretch(_trimmed(found, clipped - _STILL_RISING * used), before, after)


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    return np.convolve(values, np.ones(width) / width, mode="same")


def _trailing_sum(values: FloatArray, width: int) -> FloatArray:
    total = np.concatenate(([0.0], np.cumsum(values)))
    index = np.arange(1, total.size)
    return np.asarray(total[index] - total[np.maximum(index - width, 0)])


def _stretch(mask: BoolArray, back: int, ahead: int) -> BoolArray:
    """Each True extended by `back` steps before and `ahead` steps after."""
    marks = np.zeros(mask.size + 1)
    at = np.flatnonzero(mask)
    np.add.at(marks, np.maximum(at - back, 0), 1.0)
    np.add.at(marks, np.minimum(at + ahead + 1, mask.size), -1.0)
    return np.asarray(np.cumsum(marks[:-1]) > 0.5)


def _trimmed(mask: BoolArray, gain: FloatArray) -> BoolArray:
    """In every run of `mask` only the stretch over which `gain` adds up to the most (Kadane's problem)."""
    trimmed = np.zeros(mask.size, dtype=np.bool_)
    for first, last in spans(mask).tolist():
        total = np.concatenate(([0.0], np.cumsum(gain[first:last])))
        lowest = np.minimum.accumulate(total)
        end = int(np.argmax(total - lowest))
        begin = int(np.argmin(total[: end + 1]))
        trimmed[first + begin : first + max(end, begin + 1)] = True
    return trimmed
