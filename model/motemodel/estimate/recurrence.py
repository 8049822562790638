"""The balance of a house seen through a noisy sensor: predictions, their slopes, and the gains that steer them.

Over one step the inputs are constant, so the balance dC/dt = b - lambda C is exact: C' = phi C + g b with
phi = exp(-lambda h), g = (1 - phi)/lambda. A scalar Kalman filter in innovation form (Anderson & Moore 1979, Optimal
Filtering, section 9.3) pulls the state to the readings by the gain K: filtered = predicted + K (reading - predicted).
Entry b and loss lambda are linear in the parameters, so predictions and all their slopes obey one and the same linear
recurrence, solved for all columns at once as a unit lower-bidiagonal system in LAPACK (dtbtrs).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dtbtrs

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_TABLE = 4000


@dataclass(frozen=True)
class Terms:
    """One column per parameter: what a unit of it adds to entry (ug/m3/h) and to loss (1/h) in each transition.

    Shapes (transitions, parameters); transition k leads from the middle of step k to the middle of step k + 1.
    """

    step_h: float
    entry: FloatArray
    loss: FloatArray


@dataclass(frozen=True)
class Steering:
    """Gains K and relative innovation variances, one per step; `used` marks innovations that carry information."""

    gain: FloatArray
    variance: FloatArray
    used: BoolArray


@dataclass(frozen=True)
class Run:
    """Innovations (reading - predicted) of shape (steps,), and their slopes -d/dparameter, (steps, parameters)."""

    innovation: FloatArray
    slopes: FloatArray
    filtered: FloatArray
    kept: FloatArray
    supply: FloatArray


def linear_recurrence(coefficient: FloatArray, columns: FloatArray) -> FloatArray:
    """x[0] = columns[0], x[k+1] = coefficient[k] x[k] + columns[k+1], for every column; shapes (n-1,), (n, p)."""
    band = np.ones((2, columns.shape[0]))
    band[1, :-1] = -coefficient
    solution, info = dtbtrs(band, np.asfortranarray(columns), uplo="L", diag="U")
    if info != 0:
        raise ArithmeticError(f"linear recurrence: LAPACK dtbtrs returned {info}")
    return np.asarray(solution)


def step_response(loss: FloatArray, step_h: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """phi, g = (1 - phi)/loss and dg/dloss for each loss rate (1/h), without loss of digits near zero."""
    small = np.abs(loss) * step_h < 1e-5
    safe = np.where(small, 1.0, loss)
    phi = np.exp(-loss * step_h)
    g = np.where(small, step_h * (1.0 - 0.5 * loss * step_h), -np.expm1(-loss * step_h) / safe)
    dg = np.where(small, -0.5 * step_h**2, (step_h * phi - g) / safe)
    return phi, g, dg


def steer(known: BoolArray, restart: BoolArray, noise_ratio: float) -> Steering:
    """Gains for steps whose reading is `known`; at `restart` the state is taken from the reading alone.

    `noise_ratio` is the variance of the balance's own disturbance over one step in units of the reading's variance.
    After a restart the gain falls from one to its steady value as the Riccati recursion says; it depends on the steps
    since the restart only, so it is read from a table. A reading that is missing passes with gain nought.
    """
    table_gain = np.ones(_TABLE)
    table_variance = np.ones(_TABLE)
    spread = 1.0
    for n in range(1, _TABLE):
        predicted = spread + noise_ratio
        table_variance[n] = predicted + 1.0
        table_gain[n] = predicted / (predicted + 1.0)
        if abs(table_gain[n] - table_gain[n - 1]) < 1e-7 * table_gain[n]:
            table_gain[n:], table_variance[n:] = table_gain[n], table_variance[n]
            break
        spread = table_gain[n]
    index = np.arange(known.size)
    since = index - np.maximum.accumulate(np.where(restart, index, -1))
    since = np.where(np.maximum.accumulate(restart), since, 0)
    since = np.minimum(since, _TABLE - 1)
    gain = np.where(known, table_gain[since], 0.0)
    return Steering(gain=gain, variance=table_variance[since], used=known & ~restart & np.maximum.accumulate(restart))


def run(terms: Terms, theta: FloatArray, reading: FloatArray, steering: Steering, *, slopes: bool = True) -> Run:
    """Innovations of `reading` (any number where unknown: its gain is nought), and their slopes in the parameters."""
    loss = terms.loss @ theta
    entry = terms.entry @ theta
    phi, g, dg = step_response(loss, terms.step_h)
    gain = steering.gain
    drive = np.empty((reading.size, 1))
    drive[0, 0] = reading[0]
    drive[1:, 0] = phi * gain[:-1] * reading[:-1] + g * entry
    carry = phi * (1.0 - gain[:-1])
    predicted = linear_recurrence(carry, drive)[:, 0]
    filtered = predicted + gain * (reading - predicted)
    if not slopes:
        return Run(reading - predicted, np.zeros((reading.size, 0)), filtered, phi, g)
    columns = np.zeros((reading.size, theta.size), order="F")
    by_loss = -terms.step_h * phi * filtered[:-1] + dg * entry
    columns[1:] = by_loss[:, None] * terms.loss + g[:, None] * terms.entry
    return Run(reading - predicted, linear_recurrence(carry, columns), filtered, phi, g)
