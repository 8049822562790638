"""Small changes to a schedule, each with its exact effect on the air.

What one step's choice does to all later air is its own effect times the sensitivity of the later exposure to the
concentration at its end; the sensitivities solve the transpose of the balance's bidiagonal system.
"""

import numpy as np
from scipy.linalg.lapack import dtbtrs

from ..particles.bounds import FloatArray
from .fan import BoolArray
from .fan_bound import Problem
from .fan_steps import Choice, FanSteps

_MOST_CHANGES = 400
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


def trimmed(problem: Problem, choice: Choice, allowance: FloatArray) -> Choice:
    """Take away, one at a time, the step at an end of a run, or the speed, that saves the most for the air it costs.

    Stops when nothing more can be taken within the allowance. `choice` has to be within it.
    """
    steps, choice = problem.steps, choice.copy()
    at = np.arange(steps.count)
    slack = allowance - exposures(problem, choice)
    for _ in range(_MOST_CHANGES):
        saved = steps.cost[choice, at] - steps.cost
        effect = change_effects(problem, choice)
        may = _may_change(problem, choice) & (saved > _ROUNDING * steps.cost.max())
        may &= (effect <= slack[:, np.newaxis, np.newaxis] - _ROUNDING).all(axis=0)
        if not may.any():
            break
        worth = np.where(may, np.maximum(effect, 0.0).sum(axis=0), np.inf) / np.where(may, saved, 1.0)
        j, t = np.unravel_index(int(np.argmin(worth)), worth.shape)
        choice[t] = j
        slack = allowance - exposures(problem, choice)
    return choice


def extended(problem: Problem, choice: Choice, allowance: FloatArray) -> Choice | None:
    """Lengthen runs, one step at a time, where it clears the most for its cost, until within the allowance.

    None when lengthening cannot reach it.
    """
    steps, choice = problem.steps, choice.copy()
    at = np.arange(steps.count)
    for _ in range(_MOST_CHANGES):
        over = np.maximum(exposures(problem, choice) - allowance, 0.0)
        if not over.any():
            return choice
        added = steps.cost - steps.cost[choice, at]
        cleared = -np.minimum(np.maximum(change_effects(problem, choice), -over[:, np.newaxis, np.newaxis]), 0.0)
        cleared = cleared.sum(axis=0)
        may = _may_lengthen(problem, choice) & (cleared > 0.0)
        if not may.any():
            return None
        worth = np.where(may, cleared / np.maximum(added, _ROUNDING * steps.cost.max()), -np.inf)
        j, t = np.unravel_index(int(np.argmax(worth)), worth.shape)
        choice[t] = j
    return None


def grown(problem: Problem, choice: Choice, budget: float) -> Choice:
    """Lengthen runs, one step at a time, where it clears the most for its cost, as far as the budget goes."""
    steps, choice = problem.steps, choice.copy()
    at = np.arange(steps.count)
    for _ in range(_MOST_CHANGES):
        left = budget - cost_of(problem, choice)
        added = steps.cost - steps.cost[choice, at]
        cleared = -change_effects(problem, choice).sum(axis=0)
        may = _may_lengthen(problem, choice) & (cleared > _ROUNDING) & (added <= left)
        if not may.any():
            break
        worth = np.where(may, cleared / np.maximum(added, _ROUNDING * steps.cost.max()), -np.inf)
        j, t = np.unravel_index(int(np.argmax(worth)), worth.shape)
        choice[t] = j
    return choice


def _runs(choice: Choice) -> tuple[Choice, Choice]:
    """First step of every run and the step after its last."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], (choice > 0).astype(np.intp), [0]))))
    return edges[0::2], edges[1::2]


def _may_change(problem: Problem, choice: Choice) -> BoolArray:
    """Where the choice may be lowered, (J, T): to rest at the ends of long runs, to another speed within a run."""
    steps: FanSteps = problem.steps
    may = steps.allowed & (choice > 0)
    may[0] = False
    first, end = _runs(choice)
    start_is_older = problem.running_now & (first == 0)
    long_enough = end - first > problem.run
    may[0, first[long_enough & ~start_is_older]] = True
    may[0, end[long_enough | start_is_older] - 1] = True
    may[:, : problem.committed] = False
    return np.asarray(may)


def _may_lengthen(problem: Problem, choice: Choice) -> BoolArray:
    """Where a run may grow by a step, (J, T), leaving the rest beside it long enough or another speed within a run."""
    steps = problem.steps
    count = steps.count
    may = steps.allowed & (choice > 0)
    first, end = _runs(choice)
    if first.size:
        gap = first[1:] - end[:-1] > problem.rest
        rested = problem.rest if problem.running_now else problem.committed
        before = first[np.concatenate(([first[0] > rested], gap))]
        after = end[np.concatenate((gap, [True]))]
        grow = np.zeros(count, dtype=np.bool_)
        grow[before[before > 0] - 1] = True
        grow[after[after < count]] = True
        may |= steps.allowed & grow
    may[0] = False
    may[:, : problem.committed] = False
    return np.asarray(may)
