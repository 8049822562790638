"""The sensors of the simulated house: gain, noise and rounding, and what is told when.

The noise of a sensor is drawn for a whole UTC day at once, one number per tick of 10 s, so that a moment reads the same
at any cadence.
"""

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ..store import Reading
from .aerosol import Array
from .people import TICK_S, TICKS_PER_DAY

INDOOR_GAIN = 1.07
US_PER_TICK = TICK_S * 1_000_000

Ticks = NDArray[np.int64]


@lru_cache(maxsize=64)
def _noise_of_day(seed: int, signal: str, day: int) -> Array:
    return np.random.default_rng([seed, *signal.encode(), day + 1_000_000]).normal(size=TICKS_PER_DAY)


def noise(seed: int, signal: str, ticks: Ticks) -> Array:
    """Standard normal noise of one sensor at each of `ticks`."""
    days, within = np.divmod(ticks, TICKS_PER_DAY)
    drawn = np.empty(len(ticks))
    for day in np.unique(days).tolist():
        here = days == day
        drawn[here] = _noise_of_day(seed, signal, day)[within[here]]
    return drawn


def indoor_pm25(seed: int, ticks: Ticks, pm25: Array) -> list[Reading]:
    """A light-scattering sensor that reads 7 % high, with 3 % and 0.5 ug/m3 of noise, told to 0.1 ug/m3."""
    read = INDOOR_GAIN * pm25
    spread = np.hypot(0.5, 0.03 * read)
    return level("indoor.pm25", ticks, np.maximum(read + spread * noise(seed, "indoor.pm25", ticks), 0.0), 1)


def pressure(seed: int, signal: str, ticks: Ticks, true_pa: Array) -> list[Reading]:
    """A pressure sensor with 1 % and 0.3 Pa of noise, told to 0.1 Pa."""
    return level(signal, ticks, true_pa + np.hypot(0.3, 0.01 * true_pa) * noise(seed, signal, ticks), 1)


def level(signal: str, ticks: Ticks, values: Array, decimals: int) -> list[Reading]:
    """Readings of a level, rounded as told."""
    rounded = np.round(values, decimals) + 0.0
    return [
        Reading(tick * US_PER_TICK, signal, value) for tick, value in zip(ticks.tolist(), rounded.tolist(), strict=True)
    ]


def state(signal: str, first_tick: int, values: NDArray[np.bool_], before: bool | None, every: int) -> list[Reading]:
    """A state told when it changes, at the very first (`before` is None), and again at every whole `every` ticks."""
    changed = np.empty(len(values), np.bool_)
    changed[0] = before is None or values[0] != before
    changed[1:] = values[1:] != values[:-1]
    ticks = first_tick + np.arange(len(values))
    told = changed | (ticks % every == 0)
    return level(signal, ticks[told], values[told].astype(np.float64), 0)
