"""Arrays over time that belong together must have one shape."""

import numpy as np

from ..bounds import FloatArray


def aligned(place: str, *arrays: FloatArray) -> list[FloatArray]:
    """The arrays brought to one shape; raises ValueError naming `place` and the shapes when they do not fit."""
    try:
        return [np.asarray(array) for array in np.broadcast_arrays(*arrays)]
    except ValueError:
        shapes = ", ".join(str(array.shape) for array in arrays)
        raise ValueError(f"{place}: shapes {shapes} do not fit; give single numbers or one value a step") from None
