"""Refusals: a number from outside is either inside its physical bounds or answered by name, value and fix."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


_HIGHEST = float(np.finfo(np.float64).max)
_LOWEST = -_HIGHEST


def finite(place: str, value: ArrayLike) -> FloatArray:
    """`value` as a float array; raises ValueError naming `place` when it holds anything but finite numbers."""
    array = _numbers(place, value)
    return array if _between(array, _LOWEST, _HIGHEST) else _refuse_not_finite(place, array)


def positive(place: str, value: ArrayLike) -> FloatArray:
    """`value` as a float array, all above zero; raises ValueError naming `place`."""
    array = finite(place, value)
    return _refuse(place, array, array <= 0.0, "is not above zero; give a number above zero")


def not_negative(place: str, value: ArrayLike) -> FloatArray:
    """`value` as a float array, all zero or above; raises ValueError naming `place`."""
    array = _numbers(place, value)
    if _between(array, 0.0, _HIGHEST):
        return array
    array = _refuse_not_finite(place, array)
    return _refuse(place, array, array < 0.0, "is below zero; give zero or more")


def fraction(place: str, value: ArrayLike) -> FloatArray:
    """`value` as a float array, all within 0..1; raises ValueError naming `place`."""
    array = _numbers(place, value)
    if _between(array, 0.0, 1.0):
        return array
    array = _refuse_not_finite(place, array)
    return _refuse(place, array, (array < 0.0) | (array > 1.0), "is outside 0..1; write 85 % as 0.85")


def within(place: str, value: ArrayLike, low: float, high: float, unit: str = "") -> FloatArray:
    """`value` as a float array, all within low..high where a law holds; raises ValueError naming `place`."""
    array = finite(place, value)
    span = f"{low:g} to {high:g} {unit}".rstrip()
    return _refuse(place, array, (array < low) | (array > high), f"is out of range; give {span}", shown="g")


def _numbers(place: str, value: ArrayLike) -> FloatArray:
    try:
        return np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{place}: {value!r} is not a number; give a finite number") from error


def _between(array: FloatArray, low: float, high: float) -> bool:
    """Whether all numbers lie within low..high, in two passes that make no array; NaN lies nowhere."""
    return array.size == 0 or bool(array.min() >= low and array.max() <= high)


def _refuse_not_finite(place: str, array: FloatArray) -> FloatArray:
    return _refuse(place, array, ~np.isfinite(array), "is not finite; give a finite number")


def _refuse(place: str, array: FloatArray, bad: NDArray[np.bool_], wrong_and_fix: str, shown: str = "") -> FloatArray:
    """The array if nothing in it is bad; else raise with the first bad value and, if it is one of many, its index."""
    if bad.any():
        index = ", ".join(str(number) for number in np.argwhere(bad)[0])
        where = f" (at index {index})" if index else ""
        raise ValueError(f"{place}: {float(array[bad].flat[0]):{shown}} {wrong_and_fix}{where}")
    return array
