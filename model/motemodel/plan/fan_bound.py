"""A proven lower bound on the cost of any schedule, and the schedules that come near it.

The target is priced: mu per ug h/m3 of exposure in an averaging period. For given prices the least of cost + mu
exposure is found by dynamic programming over (step, asked for or not, concentration). A start commits to the least run
at one speed and a stop to the least rest, as one block each, so those two states are all there are.

Why it bounds: each fixed schedule makes the priced cost an affine, not falling function of the concentration C now, so
the least of them, V(C), is concave; drawing V straight between grid points never lies above it, and a Bellman step
keeps that. V less mu times the allowance is then at most the cost of any schedule that stays within the allowance (weak
duality; Bertsekas 2016, Nonlinear Programming, 3rd ed., section 6.1), for whatever mu >= 0.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..bounds import FloatArray
from .fan_steps import Choice, FanSteps

_LEVELS = 12
"""Concentrations at each step, spread over what can be reached there."""
_ROUNDING = 1e-9
_LEAST_UG_M3 = 1e-9


@dataclass(frozen=True)
class Blocks:
    """What an option begun at each step leads to: the affine map of C over its block, (O, T), and the step it ends at.

    Option 0 from rest rests one step, from running it stops for the least rest; option j from rest starts speed j for
    the least run, from running it runs one step at speed j. Axis 0 is the state before: 0 resting, 1 running.
    """

    length: NDArray[np.intp]
    decay: FloatArray
    gain: FloatArray
    cost: FloatArray


@dataclass(frozen=True)
class Problem:
    """A scheduling problem: the steps, the least run and rest in steps, the averaging period of each step."""

    steps: FanSteps
    run: int
    rest: int
    period: NDArray[np.intp]
    running_now: bool
    committed: int
    speed_now: int = 1

    def coarser(self, width: int) -> "Problem":
        """The problem with one choice for every `width` steps: each of its schedules is one of this problem, too."""
        return Problem(
            steps=self.steps.coarser(width),
            run=-(-self.run // width),
            rest=-(-self.rest // width),
            period=self.period[::width],
            running_now=self.running_now,
            speed_now=self.speed_now,
            committed=-(-self.committed // width),
        )


class Walk(NamedTuple):
    """Per step: the least reachable level, levels per ug/m3; by state and option: map and length of block."""

    low: list[float]
    scale: list[float]
    decay: list[list[list[float]]]
    gain: list[list[list[float]]]
    length: list[list[int]]


class PricedSchedules:
    """Dynamic programming of one problem for several prices of exposure at once."""

    def __init__(self, problem: Problem):
        self.problem = problem
        steps = problem.steps
        self._first = min(problem.committed, steps.count)
        self._prefix = np.zeros(steps.count, dtype=np.intp)
        if problem.running_now:
            self._prefix[: self._first] = problem.speed_now
        self._low, self._span = _reachable(steps, self._first, self._prefix)
        self._blocks = _blocks(problem)
        self._below, self._weight = self._interpolation()
        self._lists = self._walk()

    def least_addition(self) -> float:
        """The least that asking for the fan at all costs beyond what is under way, infinite where it may not be."""
        start = float(self._blocks.cost[0, 1:, self._first :].min(initial=np.inf))
        if not self.problem.running_now:
            return start
        return min(start, float(self._blocks.cost[1, 1:, self._first : self._first + 1].min(initial=np.inf)))

    def solve(self, prices: FloatArray, cost_weight: FloatArray) -> tuple[FloatArray, list[Choice]]:
        """Least cost_weight cost + prices exposure, proven from below (M,), and a schedule that comes near it for each.

        `prices` (M, K), one for each averaging period; `cost_weight` (M,), nought to look at the air alone.
        """
        problem, steps = self.problem, self.problem.steps
        count, options = steps.count, steps.decay.shape[0]
        many = prices.shape[0]
        weight = prices[:, problem.period] * steps.step_h
        slope, constant = self._stage(weight, cost_weight)
        share = np.linspace(0.0, 1.0, _LEVELS)
        level = self._low[:-1, np.newaxis] + share * self._span[:-1, np.newaxis]
        # Laid out in memory as the steps are walked: numpy would take over the order of what is transposed.
        q = np.empty((count, 2, options, _LEVELS, many))
        np.multiply(
            slope.transpose(3, 0, 1, 2)[:, :, :, np.newaxis, :], level[:, np.newaxis, np.newaxis, :, np.newaxis], out=q
        )
        q += constant.transpose(3, 0, 1, 2)[:, :, :, np.newaxis, :]
        value = np.zeros(((count + 1) * 2 * _LEVELS, many))
        here = value.reshape(count + 1, 2, _LEVELS, many)
        ends = np.empty((self._below.shape[1], many))
        both = ends.reshape(2, 2, options, _LEVELS, many)
        below, above = both
        stages, heres = list(q), list(here)
        for t in range(count - 1, self._first - 1, -1):
            value.take(self._below[t], axis=0, out=ends, mode="clip")
            np.multiply(both, self._weight[t], out=both)
            stage, least = stages[t], heres[t]
            stage += below
            stage += above
            np.minimum(stage[:, 0], stage[:, 1], out=least)
            for j in range(2, options):
                np.minimum(least, stage[:, j], out=least)
        policy = _argmin(q)
        level_now = steps.trajectory(self._prefix)[: self._first + 1]
        before = steps.exposure(self._prefix, steps.trajectory(self._prefix))[: self._first]
        state = int(problem.running_now)
        spent = float(steps.cost[self._prefix, np.arange(count)][: self._first].sum())
        bound = here[self._first, state, 0] if self._first < count else np.zeros(many)
        bound = bound + cost_weight * spent + weight[:, : self._first] @ (before / steps.step_h)
        schedules = [self._forward(policy[m].tobytes(), float(level_now[-1])) for m in range(many)]
        return np.asarray(bound), schedules

    def _stage(self, weight: FloatArray, cost_weight: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Priced cost of every option's block, affine in C: slope and constant, (state, option, M, T)."""
        problem, steps, blocks = self.problem, self.problem.steps, self._blocks
        options, count = steps.decay.shape
        many = weight.shape[0]
        slope = np.zeros((2, options, many, count))
        constant = np.empty_like(slope)
        weight = np.pad(weight, ((0, 0), (0, max(problem.run, problem.rest))))
        for state in range(2):
            for j in range(options):
                closed = ~np.isfinite(blocks.cost[state, j])
                constant[state, j] = np.multiply.outer(cost_weight, np.where(closed, 0.0, blocks.cost[state, j]))
                constant[state, j][:, closed] = np.inf
                decay, gain = np.ones(count), np.zeros(count)
                for i in range(_length(problem, state, j)):
                    later = slice(i, i + count)
                    a, g, p, r = (_ended(x[j], i) for x in (steps.decay, steps.gain, steps.mean_decay, steps.mean_gain))
                    slope[state, j] += weight[:, later] * (p * decay)
                    constant[state, j] += weight[:, later] * (p * gain + r)
                    decay, gain = decay * a, gain * a + g
        return slope, constant

    def _interpolation(self) -> tuple[NDArray[np.intp], FloatArray]:
        """Where each option leads from each level: rows of the value below and above, and their weights."""
        steps, blocks = self.problem.steps, self._blocks
        options, count = steps.decay.shape
        at = np.arange(count)
        share = np.linspace(0.0, 1.0, _LEVELS)
        level = self._low[:-1, np.newaxis] + share * self._span[:-1, np.newaxis]
        below = np.empty((count, 2, options, _LEVELS), dtype=np.intp)
        weight = np.empty((count, 2, options, _LEVELS))
        for state in range(2):
            for j in range(options):
                target = np.minimum(at + blocks.length[state, j], count)
                to = blocks.decay[state, j][:, np.newaxis] * level + blocks.gain[state, j][:, np.newaxis]
                low, span = self._low[target][:, np.newaxis], self._span[target][:, np.newaxis]
                place = np.divide(to - low, span, out=np.zeros_like(to), where=span > 0.0) * (_LEVELS - 1)
                place = np.clip(place, 0.0, _LEVELS - 1)
                floor = np.minimum(place.astype(np.intp), _LEVELS - 2)
                weight[:, state, j] = place - floor
                below[:, state, j] = (target[:, np.newaxis] * 2 + (j > 0)) * _LEVELS + floor
        flat = below.reshape(count, -1)
        weights = np.stack((1.0 - weight, weight), axis=1)[..., np.newaxis]
        return np.concatenate((flat, flat + 1), axis=1), weights

    def _walk(self) -> Walk:
        """What a walk along a policy looks up at every step, as plain lists, which a plain loop reads the fastest."""
        blocks, span = self._blocks, self._span
        scale = np.divide(_LEVELS - 1, span, out=np.zeros_like(span), where=span > 0.0)
        return Walk(
            low=self._low.tolist(),
            scale=scale.tolist(),
            decay=blocks.decay.tolist(),
            gain=blocks.gain.tolist(),
            length=blocks.length.tolist(),
        )

    def _forward(self, policy: bytes, level: float) -> Choice:
        """Follow the policy with the exact balance, taking at each step the option of the nearest level."""
        low, scale, decay, gain, length = self._lists
        count = self.problem.steps.count
        choice = self._prefix.copy()
        t, state = self._first, int(self.problem.running_now)
        while t < count:
            nearest = int((level - low[t]) * scale[t] + 0.5)
            j = policy[(t * 2 + state) * _LEVELS + nearest]
            until = t + length[state][j]
            if j:
                choice[t:until] = j
            level = decay[state][j][t] * level + gain[state][j][t]
            t, state = until, int(j > 0)
        return choice


def _argmin(values: FloatArray) -> NDArray[np.uint8]:
    """The least option of (T, state, option, level, M), as (M, T, state, level); numpy's is slow along this axis."""
    least = values[:, :, 0]
    which = np.zeros(least.shape, dtype=np.uint8)
    for j in range(1, values.shape[2]):
        which[values[:, :, j] < least] = j
        least = np.minimum(values[:, :, j], least) if j + 1 < values.shape[2] else least
    return np.ascontiguousarray(np.moveaxis(which, -1, 0))


def _length(problem: Problem, state: int, option: int) -> int:
    """Steps that an option takes up."""
    if state == 0:
        return problem.run if option else 1
    return 1 if option else problem.rest


def _blocks(problem: Problem) -> Blocks:
    """The map and the cost of every option begun at every step; infinite where a part of the block is not allowed."""
    steps = problem.steps
    options, count = steps.decay.shape
    length = np.array([[_length(problem, state, j) for j in range(options)] for state in range(2)])
    decay, gain, cost = np.ones((2, options, count)), np.zeros((2, options, count)), np.zeros((2, options, count))
    for state in range(2):
        for j in range(options):
            for i in range(length[state, j]):
                a, g = _ended(steps.decay[j], i, 1.0), _ended(steps.gain[j], i)
                decay[state, j], gain[state, j] = decay[state, j] * a, gain[state, j] * a + g
                cost[state, j] += _ended(np.where(steps.allowed[j], steps.cost[j], np.inf), i)
            if state == 0 and j > 0:
                cost[state, j] += steps.start_cost
    return Blocks(length, decay, gain, cost)


def _ended(values: FloatArray, shift: int, fill: float = 0.0) -> FloatArray:
    """`values` (T,) from `shift` on, filled up to T: what lies beyond the horizon does nothing."""
    if shift == 0:
        return values
    return np.concatenate((values[shift:], np.full(min(shift, values.size), fill)))


def _reachable(steps: FanSteps, first: int, prefix: Choice) -> tuple[FloatArray, FloatArray]:
    """Least concentration that any choices can lead to at each step, and the span up to the greatest, (T+1,) each.

    Every step is rising in C, so the least leads to the least. A span that is all rounding is none.
    """
    level = steps.trajectory(prefix)
    low, high = level.tolist(), level.tolist()
    decay, gain = steps.decay.T.tolist(), steps.gain.T.tolist()
    for t in range(first, steps.count):
        options = list(zip(decay[t], gain[t], strict=True))
        low[t + 1] = min([a * low[t] + g for a, g in options])
        high[t + 1] = max([a * high[t] + g for a, g in options])
    least, span = np.array(low), np.array(high) - np.array(low)
    return least, np.where(span > np.maximum(_ROUNDING * np.array(high), _LEAST_UG_M3), span, 0.0)
