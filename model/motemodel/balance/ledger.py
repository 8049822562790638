"""The ledger: what came in, what was made, what took it out, from the exact step means."""

from dataclasses import dataclass
from functools import reduce
from math import prod

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..bounds import FloatArray
from .single import Inputs, Series

UG_PER_MG = 1000.0


@dataclass(frozen=True)
class Ledger:
    """Masses over a period, mg, in B size bins and N spans of time (one when the whole period is one account).

    Arrays (N, B), `filtered` (N, J, B) for the J `devices`. `opening` is what the air holds at the start of a span;
    `stored` is what it holds more at the end, negative where it holds less.
    """

    devices: tuple[str, ...]
    opening: FloatArray
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
        """The worst account's residual over the mass that went through it: what it opened with, entered and was made.

        The masses come from the step means, the stored mass from the ends of the steps, by different formulas; so this
        checks the solution and is not nought by construction.
        """
        through = self.opening + self.entered + self.generated
        shares = np.divide(np.abs(self.residual), through, out=np.zeros_like(through), where=through > 0.0)
        return float(shares.max())

    def total(self) -> "Ledger":
        """All bins and spans in one account, shapes (1, 1) and (1, J, 1)."""
        masses = {
            name: np.asarray(getattr(self, name).sum()).reshape(1, 1)
            for name in ("entered", "generated", "settled", "carried_out", "stored")
        }
        opening = self.opening[:1].sum(keepdims=True)
        filtered = self.filtered.sum(axis=(0, 2)).reshape(1, -1, 1)
        return Ledger(devices=self.devices, opening=opening, filtered=filtered, **masses)


def ledger(inputs: Inputs, series: Series, span_starts: ArrayLike = (0,)) -> Ledger:
    """The account of a solved series, one for each span of steps (`range(0, steps, 1440)`: days of minutes).

    `span_starts`: the index of the first step of each span, rising, the first one 0; a span ends where the next starts.
    Raises ValueError for starts that do not rise from 0 or lie past the last step.
    """
    spans = Spans.of(span_starts, inputs.steps)
    step_h = np.asarray(inputs.step_h, dtype=np.float64)
    outdoor_ug_m3 = np.asarray(inputs.outdoor_ug_m3, dtype=np.float64)
    infiltration_m3h, intake_m3h = np.asarray(inputs.infiltration_m3h), np.asarray(inputs.intake_m3h)
    outflow_m3h, drawn_m3h = inputs.outflow, [cleaner.drawn_m3h for cleaner in inputs.cleaners]
    shape = (spans.count, inputs.bins)
    opening, entered, generated, settled, carried_out, stored = (np.empty(shape) for _ in range(6))
    filtered = np.empty((spans.count, len(inputs.cleaners), inputs.bins))
    for size_bin, (outdoor, mean) in enumerate(zip(outdoor_ug_m3, series.mean, strict=True)):
        infiltrated = of_bin(inputs.penetration, size_bin) * spans.sums(outdoor, infiltration_m3h, step_h)
        taken_in = (1.0 - of_bin(inputs.intake_efficiency, size_bin)) * spans.sums(outdoor, intake_m3h, step_h)
        entered[:, size_bin] = infiltrated + taken_in
        generated[:, size_bin] = spans.sums(of_bin(inputs.emission_ug_h, size_bin), step_h)
        settling_m3h = of_bin(inputs.deposition_per_h, size_bin) * inputs.volume_m3
        settled[:, size_bin] = settling_m3h * spans.sums(mean, step_h)
        carried_out[:, size_bin] = spans.sums(mean, outflow_m3h, step_h)
        for device, (air_m3h, cleaner) in enumerate(zip(drawn_m3h, inputs.cleaners, strict=True)):
            filtered[:, device, size_bin] = spans.sums(mean, air_m3h, of_bin(cleaner.efficiency, size_bin), step_h)
        held = inputs.volume_m3 * spans.edges(series.start[size_bin], series.end[size_bin])
        opening[:, size_bin], stored[:, size_bin] = held[:-1], np.diff(held)
    devices = tuple(cleaner.name for cleaner in inputs.cleaners)
    in_mg = [mass / UG_PER_MG for mass in (opening, entered, generated, filtered, settled, carried_out, stored)]
    return Ledger(devices, *in_mg)


@dataclass(frozen=True)
class Spans:
    """Spans of a series of steps, end to end."""

    starts: NDArray[np.intp]
    steps: int

    @staticmethod
    def of(span_starts: ArrayLike, steps: int) -> "Spans":
        """Checked spans; raises ValueError for starts that do not rise from 0 or lie past the last step."""
        starts = np.asarray(span_starts)
        if starts.ndim != 1 or starts.size == 0 or starts.dtype.kind not in "iu":
            raise ValueError(f"span_starts: {span_starts!r}; give the number of the first step of each span")
        if starts[0] != 0 or (np.diff(starts) <= 0).any():
            raise ValueError(f"span_starts: {starts.tolist()} must rise from 0; give the first step of each span")
        if starts[-1] >= steps:
            raise ValueError(f"span_starts: {starts[-1]} is past the last step; there are {steps} steps")
        return Spans(starts.astype(np.intp), steps)

    @property
    def count(self) -> int:
        """Number of spans."""
        return self.starts.size

    def sums(self, *factors: FloatArray) -> FloatArray:
        """Sum over each span of the product of factors, each one number or one for each step."""
        rows = [factor for factor in factors if factor.ndim]
        scale = prod(float(factor) for factor in factors if not factor.ndim)
        if scale == 0.0 or not rows:
            return scale * np.diff(self.starts, append=self.steps)
        if self.count == 1:
            # One pass and no product in memory; `dot` would start threads, and wait for them on a busy machine.
            return np.array([scale * np.einsum(",".join("t" * len(rows)) + "->", *rows)])
        return np.asarray(scale * np.add.reduceat(reduce(np.multiply, rows), self.starts))

    def edges(self, start: float, ends: FloatArray) -> FloatArray:
        """The values at the start of each span and at the end of the last one."""
        return np.concatenate(([start], ends[self.starts[1:] - 1], ends[-1:]))


def of_bin(values: ArrayLike, size_bin: int) -> FloatArray:
    """What a bin has of something that is one number, or has one for each bin, or for each bin and step: () or (T,)."""
    array = np.asarray(values, dtype=np.float64)
    return np.asarray(array[size_bin]) if array.ndim else array
