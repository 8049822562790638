"""Two clocks that disagree: by how much the stamps of a switch run ahead of what the air shows of it."""

from dataclasses import dataclass

import numpy as np
from scipy import fft

from ..bounds import FloatArray

_SMOOTH_H = 0.1
# Slower changes are habits and weather: people cook at the hours at which the fan likes to run.
_SLOW_H = 3.0
_LONGEST_H = 14.0
_FINE_H, _NEAR_H = 0.05, 0.15
_FEWEST_DAYS = 5
_LEAST_LAG_H = 0.05
_LEAST_T = 4.0
# The highest of the lags' correlations by chance alone was at most 4.1 times their spread in 60 trials.
_LEAST_PEAK = 5.0


@dataclass(frozen=True)
class ClockLag:
    """`lag_h` by which the air follows a switch later than its stamps say (negative: before), h.

    `told`: whether that is beyond doubt, and beyond three minutes; what is less is within how the air mixes.
    """

    lag_h: float
    told: bool


def clock_lag(level: FloatArray, on: FloatArray, step_h: float) -> ClockLag:
    """By how much a level's falls lag a switch that makes it fall: where their cross-correlation is highest.

    `level` and `on` (0..1), shape (steps,), NaN where unknown. The falls are those of the logarithm over a quarter of
    an hour, without what changes over hours; lags of up to 14 hours are tried, so that a stamp in another zone's time
    shows as well. It is told where that lag stands out among all, and day by day is better than none by Student's t of
    the daily differences; at least five days. A fan that runs at the same minutes of every hour looks alike from hour
    to hour, and its lag is not told. The time of highest cross-correlation is the maximum likelihood estimate of a
    delay in white noise (Knapp & Carter 1976, IEEE Trans. Acoust. Speech Signal Process. 24: 320-327, from memory).

    It is for a switch, whose edges the air shows within minutes. The clock of an outdoor sensor is not told by it: a
    house follows the outdoor air over the hours of its own loss, which a delay resembles, and under its own events.
    """
    if level.ndim != 1 or level.shape != on.shape or not (np.isfinite(step_h) and 0.0 < step_h <= 1.0):
        raise ValueError(f"clock lag: shapes {level.shape} and {on.shape}, step {step_h:g} h; grid both alike")
    width, slow, day = (max(1, round(hours / step_h)) for hours in (_SMOOTH_H, _SLOW_H, 24.0))
    nothing = ClockLag(0.0, told=False)
    if level.size < _FEWEST_DAYS * day or 2 * width >= level.size:
        return nothing
    falls = np.full(level.size, np.nan)
    height = np.log(np.maximum(_smoothed(level, width), 1.0))
    falls[width:-width] = (height[: -2 * width] - height[2 * width :]) / (2.0 * width * step_h)
    falls = falls - _smoothed(falls, slow)
    if not np.isfinite(falls).any():
        return nothing
    usual = 1.4826 * float(np.nanmedian(np.abs(falls)))
    falls = np.nan_to_num(np.clip(falls, -2.0 * usual, 2.0 * usual))
    running = _smoothed(on, 2 * width)
    running = np.nan_to_num(running - _smoothed(running, slow))
    most = min(round(_LONGEST_H / step_h), level.size - 1)
    length = fft.next_fast_len(level.size + most, real=True)
    correlation = fft.irfft(fft.rfft(falls, length) * np.conj(fft.rfft(running, length)), length)
    lags = np.arange(-most, most + 1)
    lag = int(lags[np.argmax(correlation[lags])])
    days = level.size // day * day
    gain = (falls * (shifted(running, lag, 0.0) - running))[:days].reshape(-1, day).sum(axis=1)
    error = float(np.std(gain, ddof=1)) / float(np.sqrt(gain.size))
    spread = 1.4826 * float(np.median(np.abs(correlation[lags])))
    stands_out = float(correlation[lag]) > _LEAST_PEAK * spread and float(gain.mean()) > _LEAST_T * error > 0.0
    if stands_out:
        lag = _refined(level, on, lag, step_h)
    return ClockLag(lag * step_h, told=stands_out and abs(lag) * step_h >= _LEAST_LAG_H - 1e-9)


def _refined(level: FloatArray, on: FloatArray, lag: int, step_h: float) -> int:
    """The lag, in steps, near one that the falls alone tell, that leaves least of the balance unexplained.

    Falls slow down while the fan runs on, since the air is cleaner by then, and their middle comes before the run's own
    middle: by minutes in runs of hours. Relative to the level they go with fan x level and, for what enters, with one
    over it; the least squares of these two are compared at each lag. Within two minutes of the truth in runs of up to
    three hours (tests/model/measure/test_clock.py).
    """
    width, slow, reach = (max(1, round(hours / step_h)) for hours in (_FINE_H, _SLOW_H, _NEAR_H))
    if reach * step_h > 2.0 * _NEAR_H or level.size <= 2 * slow:
        return lag
    smooth = np.maximum(_smoothed(level, width), 1.0)
    falls = np.full(level.size, np.nan)
    falls[width:-width] = (smooth[: -2 * width] - smooth[2 * width :]) / (2.0 * width * step_h) / smooth[width:-width]
    falls = falls - _smoothed(falls, slow)
    usual = 1.4826 * float(np.nanmedian(np.abs(falls)))
    falls = np.clip(falls, -2.0 * usual, 2.0 * usual)
    entering = 1.0 / smooth
    entering = entering - _smoothed(entering, slow)

    def unexplained(at: int) -> float:
        passing = _smoothed(_smoothed(shifted(on, at) * level, width), 2 * width) / smooth
        passing = passing - _smoothed(passing, slow)
        known = np.isfinite(falls) & np.isfinite(entering) & np.isfinite(passing)
        terms = np.column_stack([entering[known], passing[known]])
        found = np.linalg.lstsq(terms, falls[known], rcond=None)[0]
        return float(np.mean((falls[known] - terms @ found) ** 2)) if known.any() else np.inf

    return min(range(lag - reach, lag + reach + 1), key=unexplained)


def shifted(values: FloatArray, steps: int, fill: float = np.nan) -> FloatArray:
    """Values moved later by so many steps (earlier if negative); `fill` where none come from.

    >>> shifted(np.array([1.0, 2.0, 3.0]), 1, 0.0).tolist()
    [0.0, 1.0, 2.0]
    """
    moved = np.full(values.size, fill)
    if abs(steps) >= values.size:
        return moved
    moved[max(steps, 0) : values.size + min(steps, 0)] = values[max(-steps, 0) : values.size - max(steps, 0)]
    return moved


def _smoothed(values: FloatArray, width: int) -> FloatArray:
    """Running mean over `width` steps of what is known; NaN where less than half is."""
    box, known = np.ones(min(width, values.size)), np.isfinite(values)
    count = np.convolve(known.astype(np.float64), box, mode="same")
    total = np.convolve(np.where(known, values, 0.0), box, mode="same")
    return np.where(count > 0.5 * box.size, total / np.maximum(count, 1.0), np.nan)
