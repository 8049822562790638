"""A supplied forecast of outdoor PM2.5 for the hours ahead, with a spread from what it was worth in the past."""

import numpy as np

from motemodel.bounds import FloatArray
from motemodel.estimate import Z_90
from motemodel.plan import Forecast

LEAST_COVERED_H = 6
"""A forecast that ends, or breaks off, before this is left aside."""

_LONGEST_STRIDE_H = 3.0
_STANDS_H = 0.51
_FADES_OVER_H = 6.0
_LEAST_COMPARED = 24
_USUAL_SPREAD = 0.5
"""Standard deviation of ln(C + 1) about a forecast nobody could check yet (common practice, no source)."""
_SPREADS = (0.1, 1.5)
"""What a spread may be, however right or wrong the forecast has been so far (common practice, no source)."""
_VARIANCE_DOUBLES_OVER_H = 24.0
"""Of a past hour only the last forecast is kept, the one with the least time ahead; one made a day ahead is taken to
have twice its variance (common practice, no source)."""


def following(
    time_h: FloatArray,
    value_ug_m3: FloatArray,
    history_ug_m3: FloatArray,
    end_h: float,
    persistence: Forecast,
    *,
    age_h: float = 0.0,
) -> tuple[Forecast, int]:
    """The hours after `end_h` by a supplied forecast, and how many of them it covers; nought where it is of no use.

    `time_h` (N,), strictly increasing, and `value_ug_m3` (N,) are the forecast, straight between its stamps where they
    are no more than three hours apart, and standing for half an hour beyond the last; `history_ug_m3` are the measured
    hours that end at `end_h`, NaN where unknown. Where the forecast ends, its departure from `persistence` fades away
    over six hours. If the first six hours are not all covered, `persistence` is returned as it is. Spread is that of
    ln(C + 1), as `persistence` has it; it is that of the time since the forecast was made, `age_h` before `end_h`.
    """
    hours = persistence.value.size
    ahead_h = np.arange(0.5, hours)
    level = _level_at(time_h, value_ug_m3, end_h + ahead_h)
    unknown = np.flatnonzero(np.isnan(level))
    covered = int(unknown[0]) if unknown.size else hours
    if covered < min(LEAST_COVERED_H, hours):
        return persistence, 0
    usual, usual_high = np.log1p(persistence.value), np.log1p(persistence.high)
    weight = np.clip(1.0 - (np.arange(hours) - (covered - 1)) / _FADES_OVER_H, 0.0, 1.0)
    departure = np.where(weight < 1.0, level[covered - 1] - usual[covered - 1], level - usual)
    centre = usual + weight * departure
    spread = _spread(time_h, value_ug_m3, history_ug_m3, end_h)
    own_half = Z_90 * spread * np.sqrt(1.0 + (ahead_h + age_h) / _VARIANCE_DOUBLES_OVER_H)
    half = weight * own_half + (1.0 - weight) * (usual_high - usual)
    found = (np.maximum(np.expm1(y), 0.0) for y in (centre, centre - half, centre + half))
    return Forecast(*found), covered


def _spread(time_h: FloatArray, value_ug_m3: FloatArray, history_ug_m3: FloatArray, end_h: float) -> float:
    """Root mean square of ln(C + 1) measured less forecast, so that a constant error counts as well."""
    middles_h = end_h - np.arange(0.5, history_ug_m3.size)[::-1]
    error = np.log1p(np.maximum(history_ug_m3, 0.0)) - _level_at(time_h, value_ug_m3, middles_h)
    compared = error[np.isfinite(error)]
    if compared.size < _LEAST_COMPARED:
        return _USUAL_SPREAD
    return float(np.clip(np.sqrt(np.mean(compared**2)), *_SPREADS))


def _level_at(time_h: FloatArray, value_ug_m3: FloatArray, wanted_h: FloatArray) -> FloatArray:
    """ln(C + 1) of the forecast at some moments, NaN where it does not tell."""
    if time_h.size == 0:
        return np.full(wanted_h.shape, np.nan)
    after = np.searchsorted(time_h, wanted_h)
    earlier = np.clip(after - 1, 0, time_h.size - 1)
    later = np.clip(after, 0, time_h.size - 1)
    between = (after > 0) & (after < time_h.size) & (time_h[later] - time_h[earlier] <= _LONGEST_STRIDE_H)
    near = np.minimum(np.abs(wanted_h - time_h[earlier]), np.abs(wanted_h - time_h[later])) <= _STANDS_H
    level = np.interp(wanted_h, time_h, np.log1p(np.maximum(value_ug_m3, 0.0)))
    return np.where(between | near, level, np.nan)
