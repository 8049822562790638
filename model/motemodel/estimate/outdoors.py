"""The outdoor level as it came into the house, from readings that are held, and that are noisy.

The entry rate is the slope of what comes in over the outdoor level. Errors of that level make a slope too small
(errors in variables); the expected level given the readings in its place does not (regression calibration; Carroll et
al. 2006, Measurement Error in Nonlinear Models, chapter 4, from memory). Both courses here are such expectations.
"""

import numpy as np
import scipy
from numpy.typing import NDArray

from ..bounds import FloatArray
from .recurrence import BoolArray, linear_recurrence

IndexArray = NDArray[np.intp]

# Changes over this long tell the air's own wandering from the sensor's noise; over longer, up to the second, where
# those over one reading are hardly less.
_WANDERING_H = (1.0 / 6.0, 3.0)
_TOLD = 1.5
_LEAST_READINGS = 200
# The largest changes are spikes and plumes, which are neither.
_ORDINARY = 0.95


def changes(values: FloatArray) -> BoolArray:
    """Where a value differs from the one before it by more than the rounding of averages."""
    return np.asarray(np.abs(np.diff(values)) > 1e-6 * (1.0 + np.abs(values[1:])))


def outdoor_course(reading: FloatArray, step_h: float) -> FloatArray:
    """The outdoor level (ug/m3) of each step of `step_h`, nought where nothing is known (NaN in `reading`)."""
    known = np.isfinite(reading)
    return _quieted(_between_held(reading), known, step_h, _held_steps(reading))


def _between_held(outdoor: FloatArray) -> FloatArray:
    """Outdoor levels with held readings (an hourly mean repeated over its hour) turned into a smooth course.

    A staircase lags and leads the air that really came in. The course is the slope of a cubic spline through the
    running sum, so that its mean over each held stretch is the reading; where it would dip below nought it is held
    there.
    """
    known = np.flatnonzero(np.isfinite(outdoor))
    if known.size < 2:
        return np.where(np.isfinite(outdoor), outdoor, 0.0)
    values = outdoor[known]
    first = _first_of_held(values, known)
    edges = np.append(first, known.size)
    if np.diff(edges).max() == 1:
        return np.where(np.isfinite(outdoor), outdoor, 0.0)
    running_sum = np.concatenate(([0.0], np.cumsum(np.add.reduceat(values, first))))
    course = scipy.interpolate.CubicSpline(edges, running_sum, bc_type="natural").derivative()
    smooth = np.zeros(outdoor.size)
    smooth[known] = np.maximum(course(np.arange(known.size) + 0.5), np.minimum(values, 0.0))
    return smooth


def _first_of_held(values: FloatArray, place: IndexArray) -> IndexArray:
    """Indices at which a new reading, or a stretch after a gap, begins."""
    return np.flatnonzero(np.concatenate(([True], changes(values) | (np.diff(place) > 1))))


def _held_steps(outdoor: FloatArray) -> int:
    """How many steps a reading is usually held."""
    known = np.flatnonzero(np.isfinite(outdoor))
    lengths = np.diff(np.append(_first_of_held(outdoor[known], known), known.size)) if known.size else np.ones(1)
    return max(1, round(float(np.median(lengths))))


def _quieted(values: FloatArray, known: BoolArray, step_h: float, held: int) -> FloatArray:
    """The expected level, where the air is a random walk and each reading adds noise of its own.

    Noise and walk are told apart by mean square changes over one reading and over several; the expectation given
    all readings is then a two-sided exponential mean whose weights fall from step to step by the root below one of
    keep + 1/keep = 2 + walk/noise (Muth 1960, JASA 55: 299-306, and its smoother, from memory). A quiet sensor is left
    as it is.
    """
    if np.count_nonzero(known) < _LEAST_READINGS * held:
        return values
    shortest, longest = (hours / step_h for hours in _WANDERING_H)
    far = max(4 * held, round(shortest))
    near, wide = (_mean_square_change(values, known, lag) for lag in (held, far))
    while wide < _TOLD * near and 2 * far <= longest:
        far *= 2
        wide = _mean_square_change(values, known, far)
    walk = (wide - near) / (far - held)
    noise = 0.5 * (near - walk * held)
    if walk <= 0.0 or noise <= 0.0:
        return values
    half = 0.5 * walk / (noise * held)
    keep = np.full(values.size - 1, 1.0 / (1.0 + half + np.sqrt(half * (2.0 + half))))
    parts = np.column_stack([np.where(known, values, 0.0), known])
    total, weight = (linear_recurrence(keep, parts) + linear_recurrence(keep, parts[::-1])[::-1] - parts).T
    return np.where(known, total / np.maximum(weight, 1e-9), values)


def _mean_square_change(values: FloatArray, known: BoolArray, lag: int) -> float:
    square = np.square(values[lag:] - values[:-lag])[known[lag:] & known[:-lag]]
    if square.size == 0:
        return 0.0
    return float(np.mean(square[square <= np.quantile(square, _ORDINARY)]))
