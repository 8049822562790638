"""Rooms coupled by the air that moves between them: the same balance, exact by the matrix exponential.

V_i dC_i/dt = P Q_inf,i C_out + (1 - eta_oa) Q_oa,i C_out + S_i + sum_j Q_ji C_j + handlers' supply
              - (Q_out,i + sum_j Q_ij + handlers' return + k V_i) C_i,   for every size bin;
Nazaroff & Cass (1989), Environ. Sci. Technol. 23: 157-166, eq. 1, for several rooms and without coagulation. With the
rooms in one vector this is dC/dt = A C + b; over a step h in which A and b hold, C(h) = e^Ah C(0) + h phi1(Ah) b and
the mean is phi1(Ah) C(0) + h phi2(Ah) b. All three matrices are blocks of one exponential: Al-Mohy & Higham (2011),
SIAM J. Sci. Comput. 33: 488-511, theorem 2.1.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import expm
from scipy.linalg.lapack import dtbtrs

from ..bounds import FloatArray, fraction, not_negative, positive
from .ledger import UG_PER_MG, Ledger, Spans, of_bin
from .single import fits

_BLOCK = 8192
"""Concentrations of one bin solved at a time, steps times rooms."""
_AIR_TOLERANCE = 1e-6
"""How far the air into a room may be from the air out of it, as a share of it."""


@dataclass(frozen=True)
class AirHandler:
    """A fan that draws air from rooms, mixes and filters it, and gives it back: the central system, or a room cleaner.

    `return_m3h` (R,) drawn from each room, `supply_m3h` (R,) given to each, in all the same; a fan that runs part of
    the time moves its average. `efficiency` scalar or (B,), single pass, of all the air it moves, 0..1.
    """

    name: str
    return_m3h: ArrayLike
    supply_m3h: ArrayLike
    efficiency: ArrayLike


@dataclass(frozen=True)
class FlowPattern:
    """One way in which the air moves, for as many steps as it holds: the fan on, the fan off, a door shut.

    Each (R,) or one number for all rooms, but `between_m3h` (R, R): [i, j] from room i to room j, nought on the
    diagonal. `infiltration_m3h` comes from outdoors through the shell, `intake_m3h` through a filter or an opening,
    `outflow_m3h` goes outdoors. `handlers` are those that run.
    """

    infiltration_m3h: ArrayLike
    outflow_m3h: ArrayLike
    between_m3h: ArrayLike = 0.0
    intake_m3h: ArrayLike = 0.0
    handlers: tuple[AirHandler, ...] = ()


@dataclass(frozen=True)
class ZoneInputs:
    """All that drives R rooms over T steps in B size bins, each constant over its step.

    `volumes_m3` (R,); `step_h` scalar or (T,); `outdoor_ug_m3` (B, T); `pattern` one number or (T,): which of the
    `patterns` of flow holds in each step. `penetration`, `deposition_per_h`, `intake_efficiency`: scalar or (B,).
    `emission_ug_h`: scalar (in each room), (R, B) or (R, B, T). Raises ValueError, naming the input, the value and the
    fix, for a shape that does not fit, a number that is not finite, a negative flow, a fraction outside 0..1, and for
    air that does not balance in a room, which it names.
    """

    rooms: tuple[str, ...]
    volumes_m3: ArrayLike
    step_h: ArrayLike
    outdoor_ug_m3: FloatArray
    patterns: tuple[FlowPattern, ...]
    pattern: ArrayLike = 0
    penetration: ArrayLike = 1.0
    deposition_per_h: ArrayLike = 0.0
    emission_ug_h: ArrayLike = 0.0
    intake_efficiency: ArrayLike = 0.0

    def __post_init__(self) -> None:
        shape = np.shape(self.outdoor_ug_m3)
        if len(shape) != 2 or 0 in shape:
            raise ValueError(f"outdoor_ug_m3: shape {shape}; give a row for each size bin, a column for each step")
        if not self.rooms or len(set(self.rooms)) < len(self.rooms):
            raise ValueError(f"rooms: {self.rooms}; name each room, at least one, no two alike")
        rooms, (bins, steps) = len(self.rooms), shape
        fits("volumes_m3", positive("volumes_m3", self.volumes_m3), (rooms,))
        fits("step_h", positive("step_h", self.step_h), (), (steps,))
        not_negative("outdoor_ug_m3", self.outdoor_ug_m3)
        for name in ("penetration", "intake_efficiency"):
            fits(name, fraction(name, getattr(self, name)), (), (bins,))
        fits("deposition_per_h", not_negative("deposition_per_h", self.deposition_per_h), (), (bins,))
        fits("emission_ug_h", not_negative("emission_ug_h", self.emission_ug_h), (), (rooms, bins), (rooms, *shape))
        which = np.asarray(self.pattern)
        if which.dtype.kind not in "iu" or which.shape not in ((), (steps,)):
            raise ValueError(f"pattern: give the number of a pattern, or one for each step ({steps}), whole and from 0")
        if which.min() < 0 or which.max() >= len(self.patterns):
            raise ValueError(
                f"pattern: {which.min()} to {which.max()}; there are patterns 0 to {len(self.patterns) - 1}"
            )
        for number, pattern in enumerate(self.patterns):
            _check_pattern(f"pattern {number}", pattern, self.rooms, bins)

    @property
    def bins(self) -> int:
        """Number of size bins."""
        return int(np.shape(self.outdoor_ug_m3)[0])

    @property
    def steps(self) -> int:
        """Number of steps."""
        return int(np.shape(self.outdoor_ug_m3)[1])

    @property
    def devices(self) -> tuple[str, ...]:
        """Names of the handlers of all patterns, in order of appearance."""
        return tuple(dict.fromkeys(handler.name for pattern in self.patterns for handler in pattern.handlers))


@dataclass(frozen=True)
class ZoneSeries:
    """Concentrations, ug/m3: `start` (R, B) at first, `end` (R, B, T) at the end of each step, `mean` (R, B, T)."""

    start: FloatArray
    end: FloatArray
    mean: FloatArray


def solve_zones(inputs: ZoneInputs, start_ug_m3: ArrayLike) -> ZoneSeries:
    """The exact series of all rooms and bins from `start_ug_m3` (scalar or (R, B)).

    A matrix exponential is reckoned once for each pattern of flow, length of step and bin; the steps then are one unit
    lower-banded system, 2 R - 1 bands below the diagonal. Raises ValueError for a start that is negative, not finite or
    of another shape.

    >>> two = ZoneInputs(
    ...     ("den", "hall"), (50.0, 50.0), 1.0, np.zeros((1, 2)),
    ...     (FlowPattern(0.0, 0.0, between_m3h=((0.0, 100.0), (100.0, 0.0))),),
    ... )
    >>> solve_zones(two, ((8.0,), (0.0,))).end.round(3).tolist()
    [[[4.073, 4.001]], [[3.927, 3.999]]]
    """
    shape = (len(inputs.rooms), inputs.bins)
    fits("start_ug_m3", not_negative("start_ug_m3", start_ug_m3), (), shape)
    start = np.array(np.broadcast_to(np.asarray(start_ug_m3, dtype=np.float64), shape))
    end = np.empty((*shape, inputs.steps))
    mean = np.empty_like(end)
    which = np.broadcast_to(inputs.pattern, inputs.steps)
    step_h, length = np.unique(inputs.step_h, return_inverse=True)
    kinds, kind = np.unique(which * step_h.size + length, return_inverse=True)
    kind = np.broadcast_to(kind, inputs.steps)
    at_once = max(1, _BLOCK // len(inputs.rooms))
    blocks = [slice(first, first + at_once) for first in range(0, inputs.steps, at_once)]
    for size_bin in range(inputs.bins):
        rates_per_h = np.array([_rates_per_h(inputs, pattern, size_bin) for pattern in inputs.patterns])
        matrices = _step_matrices(rates_per_h[kinds // step_h.size], step_h[kinds % step_h.size])
        supply = _supply_ug_m3_h(inputs, which, size_bin)
        before = start[:, size_bin]
        for block in blocks:
            here = _StepMatrices(*(of_kinds[kind[block]] for of_kinds in matrices))
            end[:, size_bin, block], mean[:, size_bin, block] = _solve_block(here, supply[:, block], before)
            before = end[:, size_bin, block][:, -1]
    return ZoneSeries(start, end, mean)


def zone_ledger(inputs: ZoneInputs, series: ZoneSeries, span_starts: ArrayLike = (0,)) -> Ledger:
    """The account of the whole house from a solved series of its rooms, one for each span of steps, as `ledger` gives.

    Air that moves from room to room stays in the account; a handler has filtered what it drew less what it gave back.
    """
    spans = Spans.of(span_starts, inputs.steps)
    step_h = np.asarray(inputs.step_h, dtype=np.float64)
    which = np.broadcast_to(inputs.pattern, inputs.steps)
    volumes = np.asarray(inputs.volumes_m3, dtype=np.float64)
    outdoor_ug_m3 = np.asarray(inputs.outdoor_ug_m3, dtype=np.float64)
    infiltrated_m3, taken_in_m3, outflow_m3 = (
        np.array([_of_rooms(getattr(pattern, name), volumes.size) for pattern in inputs.patterns])[which].T * step_h
        for name in ("infiltration_m3h", "intake_m3h", "outflow_m3h")
    )
    shape = (spans.count, inputs.bins)
    opening, entered, generated, settled, carried_out, stored = (np.zeros(shape) for _ in range(6))
    filtered = np.zeros((spans.count, len(inputs.devices), inputs.bins))
    for size_bin, outdoor in enumerate(outdoor_ug_m3):
        passing = 1.0 - of_bin(inputs.intake_efficiency, size_bin)
        entering_m3 = of_bin(inputs.penetration, size_bin) * infiltrated_m3 + passing * taken_in_m3
        entered[:, size_bin] = spans.sums(outdoor, entering_m3.sum(axis=0))
        generated[:, size_bin] = spans.sums(_emission_ug_h(inputs, size_bin).sum(axis=0), step_h)
        cleaned_m3h = _cleaned_m3h(inputs, size_bin)[:, :, which]
        for room, volume in enumerate(volumes):
            mean = series.mean[room, size_bin]
            settling_m3h = of_bin(inputs.deposition_per_h, size_bin) * volume
            settled[:, size_bin] += settling_m3h * spans.sums(mean, step_h)
            carried_out[:, size_bin] += spans.sums(mean, outflow_m3[room])
            for device in range(len(inputs.devices)):
                filtered[:, device, size_bin] += spans.sums(mean, cleaned_m3h[device, room], step_h)
            held = volume * spans.edges(series.start[room, size_bin], series.end[room, size_bin])
            opening[:, size_bin] += held[:-1]
            stored[:, size_bin] += np.diff(held)
    in_mg = [mass / UG_PER_MG for mass in (opening, entered, generated, filtered, settled, carried_out, stored)]
    return Ledger(inputs.devices, *in_mg)


class _StepMatrices(NamedTuple):
    """What a step makes of the start and of the supply, for the end and for the mean; each (K, R, R)."""

    decay: FloatArray
    gain_h: FloatArray
    start_share: FloatArray
    gain_share_h: FloatArray


def _step_matrices(rates_per_h: FloatArray, step_h: FloatArray) -> _StepMatrices:
    """e^Ah, h phi1(Ah), phi1(Ah), h phi2(Ah) for K matrices A (K, R, R) and steps (K,)."""
    count, rooms, _ = rates_per_h.shape
    hours = step_h[:, np.newaxis, np.newaxis]
    augmented = np.zeros((count, 3 * rooms, 3 * rooms))
    augmented[:, :rooms, :rooms] = rates_per_h * hours
    augmented[:, :rooms, rooms : 2 * rooms] = np.eye(rooms)
    augmented[:, rooms : 2 * rooms, 2 * rooms :] = np.eye(rooms)
    # No entry is below zero, for no rate off the diagonal is; rounding may leave one a little below.
    top = np.maximum(expm(augmented)[:, :rooms], 0.0)
    decay, phi1, phi2 = top[:, :, :rooms], top[:, :, rooms : 2 * rooms], top[:, :, 2 * rooms :]
    return _StepMatrices(decay, hours * phi1, phi1, hours * phi2)


def _solve_block(matrices: _StepMatrices, supply: FloatArray, before: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Ends and means (R, n) of n steps of one bin; `supply` (R, n), ug/m3 per h; matrices (n, R, R)."""
    rooms, steps = supply.shape
    gained = _apply(matrices.gain_h, supply)
    gained[:, 0] += matrices.decay[0] @ before
    # Unknown number n R + i is room i after step n; the matrix of a step couples it to n R - R + j.
    band = np.zeros((2 * rooms, steps * rooms), order="F")
    for i in range(rooms):
        for j in range(rooms):
            band[rooms + i - j, j::rooms][:-1] = -matrices.decay[1:, i, j]
    solution, info = dtbtrs(band, gained.T.ravel(), uplo="L", diag="U", overwrite_b=True)
    if info != 0:
        raise ArithmeticError(f"balance: LAPACK dtbtrs returned {info}")
    end = np.reshape(solution, (steps, rooms)).T
    starts = np.concatenate((before[:, np.newaxis], end[:, :-1]), axis=1)
    return end, _apply(matrices.start_share, starts) + _apply(matrices.gain_share_h, supply)


def _apply(matrices: FloatArray, vectors: FloatArray) -> FloatArray:
    """Each of n matrices (n, R, R) times its vector, (R, n)."""
    return np.asarray(np.einsum("nij,jn->in", matrices, vectors))


def _rates_per_h(inputs: ZoneInputs, pattern: FlowPattern, size_bin: int) -> FloatArray:
    """A of dC/dt = A C + b for a bin while a pattern holds, (R, R)."""
    volumes = np.asarray(inputs.volumes_m3, dtype=np.float64)
    between = np.broadcast_to(np.asarray(pattern.between_m3h, dtype=np.float64), (volumes.size, volumes.size))
    out = _of_rooms(pattern.outflow_m3h, volumes.size) + between.sum(axis=1)
    flow = between.T.copy()
    for handler in pattern.handlers:
        drawn, given = (_of_rooms(part, volumes.size) for part in (handler.return_m3h, handler.supply_m3h))
        out = out + drawn
        if drawn.any():
            flow += (1.0 - of_bin(handler.efficiency, size_bin)) * np.outer(given, drawn / drawn.sum())
    settling_m3h = of_bin(inputs.deposition_per_h, size_bin) * volumes
    return np.asarray((flow - np.diag(out + settling_m3h)) / volumes[:, np.newaxis])


def _supply_ug_m3_h(inputs: ZoneInputs, which: NDArray[np.intp], size_bin: int) -> FloatArray:
    """b of dC/dt = A C + b for a bin in each step, (R, T)."""
    volumes = np.asarray(inputs.volumes_m3, dtype=np.float64)
    penetration, passing = of_bin(inputs.penetration, size_bin), 1.0 - of_bin(inputs.intake_efficiency, size_bin)
    entering_m3h = np.array(
        [
            penetration * _of_rooms(pattern.infiltration_m3h, volumes.size)
            + passing * _of_rooms(pattern.intake_m3h, volumes.size)
            for pattern in inputs.patterns
        ]
    )
    outdoor = np.asarray(inputs.outdoor_ug_m3, dtype=np.float64)[size_bin]
    return np.asarray((entering_m3h[which].T * outdoor + _emission_ug_h(inputs, size_bin)) / volumes[:, np.newaxis])


def _emission_ug_h(inputs: ZoneInputs, size_bin: int) -> FloatArray:
    """Particles of a bin made in each room and step, (R, T)."""
    emission = np.asarray(inputs.emission_ug_h, dtype=np.float64)
    of_rooms = emission[:, size_bin] if emission.ndim else emission
    in_time = of_rooms[:, np.newaxis] if of_rooms.ndim == 1 else of_rooms
    return np.broadcast_to(in_time, (len(inputs.rooms), inputs.steps))


def _cleaned_m3h(inputs: ZoneInputs, size_bin: int) -> FloatArray:
    """Clean air that each device makes of what it draws from each room in each pattern, (J, R, P)."""
    cleaned = np.zeros((len(inputs.devices), len(inputs.rooms), len(inputs.patterns)))
    for number, pattern in enumerate(inputs.patterns):
        for handler in pattern.handlers:
            drawn = _of_rooms(handler.return_m3h, len(inputs.rooms))
            cleaned[inputs.devices.index(handler.name), :, number] = of_bin(handler.efficiency, size_bin) * drawn
    return cleaned


def _of_rooms(values: ArrayLike, rooms: int) -> FloatArray:
    return np.broadcast_to(np.asarray(values, dtype=np.float64), (rooms,))


def _check_pattern(place: str, pattern: FlowPattern, rooms: Sequence[str], bins: int) -> None:
    """Raise ValueError unless flows are good and the air of every room and handler balances."""
    count = len(rooms)
    for name in ("infiltration_m3h", "outflow_m3h", "intake_m3h"):
        fits(f"{place}: {name}", not_negative(f"{place}: {name}", getattr(pattern, name)), (), (count,))
    fits(f"{place}: between_m3h", not_negative(f"{place}: between_m3h", pattern.between_m3h), (), (count, count))
    between = np.broadcast_to(np.asarray(pattern.between_m3h, dtype=np.float64), (count, count))
    for room, to_itself in zip(rooms, np.diag(between), strict=True):
        if to_itself != 0.0:
            raise ValueError(f"{place}: between_m3h: room {room} gives {to_itself:g} m3/h to itself; give nought there")
    incoming = _of_rooms(pattern.infiltration_m3h, count) + _of_rooms(pattern.intake_m3h, count) + between.sum(axis=0)
    outgoing = _of_rooms(pattern.outflow_m3h, count) + between.sum(axis=1)
    if len({handler.name for handler in pattern.handlers}) < len(pattern.handlers):
        raise ValueError(f"{place}: two handlers have one name; give each its own")
    for handler in pattern.handlers:
        here = f"{place}: handler {handler.name}"
        fits(f"{here}: efficiency", fraction(f"{here}: efficiency", handler.efficiency), (), (bins,))
        for name in ("return_m3h", "supply_m3h"):
            fits(f"{here}: {name}", not_negative(f"{here}: {name}", getattr(handler, name)), (count,))
        drawn, given = np.asarray(handler.return_m3h, np.float64), np.asarray(handler.supply_m3h, np.float64)
        if not _alike(drawn.sum(), given.sum()):
            raise ValueError(
                f"{here} draws {drawn.sum():g} m3/h and gives {given.sum():g}; make them equal, and count what ducts "
                "leak as infiltration or outflow of rooms"
            )
        incoming, outgoing = incoming + given, outgoing + drawn
    for room, inward, outward in zip(rooms, incoming, outgoing, strict=True):
        if not _alike(inward, outward):
            raise ValueError(
                f"{place}: room {room} takes in {inward:g} m3/h of air and gives off {outward:g}; make them equal"
            )


def _alike(one: float, other: float) -> bool:
    return abs(one - other) <= _AIR_TOLERANCE * max(one, other)
