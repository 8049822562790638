"""One well-mixed house: the particle balance solved exactly for a whole series of steps at once.

V dC/dt = P Q_inf C_out + (1 - eta_oa) Q_oa C_out + S - (Q_out + k V + sum_j u_j Q_j eta_j) C, for every size bin;
Nazaroff & Cass (1989), Environ. Sci. Technol. 23: 157-166, eq. 1, without coagulation. Inputs are constant over a step.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg.lapack import dtbtrs

from ..particles.bounds import fraction, not_negative, positive
from .step import FloatArray, step_factors

_BLOCK = 8192
"""Steps solved at a time: few enough for every array of a block to stay in the processor's second-level cache."""


@dataclass(frozen=True)
class Cleaner:
    """A device that takes particles out of the room air: the central fan's filter, a coil, a room cleaner.

    `airflow_m3h` scalar or (T,), while running; `running` scalar or (T,), the fraction of the step that it runs, 0..1;
    `efficiency` scalar or (B,), single pass, of all the air it moves, 0..1.
    """

    name: str
    airflow_m3h: ArrayLike
    efficiency: ArrayLike
    running: ArrayLike = 1.0


@dataclass(frozen=True)
class Inputs:
    """All that drives the balance over T steps in B size bins, each constant over its step.

    `step_h`, `infiltration_m3h`, `intake_m3h`, `outflow_m3h`: scalar or (T,). `outdoor_ug_m3`: (B, T), one row a bin.
    `emission_ug_h`: scalar or (B, T). `penetration`, `deposition_per_h`, `intake_efficiency`: scalar or (B,).
    `outflow_m3h` is the air that leaves; without it what enters leaves. Raises ValueError, naming the input, the value
    and the fix, for a shape that does not fit, a number that is not finite, a negative flow or a fraction outside 0..1.
    """

    volume_m3: float
    step_h: ArrayLike
    outdoor_ug_m3: FloatArray
    infiltration_m3h: ArrayLike
    penetration: ArrayLike = 1.0
    deposition_per_h: ArrayLike = 0.0
    emission_ug_h: ArrayLike = 0.0
    intake_m3h: ArrayLike = 0.0
    intake_efficiency: ArrayLike = 0.0
    outflow_m3h: ArrayLike | None = None
    cleaners: tuple[Cleaner, ...] = ()

    def __post_init__(self) -> None:
        if np.ndim(self.outdoor_ug_m3) != 2 or 0 in np.shape(self.outdoor_ug_m3):
            raise ValueError(
                f"outdoor_ug_m3: shape {np.shape(self.outdoor_ug_m3)}; give a row for each size bin, a column a step"
            )
        bins, steps = self.bins, self.steps
        positive("volume_m3", self.volume_m3)
        _per("step_h", positive("step_h", self.step_h), steps, "step")
        not_negative("outdoor_ug_m3", self.outdoor_ug_m3)
        for name in ("infiltration_m3h", "intake_m3h"):
            _per(name, not_negative(name, getattr(self, name)), steps, "step")
        if self.outflow_m3h is not None:
            _per("outflow_m3h", not_negative("outflow_m3h", self.outflow_m3h), steps, "step")
        for name in ("penetration", "intake_efficiency"):
            _per(name, fraction(name, getattr(self, name)), bins, "size bin")
        _per("deposition_per_h", not_negative("deposition_per_h", self.deposition_per_h), bins, "size bin")
        emission = not_negative("emission_ug_h", self.emission_ug_h)
        if emission.shape not in ((), (bins, steps)):
            raise ValueError(f"emission_ug_h: shape {emission.shape}; give one number or an array {(bins, steps)}")
        for cleaner in self.cleaners:
            place = f"cleaner {cleaner.name}"
            _per(f"{place}: airflow_m3h", not_negative(f"{place}: airflow_m3h", cleaner.airflow_m3h), steps, "step")
            _per(f"{place}: running", fraction(f"{place}: running", cleaner.running), steps, "step")
            _per(f"{place}: efficiency", fraction(f"{place}: efficiency", cleaner.efficiency), bins, "size bin")

    @property
    def bins(self) -> int:
        """Number of size bins."""
        return int(np.shape(self.outdoor_ug_m3)[0])

    @property
    def steps(self) -> int:
        """Number of steps."""
        return int(np.shape(self.outdoor_ug_m3)[1])

    @property
    def outflow(self) -> FloatArray:
        """Air that leaves, m3/h, scalar or (T,)."""
        if self.outflow_m3h is None:
            return np.asarray(np.asarray(self.infiltration_m3h) + np.asarray(self.intake_m3h), dtype=np.float64)
        return np.asarray(self.outflow_m3h, dtype=np.float64)

    def emission(self, size_bin: int) -> FloatArray:
        """Particles of a bin made indoors, ug/h, scalar or (T,)."""
        emission = np.asarray(self.emission_ug_h, dtype=np.float64)
        return np.asarray(emission[size_bin]) if emission.ndim else emission


@dataclass(frozen=True)
class Series:
    """Concentrations, ug/m3: `start` (B,) at first, `end` (B, T) at the end of each step, `mean` (B, T) over it."""

    start: FloatArray
    end: FloatArray
    mean: FloatArray


def cleaned_airflow(cleaner: Cleaner) -> FloatArray:
    """Air that a cleaner moves, averaged over on and off, u Q, m3/h, scalar or (T,)."""
    return np.asarray(np.asarray(cleaner.running) * np.asarray(cleaner.airflow_m3h), dtype=np.float64)


def of_bin(values: ArrayLike, size_bin: int) -> float:
    """The value of a bin of something that is one number for all bins or has one for each."""
    array = np.asarray(values, dtype=np.float64)
    return float(array[size_bin] if array.ndim else array)


def solve(inputs: Inputs, start_ug_m3: ArrayLike) -> Series:
    """The exact series from concentrations `start_ug_m3` (scalar or (B,)), for every bin.

    C[n+1] = E[n] C[n] + g[n] over all steps is one unit lower-bidiagonal system, which LAPACK's dtbtrs solves by
    substitution. Raises ValueError for a start that is negative, not finite or does not fit the bins.

    >>> empty = Inputs(volume_m3=400.0, step_h=1.0, outdoor_ug_m3=np.zeros((1, 3)), infiltration_m3h=200.0)
    >>> solve(empty, 100.0).end.round(2).tolist()
    [[60.65, 36.79, 22.31]]
    """
    start = _per("start_ug_m3", not_negative("start_ug_m3", start_ug_m3), inputs.bins, "size bin")
    start = np.array(np.broadcast_to(start, (inputs.bins,)))
    end = np.empty((inputs.bins, inputs.steps))
    mean = np.empty_like(end)
    outdoor, volume = np.asarray(inputs.outdoor_ug_m3, dtype=np.float64), inputs.volume_m3
    cleaned = [cleaned_airflow(cleaner) for cleaner in inputs.cleaners]
    flows = (inputs.step_h, inputs.infiltration_m3h, inputs.intake_m3h, inputs.outflow)
    for block in _blocks(inputs.steps):
        step, infiltration, intake, outflow = (_part(values, block) for values in flows)
        for size_bin in range(inputs.bins):
            loss_m3h = outflow + of_bin(inputs.deposition_per_h, size_bin) * volume
            for airflow, cleaner in zip(cleaned, inputs.cleaners, strict=True):
                loss_m3h = loss_m3h + of_bin(cleaner.efficiency, size_bin) * _part(airflow, block)
            entering_m3h = of_bin(inputs.penetration, size_bin) * infiltration
            entering_m3h = entering_m3h + (1.0 - of_bin(inputs.intake_efficiency, size_bin)) * intake
            supply = entering_m3h * outdoor[size_bin, block] + _part(inputs.emission(size_bin), block)
            per_volume = step / volume
            before = start[size_bin] if block.start == 0 else end[size_bin, block.start - 1]
            _solve_block(
                supply * per_volume,
                np.atleast_1d(loss_m3h * per_volume),
                before,
                end[size_bin, block],
                mean[size_bin, block],
            )
    return Series(start, end, mean)


def _solve_block(supplied: FloatArray, x: FloatArray, before: float, end_out: FloatArray, mean_out: FloatArray) -> None:
    """One bin over one block of n steps; `supplied` (n,) is supply times step, `x` loss times step, (n,) or (1,)."""
    decay, phi1, phi2 = step_factors(x)
    # Column order is LAPACK's own and saves it a copy.
    band = np.empty((2, supplied.size), order="F")
    band[0] = 1.0
    band[1, :-1] = -(decay if decay.size == 1 else decay[1:])
    np.multiply(supplied, phi1, out=end_out)
    end_out[0] += before * decay[0]
    solution, info = dtbtrs(band, end_out, uplo="L", diag="U", overwrite_b=True)
    if info != 0:
        raise ArithmeticError(f"balance: LAPACK dtbtrs returned {info}")
    end_out[:] = np.ravel(solution)
    np.multiply(supplied, phi2, out=mean_out)
    mean_out[0] += before * phi1[0]
    mean_out[1:] += end_out[:-1] * (phi1 if phi1.size == 1 else phi1[1:])


def _blocks(steps: int) -> Iterator[slice]:
    for first in range(0, steps, _BLOCK):
        yield slice(first, min(first + _BLOCK, steps))


def _part(values: ArrayLike, block: slice) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    return np.asarray(array[block]) if array.ndim else array


def _per(place: str, values: FloatArray, count: int, of: str) -> FloatArray:
    if values.shape not in ((), (count,)):
        raise ValueError(f"{place}: shape {values.shape}; give one number, or one for each {of} ({count})")
    return values
