"""The exact solution over one step in which every input is constant.

dC/dt = b - lambda C gives C(h) = C(0) e^-x + b h phi1(x) and the mean over the step C(0) phi1(x) + b h phi2(x), with
x = lambda h, phi1(x) = (1 - e^-x)/x and phi2(x) = (1 - phi1(x))/x. Written so, nothing is lost as lambda goes to zero,
where C* = b/lambda does not exist. The functions phi are those of exponential integrators, Hochbruck & Ostermann
(2010), Acta Numerica 19: 209-286, eq. 2.10, there for -x.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, not_negative

_SMALL = 1e-3
"""Below it the quotient for phi2 loses digits (eps/x), while four terms of its Taylor series are exact to 3e-15."""
_TINY = 1e-300


class StepFactors(NamedTuple):
    """e^-x, phi1(x) and phi2(x), each in the shape of x."""

    decay: FloatArray
    phi1: FloatArray
    phi2: FloatArray


def step_factors(x: FloatArray) -> StepFactors:
    """The three factors of a step for an array of x = lambda h >= 0.

    phi1 and phi2 are good to 1e-12 of themselves at any x; the decay to 1e-15 of one, so that what is left after many
    time constants is nought or next to it, never negative.

    >>> step_factors(np.array([0.0, 1e-12, 50.0])).phi2.round(4).tolist()
    [0.5, 0.5, 0.0196]
    """
    z = np.asarray(-np.maximum(x, _TINY))
    decay = np.expm1(z)
    phi1 = np.asarray(decay / z)
    phi2 = np.asarray(phi1 - 1.0)
    # In place from here on: on long series fresh memory costs more than the sums.
    decay += 1.0
    phi2 /= z
    if z.max(initial=-np.inf) > -_SMALL:
        np.copyto(phi2, 0.5 + z * (1 / 6 + z * (1 / 24 + z / 120)), where=z > -_SMALL)
    return StepFactors(np.asarray(decay), phi1, phi2)


def exact_step(
    start_ug_m3: ArrayLike, supply_ug_m3_h: ArrayLike, loss_per_h: ArrayLike, step_h: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Concentration at the end of a step and its mean over the step, ug/m3, any shapes that broadcast.

    `supply_ug_m3_h` is all that comes in or is made per volume (ug/m3 per h), `loss_per_h` all first-order losses.
    Raises ValueError for a number that is negative or not finite.

    >>> end, mean = exact_step(10.0, 0.0, 1.0, 1.0)
    >>> round(float(end), 4), round(float(mean), 4)
    (3.6788, 6.3212)
    """
    start = not_negative("start_ug_m3", start_ug_m3)
    supplied = not_negative("supply_ug_m3_h", supply_ug_m3_h) * not_negative("step_h", step_h)
    decay, phi1, phi2 = step_factors(not_negative("loss_per_h", loss_per_h) * np.asarray(step_h, dtype=np.float64))
    return np.asarray(start * decay + supplied * phi1), np.asarray(start * phi1 + supplied * phi2)


def steady_state(supply_ug_m3_h: ArrayLike, loss_per_h: ArrayLike) -> FloatArray:
    """The concentration that constant inputs lead to, supply / loss, ug/m3; infinite where nothing removes.

    Raises ValueError for a number that is negative or not finite.

    >>> float(steady_state(6.0, 0.5))
    12.0
    """
    supply, loss = np.broadcast_arrays(
        not_negative("supply_ug_m3_h", supply_ug_m3_h), not_negative("loss_per_h", loss_per_h)
    )
    nothing_lost = np.where(supply > 0.0, np.inf, 0.0)
    return np.asarray(np.divide(supply, loss, out=nothing_lost, where=loss > 0.0))
