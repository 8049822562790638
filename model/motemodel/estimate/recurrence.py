"""The balance of a house seen through a noisy sensor: predictions, their slopes, and the gains that steer them.

Over one step the inputs are constant, so the balance dC/dt = b - lambda C is exact: C' = phi C + g b with
phi = exp(-lambda h), g = (1 - phi)/lambda. A scalar Kalman filter in innovation form (Anderson & Moore 1979, Optimal
Filtering, section 9.3) pulls the state to the readings by the gain K: filtered = predicted + K (reading - predicted).
Entry b and loss lambda are linear in the parameters, so predictions and all their slopes obey one and the same linear
recurrence, solved for all columns at once as one unit lower-triangular banded system in LAPACK (dtbtrs).

What the model leaves out lasts for hours (weather, habits). Left in the innovations it would pull the loss towards
nought, because the level remembers it; so it is a second state, a drift in ug/m3/h that forgets itself in hours.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dtbtrs

from ..bounds import FloatArray

BoolArray = NDArray[np.bool_]

_TABLE = 2000


@dataclass(frozen=True)
class Terms:
    """One column per parameter: what a unit of it adds to entry (ug/m3/h) and to loss (1/h) in each transition.

    Shapes (transitions, parameters); transition k leads from the middle of step k to the middle of step k + 1.
    """

    step_h: float
    entry: FloatArray
    loss: FloatArray


@dataclass(frozen=True)
class Noise:
    """The disturbances, in units of the sensor's own scatter.

    `quick`: variance that the balance picks up in one step. `lasting`: standard deviation (1/h) of the disturbance that
    lasts for hours, `memory_h` its memory.
    """

    quick: float
    lasting: float
    memory_h: float = 5.0


@dataclass(frozen=True)
class Steering:
    """Gains on the level and on the lasting disturbance (1/h), and relative innovation variances, one per step.

    `keep`: what is left of the lasting disturbance after one step. `used` marks innovations that carry information.
    """

    gain: FloatArray
    drift_gain: FloatArray
    variance: FloatArray
    used: BoolArray
    keep: float


@dataclass(frozen=True)
class Run:
    """Innovations (reading - predicted) of shape (steps,), and their slopes -d/dparameter, (steps, parameters).

    `filtered`: the level after each reading; `drift`: the lasting disturbance, ug/m3/h.
    """

    innovation: FloatArray
    slopes: FloatArray
    filtered: FloatArray
    drift: FloatArray


def linear_recurrence(coefficient: FloatArray, columns: FloatArray) -> FloatArray:
    """x[0] = columns[0], x[k+1] = coefficient[k] x[k] + columns[k+1], for every column; shapes (n-1,), (n, p)."""
    band = np.ones((2, columns.shape[0]))
    band[1, :-1] = -coefficient
    return _solved(band, columns)


def _solved(band: FloatArray, columns: FloatArray) -> FloatArray:
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


def steer(
    known: BoolArray, restart: BoolArray, noise: Noise, step_h: float, loss_per_h: float, every: int = 1
) -> Steering:
    """Gains for steps whose reading is `known`; at `restart` the level is taken from the reading alone.

    After a restart the gains settle as the Riccati recursion says for a typical loss `loss_per_h`; they depend
    on the steps since the restart only, so they are read from a table. Readings come at one step in `every`; a missing
    one passes with gain nought.
    """
    keep = float(np.exp(-step_h / noise.memory_h))
    table = _gain_table(noise, step_h, loss_per_h, keep, every)
    index = np.arange(known.size)
    begun = np.maximum.accumulate(restart)
    since = np.where(begun, index - np.maximum.accumulate(np.where(restart, index, 0)), 0)
    # Past the end of the table the gains are steady: its last cycle repeats.
    end = table.shape[1]
    since = np.where(since < end, since, end - every + (since - end) % every)
    return Steering(
        gain=np.where(known, table[0, since], 0.0),
        drift_gain=np.where(known, table[1, since], 0.0),
        variance=table[2, since],
        used=known & ~restart & begun,
        keep=keep,
    )


def _gain_table(noise: Noise, step_h: float, loss_per_h: float, keep: float, every: int) -> FloatArray:
    """Gain on the level, gain on the drift and innovation variance, by steps since the restart; shape (3, steps)."""
    phi, g, _ = (float(part[0]) for part in step_response(np.array([loss_per_h]), step_h))
    level, cross, drift = 1.0, 0.0, noise.lasting**2
    rows = [(1.0, 0.0, 1.0)]
    for step in range(1, _TABLE * every + 1):
        # The covariance carried over one step, then narrowed by one reading of unit variance.
        level, cross, drift = (
            phi * phi * level + 2.0 * phi * g * cross + g * g * drift + noise.quick,
            keep * (phi * cross + g * drift),
            keep * keep * drift + (1.0 - keep * keep) * noise.lasting**2,
        )
        total = level + 1.0
        rows.append((level / total, cross / total, total))
        if step % every:
            continue
        level, cross, drift = level / total, cross / total, drift - cross * cross / total
        settled = np.abs(np.subtract(rows[-1], rows[max(-1 - every, -len(rows))])) < 1e-6 * np.abs(rows[-1])
        if settled.all():
            break
    return np.array(rows).T


def run(terms: Terms, theta: FloatArray, reading: FloatArray, steering: Steering, *, slopes: bool = True) -> Run:
    """Innovations of `reading` (any number where unknown: its gain is nought), and their slopes in the parameters."""
    loss = terms.loss @ theta
    entry = terms.entry @ theta
    phi, g, dg = step_response(loss, terms.step_h)
    gain, drift_gain, keep = steering.gain[:-1], steering.drift_gain[:-1], steering.keep

    # Level and drift stand in turn in one vector; four bands of a unit lower-triangular matrix couple them.
    band = np.zeros((4, 2 * reading.size))
    band[0] = 1.0
    band[1, 1:-2:2] = -g
    band[2, 0:-2:2] = g * drift_gain - phi * (1.0 - gain)
    band[2, 1:-2:2] = -keep
    band[3, 0:-2:2] = keep * drift_gain
    drive = np.zeros((2 * reading.size, 1))
    drive[0, 0] = reading[0]
    drive[2::2, 0] = (phi * gain + g * drift_gain) * reading[:-1] + g * entry
    drive[3::2, 0] = keep * drift_gain * reading[:-1]
    state = _solved(band, drive)[:, 0]
    predicted, drift = state[0::2], state[1::2]
    innovation = reading - predicted
    filtered = predicted + steering.gain * innovation
    drift = drift + steering.drift_gain * innovation
    if not slopes:
        return Run(innovation, np.zeros((reading.size, 0)), filtered, drift)
    columns = np.zeros((2 * reading.size, theta.size), order="F")
    by_loss = -terms.step_h * phi * filtered[:-1] + dg * (entry + drift[:-1])
    columns[2::2] = by_loss[:, None] * terms.loss + g[:, None] * terms.entry
    return Run(innovation, _solved(band, columns)[0::2], filtered, drift)
