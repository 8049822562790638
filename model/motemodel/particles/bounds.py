"""Refusals: a number from outside is either inside its physical bounds or answered by name, value and fix."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def finite(place: str, value: ArrayLike) -> FloatArray:
    """`value` as a float array; raises ValueError naming `place` when it holds anything but finite numbers."""
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{place}: {value!r} is not a number; give a finite number") from error
    if not np.isfinite(array).all():
        raise ValueError(f"{place}: {_first_bad(array, ~np.isfinite(array))} is not finite; give a finite number")
    return array


def positive(place: str, value: ArrayLike) -> FloatArray:
    """`value` as a float array, all above zero; raises ValueError naming `place`."""
    array = finite(place, value)
    if (array <= 0.0).any():
        raise ValueError(f"{place}: {_first_bad(array, array <= 0.0)} is not above zero; give a number above zero")
    return array


def not_negative(place: str, value: ArrayLike) -> FloatArray:
    """`value` as a float array, all zero or above; raises ValueError naming `place`."""
    array = finite(place, value)
    if (array < 0.0).any():
        raise ValueError(f"{place}: {_first_bad(array, array < 0.0)} is below zero; give zero or more")
    return array


def fraction(place: str, value: ArrayLike) -> FloatArray:
    """`value` as a float array, all within 0..1; raises ValueError naming `place`."""
    array = finite(place, value)
    outside = (array < 0.0) | (array > 1.0)
    if outside.any():
        raise ValueError(f"{place}: {_first_bad(array, outside)} is outside 0..1; write 85 % as 0.85")
    return array


def within(place: str, value: ArrayLike, low: float, high: float, unit: str = "") -> FloatArray:
    """`value` as a float array, all within low..high where a law holds; raises ValueError naming `place`."""
    array = finite(place, value)
    outside = (array < low) | (array > high)
    if outside.any():
        span = f"{low:g} to {high:g} {unit}".rstrip()
        raise ValueError(f"{place}: {_first_bad(array, outside):g} is out of range; give {span}")
    return array


def _first_bad(array: FloatArray, bad: NDArray[np.bool_]) -> float:
    return float(array[bad].flat[0])
