"""The range in which a law of this room holds: a value outside it is answered by name, value and fix."""

import numpy as np
from numpy.typing import ArrayLike

from ..particles.bounds import FloatArray, finite


def within(place: str, value: ArrayLike, low: float, high: float, unit: str = "") -> FloatArray:
    """`value` as a float array, all in low..high; else ValueError naming `place`, value and range.

    >>> float(within("airflow", 800.0, 0.0, 1e5, "m3/h"))
    800.0
    """
    array = finite(place, value)
    wrong = (array < low) | (array > high)
    if wrong.any():
        span = f"{low:g} to {high:g} {unit}".rstrip()
        raise ValueError(f"{place}: {array[wrong].flat[0]:g} is out of range; give {span}")
    return array


def aligned(place: str, *arrays: FloatArray) -> list[FloatArray]:
    """The arrays brought to one shape; raises ValueError naming `place` and the shapes when they do not fit."""
    try:
        return [np.asarray(array) for array in np.broadcast_arrays(*arrays)]
    except ValueError:
        shapes = ", ".join(str(array.shape) for array in arrays)
        raise ValueError(f"{place}: shapes {shapes} do not fit; give single numbers or one value a step") from None
