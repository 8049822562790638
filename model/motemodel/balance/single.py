"""One well-mixed house: the particle balance solved exactly for a whole series of steps at once.

V dC/dt = P Q_inf C_out + (1 - eta_oa) Q_oa C_out + S - (Q_out + k V + sum_j u_j Q_j eta_j) C, for every size bin;
Nazaroff & Cass (1989), Environ. Sci. Technol. 23: 157-166, eq. 1, without coagulation. Inputs are constant over a step.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg.lapack import dtbtrs

from ..bounds import FloatArray, fraction, not_negative, positive
from .step import step_factors

_BLOCK = 8192
"""Steps solved at a time: few enough for every array of a block to stay in the processor's second-level cache."""


@dataclass(frozen=True)
class Cleaner:
    """A device that takes particles out of the room air: the central fan's filter, a coil, a room cleaner.

    `airflow_m3h` scalar or (T,), while running; `running` scalar or (T,), the fraction of the step that it runs, 0..1;
    `efficiency` scalar, (B,) or (B, T), single pass, of all the air it moves, 0..1. Airflow and efficiency that vary
    with the steps are those of a filter that loads.
    """

    name: str
    airflow_m3h: ArrayLike
    efficiency: ArrayLike
    running: ArrayLike = 1.0

    @property
    def drawn_m3h(self) -> FloatArray:
        """Air that it moves, averaged over on and off, m3/h, scalar or (T,)."""
        return np.asarray(np.asarray(self.running) * np.asarray(self.airflow_m3h), dtype=np.float64)


@dataclass(frozen=True)
class Inputs:
    """All that drives the balance over T steps in B size bins, each constant over its step.

    `step_h`, `infiltration_m3h`, `intake_m3h`, `outflow_m3h`: scalar or (T,). `outdoor_ug_m3`: (B, T), one row a bin.
    `emission_ug_h`: scalar, (B,) or (B, T). `penetration`, `deposition_per_h`, `intake_efficiency`: scalar or (B,).
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
        shape = np.shape(self.outdoor_ug_m3)
        if len(shape) != 2 or 0 in shape:
            raise ValueError(f"outdoor_ug_m3: shape {shape}; give a row for each size bin, a column for each step")
        bins, steps = shape
        fits("volume_m3", positive("volume_m3", self.volume_m3), ())
        fits("step_h", positive("step_h", self.step_h), (), (steps,))
        not_negative("outdoor_ug_m3", self.outdoor_ug_m3)
        for name in ("infiltration_m3h", "intake_m3h"):
            fits(name, not_negative(name, getattr(self, name)), (), (steps,))
        if self.outflow_m3h is not None:
            fits("outflow_m3h", not_negative("outflow_m3h", self.outflow_m3h), (), (steps,))
        for name in ("penetration", "intake_efficiency"):
            fits(name, fraction(name, getattr(self, name)), (), (bins,))
        fits("deposition_per_h", not_negative("deposition_per_h", self.deposition_per_h), (), (bins,))
        fits("emission_ug_h", not_negative("emission_ug_h", self.emission_ug_h), (), (bins,), shape)
        for cleaner in self.cleaners:
            place = f"cleaner {cleaner.name}"
            fits(f"{place}: airflow_m3h", not_negative(f"{place}: airflow_m3h", cleaner.airflow_m3h), (), (steps,))
            fits(f"{place}: running", fraction(f"{place}: running", cleaner.running), (), (steps,))
            fits(f"{place}: efficiency", fraction(f"{place}: efficiency", cleaner.efficiency), (), (bins,), shape)

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


@dataclass(frozen=True)
class Series:
    """Concentrations, ug/m3: `start` (B,) at first, `end` (B, T) at the end of each step, `mean` (B, T) over it."""

    start: FloatArray
    end: FloatArray
    mean: FloatArray


def solve(inputs: Inputs, start_ug_m3: ArrayLike) -> Series:
    """The exact series from concentrations `start_ug_m3` (scalar or (B,)), for every bin.

    C[n+1] = E[n] C[n] + g[n] over many steps is a unit lower-bidiagonal system, which LAPACK's dtbtrs solves by
    substitution. Raises ValueError for a start that is negative, not finite or does not fit the bins, and for
    inputs so large that the concentration is beyond any number.

    >>> empty = Inputs(volume_m3=400.0, step_h=1.0, outdoor_ug_m3=np.zeros((1, 3)), infiltration_m3h=200.0)
    >>> solve(empty, 100.0).end.round(2).tolist()
    [[60.65, 36.79, 22.31]]
    """
    fits("start_ug_m3", not_negative("start_ug_m3", start_ug_m3), (), (inputs.bins,))
    start = np.array(np.broadcast_to(np.asarray(start_ug_m3, dtype=np.float64), (inputs.bins,)))
    end = np.empty((inputs.bins, inputs.steps))
    mean = np.empty_like(end)
    # The air that each sink of particles handles, once for all blocks.
    outflow_m3h, drawn_m3h = inputs.outflow, [cleaner.drawn_m3h for cleaner in inputs.cleaners]
    before = start
    with np.errstate(over="ignore", invalid="ignore"):
        for block in _blocks(inputs.steps):
            # How often in a step each sink handles the whole air, and what all of them together take of it: x.
            step_h = of_steps(inputs.step_h, block)
            hours_per_m3 = step_h / inputs.volume_m3
            x = of_steps(outflow_m3h, block) * hours_per_m3 + of_bins(inputs.deposition_per_h) * step_h
            for airflow_m3h, cleaner in zip(drawn_m3h, inputs.cleaners, strict=True):
                x = x + of_bins(cleaner.efficiency, block) * (of_steps(airflow_m3h, block) * hours_per_m3)
            supplied = _supply_ug_h(inputs, block)
            supplied *= hours_per_m3
            _solve_block(supplied, np.atleast_2d(x), before, end[:, block], mean[:, block])
            before = end[:, block.stop - 1]
    # What is once not finite stays so to the last step.
    if not np.isfinite(end[:, -1]).all():
        raise ValueError("outdoor_ug_m3 or emission_ug_h: so large that the air indoors passes any number; give less")
    return Series(start, end, mean)


def _supply_ug_h(inputs: Inputs, block: slice) -> FloatArray:
    """All that comes in or is made in each step of a block, (B, n)."""
    supply = np.empty((inputs.bins, block.stop - block.start))
    np.multiply(of_bins(inputs.penetration), of_steps(inputs.infiltration_m3h, block), out=supply)
    if np.any(inputs.intake_m3h):
        supply += (1.0 - of_bins(inputs.intake_efficiency)) * of_steps(inputs.intake_m3h, block)
    supply *= of_bins(inputs.outdoor_ug_m3, block)
    supply += of_bins(inputs.emission_ug_h, block)
    return supply


def _solve_block(
    supplied: FloatArray, x: FloatArray, before: FloatArray, end_out: FloatArray, mean_out: FloatArray
) -> None:
    """Ends and means of n steps; `supplied` (B, n) is supply times step, `x` loss times step, of a shape that fits it.

    Each bin is a system of its own, solved where its answer is wanted.
    """
    decay, phi1, phi2 = step_factors(x)
    # Column order is LAPACK's own and saves it a copy; the unit diagonal, [:, :, 0], it does not read.
    band = np.empty((*supplied.shape, 2))
    np.negative(_later(decay), out=band[:, :-1, 1])
    np.multiply(supplied, phi1, out=end_out)
    end_out[:, 0] += before * decay[:, 0]
    for coupling, end in zip(band, end_out, strict=True):
        end[:], info = dtbtrs(coupling.T, end, uplo="L", diag="U", overwrite_b=True)
        if info != 0:
            raise ArithmeticError(f"balance: LAPACK dtbtrs returned {info}")
    np.multiply(supplied, phi2, out=mean_out)
    mean_out[:, 0] += before * phi1[:, 0]
    mean_out[:, 1:] += np.multiply(end_out[:, :-1], _later(phi1), out=supplied[:, 1:])


def _later(factors: FloatArray) -> FloatArray:
    """The factors of all steps but the first; those that do not vary with the steps as they are."""
    return factors if factors.shape[1] == 1 else factors[:, 1:]


def _blocks(steps: int) -> Iterator[slice]:
    for first in range(0, steps, _BLOCK):
        yield slice(first, min(first + _BLOCK, steps))


def of_steps(values: ArrayLike, block: slice) -> FloatArray:
    """One number, or one for each step over a block of steps: () or (n,)."""
    array = np.asarray(values, dtype=np.float64)
    return np.asarray(array[block]) if array.ndim else array


def of_bins(values: ArrayLike, block: slice = slice(None)) -> FloatArray:
    """One number, one for each bin, or one for each bin and step over a block of steps: (), (B, 1) or (B, n)."""
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 2:
        return array[:, block]
    return array[:, np.newaxis] if array.ndim else array


def fits(place: str, values: FloatArray, *shapes: tuple[int, ...]) -> None:
    """Raise ValueError naming `place` unless the values have one of the shapes."""
    if values.shape not in shapes:
        named = ["one number" if shape == () else f"an array of shape {shape}" for shape in shapes]
        raise ValueError(f"{place}: shape {values.shape}; give {' or '.join(named)}")
