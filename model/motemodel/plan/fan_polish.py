"""Small changes to a schedule, each with its exact effect on the air.

What one step's choice does to all later air is its own effect times the sensitivity of the later exposure to the
concentration at its end; the sensitivities solve the transpose of the balance's bidiagonal system.
"""

import numpy as np
from scipy.linalg.lapack import dtbtrs

from ..bounds import FloatArray
from .fan import BoolArray
from .fan_bound import Problem
from .fan_steps import Choice, FanSteps

_MOST_CHANGES = 400
_MOST_TRIMMED = 40
_MOST_ADDED = 16
_ROUNDING = 1e-9


def change_effects(problem: Problem, choice: Choice) -> FloatArray:
    """Change of the exposure of every period by taking option j at step t alone, ug h/m3, (K, J, T); exact."""
    steps, count = problem.steps, problem.steps.count
    at = np.arange(count)
    level = steps.trajectory(choice)[:-1]
    in_period = problem.period == np.arange(problem.period[-1] + 1)[:, np.newaxis]
    band = np.empty((2, count + 1), order="F")
    band[0] = 1.0
    band[1, :-1] = -steps.decay[choice, at]
    own = np.zeros((count + 1, in_period.shape[0]), order="F")
    own[:-1] = (in_period * steps.step_h * steps.mean_decay[choice, at]).T
    sensitivity, _ = dtbtrs(band, own, uplo="L", trans="T", diag="U")
    end_change = (steps.decay - steps.decay[choice, at]) * level + steps.gain - steps.gain[choice, at]
    mean_change = (steps.mean_decay - steps.mean_decay[choice, at]) * level
    mean_change += steps.mean_gain - steps.mean_gain[choice, at]
    later = sensitivity[1:].T[:, np.newaxis, :] * end_change
    return np.asarray(steps.step_h * in_period[:, np.newaxis, :] * mean_change + later)


def exposures(problem: Problem, choice: Choice) -> FloatArray:
    """Exposure in every averaging period, ug h/m3, (K,)."""
    steps = problem.steps
    exposure = steps.exposure(choice, steps.trajectory(choice))
    return np.asarray(np.bincount(problem.period, weights=exposure), dtype=np.float64)


def cost_of(problem: Problem, choice: Choice) -> float:
    """Cost of a schedule beyond the thermostat's own running."""
    return problem.steps.total_cost(choice, problem.running_now)


def trimmed(problem: Problem, choice: Choice, allowance: FloatArray, prices: FloatArray) -> Choice:
    """Take away, one at a time, the run, the end of a run, or the speed that saves most for the air it costs.

    Stops when nothing more can be taken within the allowance, which `choice` has to keep. `prices` (K,) weigh the
    exposure of one period against that of another.
    """
    steps, choice = problem.steps, choice.copy()
    at = np.arange(steps.count)
    least_saved = _ROUNDING * float(steps.cost.max())
    for _ in range(_MOST_TRIMMED):
        slack = allowance - exposures(problem, choice)
        saved = steps.cost[choice, at] - steps.cost
        effect = change_effects(problem, choice)
        shorter = _without_a_run(problem, choice, allowance, effect[:, 0] - slack[:, np.newaxis])
        if shorter is not None:
            choice = shorter
            continue
        may = _may_lower(problem, choice) & (saved > least_saved)
        may &= (effect <= slack[:, np.newaxis, np.newaxis] - _ROUNDING).all(axis=0)
        if not may.any():
            break
        dearness = np.where(may, np.tensordot(prices, np.maximum(effect, 0.0), 1), np.inf) / np.where(may, saved, 1.0)
        j, t = np.unravel_index(int(np.argmin(dearness)), dearness.shape)
        choice[t] = j
    return choice


def extended(problem: Problem, choice: Choice, allowance: FloatArray) -> Choice | None:
    """Lengthen runs by a step and put in least runs, where it clears the most for its cost, until within the allowance.

    None when that cannot reach it, or half of the steps that may be taken have not cleared half of what is over.
    """
    choice = choice.copy()
    half = np.maximum(exposures(problem, choice) - allowance, 0.0).sum() / 2.0
    for done in range(_MOST_ADDED):
        over = np.maximum(exposures(problem, choice) - allowance, 0.0)
        if not over.any():
            return choice
        if done == _MOST_ADDED // 2 and over.sum() > half:
            return None
        if not _grow(problem, choice, over, np.inf):
            return None
    return None


def grown(problem: Problem, choice: Choice, budget: float) -> Choice:
    """Lengthen runs by a step and put in least runs, where it clears the most for its cost, up to the budget."""
    choice = choice.copy()
    everything = np.full(int(problem.period[-1]) + 1, np.inf)
    for _ in range(_MOST_CHANGES):
        before = choice.copy()
        grew = _grow(problem, choice, everything, budget - cost_of(problem, choice))
        # A run that begins elsewhere may be dearer to start.
        if not grew or cost_of(problem, choice) > budget:
            return before
    return choice


def _grow(problem: Problem, choice: Choice, wanted: FloatArray, budget: float) -> bool:
    """Change `choice` by the one step more, or the one least run more, that clears most of `wanted` for its cost."""
    steps = problem.steps
    added = steps.cost - steps.cost[choice, np.arange(steps.count)]
    effect = -change_effects(problem, choice)
    limit = wanted[:, np.newaxis, np.newaxis]
    by_step = np.clip(effect, 0.0, limit).sum(axis=0)
    by_run = np.clip(_ahead(effect, problem.run), 0.0, limit).sum(axis=0)
    for_run = _ahead(added, problem.run) + steps.start_cost
    least = max(_ROUNDING * float(steps.cost.max()), 1e-300)
    ways = [
        (_may_lengthen(problem, choice) & (added <= budget), by_step, added, 1),
        (_may_insert(problem, choice) & (for_run <= budget), by_run, for_run, problem.run),
    ]
    best, change = 0.0, None
    for may, clears, costs, length in ways:
        worth = np.where(may & (clears > 0.0), clears, 0.0) / np.maximum(costs, least)
        j, t = np.unravel_index(int(np.argmax(worth)), worth.shape)
        if worth[j, t] > best:
            best, change = float(worth[j, t]), (j, slice(t, t + length))
    if change is None:
        return False
    choice[change[1]] = change[0]
    return True


def _without_a_run(problem: Problem, choice: Choice, allowance: FloatArray, lacking: FloatArray) -> Choice | None:
    """The schedule without its dearest run that the allowance can do without, or None.

    `lacking` (K, T): what leaving out a step alone would lack of the allowance, which leaving out its run exceeds.
    """
    first, end = _runs(choice)
    could_not = np.concatenate(([0], np.cumsum((lacking > 0.0).any(axis=0))))
    could = (first >= problem.committed) & (could_not[first] == could_not[end])
    now = cost_of(problem, choice)
    for a, b in sorted(zip(first[could].tolist(), end[could].tolist(), strict=True), key=lambda run: run[0] - run[1]):
        without = choice.copy()
        without[a:b] = 0
        if cost_of(problem, without) < now and (exposures(problem, without) <= allowance).all():
            return without
    return None


def _ahead(values: FloatArray, length: int) -> FloatArray:
    """Sum over the `length` steps from each step on, (..., T)."""
    count = values.shape[-1]
    sums = np.zeros((*values.shape[:-1], count + length + 1))
    np.cumsum(values, axis=-1, out=sums[..., 1 : count + 1])
    sums[..., count + 1 :] = sums[..., count : count + 1]
    return np.asarray(sums[..., length : length + count] - sums[..., :count])


def _runs(choice: Choice) -> tuple[Choice, Choice]:
    """First step of every run and the step after its last."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (choice > 0).astype(np.intp), [0]))))
    return edges[0::2], edges[1::2]


def _may_change_speed(problem: Problem, choice: Choice) -> BoolArray:
    """Where the fan runs and may take another speed, (T,): not within the least run, which has one speed."""
    may = choice > 0
    if problem.run > 1:
        for a in _runs(choice)[0].tolist():
            if a > 0 or not problem.running_now:
                may[a : a + problem.run] = False
    return np.asarray(may)


def _may_lower(problem: Problem, choice: Choice) -> BoolArray:
    """Where the choice may be lowered, (J, T): to rest at the ends of long runs, to another speed within a run."""
    steps: FanSteps = problem.steps
    may = steps.allowed & _may_change_speed(problem, choice)
    may[0] = False
    first, end = _runs(choice)
    start_is_older = problem.running_now & (first == 0)
    long_enough = end - first > problem.run
    changes = np.concatenate(([0], np.cumsum(np.diff(choice) != 0)))
    last_least = np.minimum(first + problem.run, choice.size - 1)
    one_speed = changes[last_least] == changes[np.minimum(first + 1, last_least)]
    may[0, first[long_enough & ~start_is_older & one_speed]] = True
    may[0, end[long_enough | start_is_older] - 1] = True
    may[:, : problem.committed] = False
    return np.asarray(may)


def _may_lengthen(problem: Problem, choice: Choice) -> BoolArray:
    """Where a run may grow by a step, (J, T), leaving the rest beside it long enough or another speed within a run."""
    steps = problem.steps
    count = steps.count
    may = steps.allowed & _may_change_speed(problem, choice)
    first, end = _runs(choice)
    if first.size:
        gap = first[1:] - end[:-1] > problem.rest
        rested = problem.rest if problem.running_now else problem.committed
        before = first[np.concatenate(([first[0] > rested], gap))]
        after = end[np.concatenate((gap, [True]))]
        before = before[before > 0]
        grow = np.zeros_like(may)
        grow[choice[before] if problem.run > 1 else slice(None), before - 1] = True
        grow[:, after[after < count]] = True
        may |= steps.allowed & grow
    may[0] = False
    may[:, : problem.committed] = False
    return np.asarray(may)


def _may_insert(problem: Problem, choice: Choice) -> BoolArray:
    """Where a least run may be put in, (J, T), by its first step, leaving least rests on both sides."""
    steps, count = problem.steps, problem.steps.count
    first, end = _runs(choice)
    opens = np.concatenate(([0], end)) + problem.rest
    opens[0] = problem.rest if problem.running_now else problem.committed
    closes = np.concatenate((first - problem.rest, [count])) - problem.run
    room = np.zeros(count, dtype=np.bool_)
    for a, b in zip(opens.tolist(), closes.tolist(), strict=True):
        room[a : max(b + 1, a)] = True
    may = (_ahead((~steps.allowed).astype(np.float64), problem.run) == 0.0) & room
    may[0] = False
    return np.asarray(may)
