"""The range in which a law of this room holds: a value outside it is answered by name, value and fix."""

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
