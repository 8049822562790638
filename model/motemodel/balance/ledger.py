"""The ledger: what came in, what was made, what took it out, from the exact step means."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .single import Inputs, Series, cleaned_airflow, of_bin
from .step import FloatArray

_UG_PER_MG = 1000.0


@dataclass(frozen=True)
class Ledger:
    """Masses over a period, mg, in B size bins and N spans of time (one when the whole period is one account).

    Arrays (N, B), `filtered` (N, J, B) for the J `devices`. `stored` is what the air holds more at the end of a span
    than at its start, and negative where it holds less.
    """

    devices: tuple[str, ...]
    entered: FloatArray
    generated: FloatArray
    filtered: FloatArray
    settled: FloatArray
    carried_out: FloatArray
    stored: FloatArray

    @property
    def residual(self) -> FloatArray:
        """In less out less stored, mg, (N, B): nought but for rounding."""
        out = self.filtered.sum(axis=1) + self.settled + self.carried_out
        return np.asarray(self.entered + self.generated - out - self.stored)

    @property
    def closure(self) -> float:
        """Largest residual of any bin and span over the mass that moved in the account that moved most.

        The masses come from the step means, the stored mass from the ends of the steps, by different formulas; so this
        checks the solution and is not nought by construction.
        """
        moved = self.entered + self.generated + np.abs(self.stored)
        largest = float(moved.max())
        return float(np.abs(self.residual).max()) / largest if largest > 0.0 else 0.0

    def total(self) -> "Ledger":
        """All bins and spans in one account, shapes (1, 1) and (1, J, 1)."""
        masses = {
            name: np.asarray(getattr(self, name).sum()).reshape(1, 1)
            for name in ("entered", "generated", "settled", "carried_out", "stored")
        }
        filtered = self.filtered.sum(axis=(0, 2)).reshape(1, -1, 1)
        return Ledger(devices=self.devices, filtered=filtered, **masses)


def ledger(inputs: Inputs, series: Series, span_starts: ArrayLike = (0,)) -> Ledger:
    """The account of a solved series, one for each span of steps.

    `span_starts`: the index of the first step of each span, rising, the first one 0; a span ends where the next starts.
    Raises ValueError for starts that do not rise from 0 or lie past the last step.
    """
    starts = np.asarray(span_starts, dtype=np.intp)
    if starts.ndim != 1 or starts.size == 0 or starts[0] != 0 or (np.diff(starts) <= 0).any():
        raise ValueError(f"span_starts: {starts.tolist()} must rise from 0; give the first step of each span")
    if starts[-1] >= inputs.steps:
        raise ValueError(f"span_starts: {starts[-1]} is past the last step; there are {inputs.steps} steps")
    spans = tuple(_spans(starts, inputs.steps))
    devices = tuple(cleaner.name for cleaner in inputs.cleaners)
    shape = (len(spans), inputs.bins)
    entered, generated, settled, carried_out, stored = (np.empty(shape) for _ in range(5))
    filtered = np.empty((len(spans), len(devices), inputs.bins))
    step_h = np.asarray(inputs.step_h, dtype=np.float64)
    # Weights once for all bins: hours of each step, and airflow times hours.
    infiltrated_m3 = np.asarray(np.asarray(inputs.infiltration_m3h) * step_h)
    taken_in_m3 = np.asarray(np.asarray(inputs.intake_m3h) * step_h)
    outflow_m3 = np.asarray(inputs.outflow * step_h)
    cleaned_m3 = [np.asarray(cleaned_airflow(cleaner) * step_h) for cleaner in inputs.cleaners]
    outdoor = np.asarray(inputs.outdoor_ug_m3, dtype=np.float64)
    for size_bin in range(inputs.bins):
        penetration = of_bin(inputs.penetration, size_bin)
        passing = 1.0 - of_bin(inputs.intake_efficiency, size_bin)
        emitted = np.asarray(inputs.emission(size_bin) * step_h)
        settling_m3_h = of_bin(inputs.deposition_per_h, size_bin) * inputs.volume_m3
        for row, span in enumerate(spans):
            mean = series.mean[size_bin, span]
            outside = outdoor[size_bin, span]
            infiltrated = penetration * _weighted_sum(infiltrated_m3, outside, span)
            entered[row, size_bin] = infiltrated + passing * _weighted_sum(taken_in_m3, outside, span)
            generated[row, size_bin] = emitted[span].sum() if emitted.ndim else (span.stop - span.start) * emitted
            settled[row, size_bin] = settling_m3_h * _weighted_sum(step_h, mean, span)
            carried_out[row, size_bin] = _weighted_sum(outflow_m3, mean, span)
            for column, (volume_m3, cleaner) in enumerate(zip(cleaned_m3, inputs.cleaners, strict=True)):
                efficiency = of_bin(cleaner.efficiency, size_bin)
                filtered[row, column, size_bin] = efficiency * _weighted_sum(volume_m3, mean, span)
            first = series.end[size_bin, span.start - 1] if span.start else series.start[size_bin]
            stored[row, size_bin] = inputs.volume_m3 * (series.end[size_bin, span.stop - 1] - first)
    in_mg = [mass / _UG_PER_MG for mass in (entered, generated, filtered, settled, carried_out, stored)]
    return Ledger(devices, *in_mg)


def _spans(starts: NDArray[np.intp], steps: int) -> Iterator[slice]:
    for first, last in zip(starts, [*starts[1:], steps], strict=True):
        yield slice(int(first), int(last))


def _weighted_sum(weight: FloatArray, values: FloatArray, span: slice) -> float:
    if weight.ndim:
        return float(np.dot(weight[span], values))
    return float(weight) * float(values.sum()) if weight != 0.0 else 0.0
