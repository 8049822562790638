"""The exact solution over one step in which every input is constant.

dC/dt = b - lambda C gives C(h) = C(0) e^-x + b h phi1(x) and the mean over the step C(0) phi1(x) + b h phi2(x), with
x = lambda h, phi1(x) = (1 - e^-x)/x and phi2(x) = (1 - phi1(x))/x. Written so, nothing is lost as lambda goes to zero,
where C* = b/lambda does not exist. The functions phi are those of exponential integrators, Hochbruck & Ostermann
(2010), Acta Numerica 19: 209-286, eq. 2.10, there for -x.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

_SMALL = 0.005
"""Below it the quotient for phi2 loses digits (eps/x), while six terms of its Taylor series are exact to 1e-17."""
_TINY = 1e-300


class StepFactors(NamedTuple):
    """e^-x, phi1(x) and phi2(x), each in the shape of x."""

    decay: FloatArray
    phi1: FloatArray
    phi2: FloatArray


def step_factors(x: FloatArray) -> StepFactors:
    """The three factors of a step for an array of x = lambda h >= 0, each to better than 1e-13 of itself.

    >>> step_factors(np.array([0.0, 1e-12, 50.0])).phi2.round(4).tolist()
    [0.5, 0.5, 0.0196]
    """
    shrinkage = np.expm1(-x)
    safe = np.maximum(x, _TINY)
    phi1 = -shrinkage / safe
    phi2 = (1.0 - phi1) / safe
    small = x < _SMALL
    if small.any():
        near = x[small]
        phi2[small] = 0.5 - near * (1 / 6 - near * (1 / 24 - near * (1 / 120 - near * (1 / 720 - near / 5040))))
        phi1[small] = 1.0 - near * phi2[small]
    return StepFactors(1.0 + shrinkage, phi1, phi2)


def exact_step(
    start_ug_m3: ArrayLike, supply_ug_m3_h: ArrayLike, loss_per_h: ArrayLike, step_h: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Concentration at the end of a step and its mean over the step, ug/m3, any shapes that broadcast.

    `supply_ug_m3_h` is all that comes in or is made per volume (ug/m3 per h), `loss_per_h` all first-order losses.

    >>> end, mean = exact_step(10.0, 0.0, 1.0, 1.0)
    >>> round(float(end), 4), round(float(mean), 4)
    (3.6788, 6.3212)
    """
    start, supply, loss, step = (
        np.asarray(values, dtype=np.float64) for values in (start_ug_m3, supply_ug_m3_h, loss_per_h, step_h)
    )
    factors = step_factors(np.atleast_1d(loss * step))
    shape = np.broadcast_shapes(start.shape, supply.shape, loss.shape, step.shape)
    end = start * factors.decay + supply * step * factors.phi1
    mean = start * factors.phi1 + supply * step * factors.phi2
    return end.reshape(shape), mean.reshape(shape)


def steady_state(supply_ug_m3_h: ArrayLike, loss_per_h: ArrayLike) -> FloatArray:
    """The concentration that constant inputs lead to, supply / loss, ug/m3; infinite where nothing removes."""
    supply, loss = np.broadcast_arrays(
        np.asarray(supply_ug_m3_h, dtype=np.float64), np.asarray(loss_per_h, dtype=np.float64)
    )
    nothing_lost = np.where(supply > 0.0, np.inf, 0.0)
    return np.asarray(np.divide(supply, loss, out=nothing_lost, where=loss > 0.0))
