"""The fan schedule: least cost that holds the air target, or best air within a budget, with a proven gap.

Exposure is priced (`fan_bound`), the prices are searched (`fan_search`), what comes near is polished step by step
(`fan_polish`), and the best that keeps the limit is told with its distance from the proven bound.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..bounds import FloatArray, not_negative
from .fan import BoolArray, FanPlan
from .fan_bound import Problem
from .fan_problem import FanProblem
from .fan_search import (
    Candidate,
    cheapest,
    cleanest_affordable,
    costs_nothing,
    does_nothing,
    easy_opening,
    least_exposure,
    opening,
    resting,
    slack,
    weighed,
    within,
)
from .fan_steps import AirTarget, Choice, Costs, FanSteps

PLANNED = "planned"

_LEFT_UNDONE = 0.005


@dataclass(frozen=True)
class Schedule:
    """A way to run the fan, with what is proven of it.

    `choice` (T,): 0 leave the fan to the thermostat, j ask for speed j. `cost` is what it costs beyond the thermostat's
    own running, and no schedule that keeps the same limits costs less than `least_cost`. `period_mean_ug_m3` (K,) is
    the mean of each averaging period, its past included, and `held` (K,) whether it is within the target. No schedule
    brings the mean of a period below `cleanest_ug_m3` (K,), computed where the target is out of reach, else nan.
    `bold` is what would be best in the air as expected, where this is another schedule lest the air turns (`fan_wary`).
    """

    plan: FanPlan
    choice: Choice
    cost: float
    least_cost: float
    period_mean_ug_m3: FloatArray
    held: BoolArray
    cleanest_ug_m3: FloatArray
    bold: "Schedule | None" = None

    @property
    def holds(self) -> bool:
        """Whether the target is held in every averaging period."""
        return bool(self.held.all())

    @property
    def gap(self) -> float:
        """Share of the cost that a perfect schedule might still save at most, 0..1."""
        return max(self.cost - self.least_cost, 0.0) / self.cost if self.cost > 0.0 else 0.0


@dataclass(frozen=True)
class Search:
    """What a search for the cheapest has come to.

    `best`, and `least_cost` that no schedule goes below; by periods (K,) the exposure `kept` to, the `prices` at which
    that is kept, nought where nothing had to be sought, and `cleanest_ug_m3` as a `Schedule` tells it.
    """

    best: Candidate
    least_cost: float
    kept: FloatArray
    prices: FloatArray
    cleanest_ug_m3: FloatArray


def best_schedule(fan: FanProblem, target: AirTarget) -> Schedule:
    """The cheapest schedule that holds the target in every averaging period.

    For a period in which no schedule can hold it, all is done that the fan can do for it but for the share of a 200th,
    since the last of it costs the most. Least times hold within the horizon and for what is under way: a run under way
    is finished even into steps in which the fan may not be asked for.
    """
    found = search(fan, target)
    return told_of(found.best, found, fan, target)


def search(fan: FanProblem, target: AirTarget) -> Search:
    """Look for the cheapest schedule that holds the target, or comes as near to it as is worth it."""
    outlook = fan.outlook
    problem = fan.in_periods(target.periods(outlook.steps))
    allowance = target.allowances(outlook.steps, outlook.step_h)
    best = resting(problem)
    unpriced = np.zeros(allowance.size)
    if does_nothing(problem):
        means = target.means(best.exposure, outlook.steps, outlook.step_h)
        cleanest = np.where(best.exposure > allowance, means, np.nan)
        return Search(best, best.cost, best.exposure, unpriced, cleanest)
    if within(best, allowance):
        return Search(best, best.cost, allowance, unpriced, np.full(allowance.size, np.nan))
    first_look = easy_opening(problem, allowance) or opening(problem)
    clean = first_look.cleanest
    out_of_reach = clean.exposure > allowance + slack(allowance)
    means = target.means(first_look.least_exposure, outlook.steps, outlook.step_h)
    cleanest = np.where(out_of_reach, means, np.nan)
    nearly = clean.exposure + _LEFT_UNDONE * np.maximum(best.exposure - clean.exposure, 0.0)
    kept = np.where(out_of_reach, np.maximum(allowance, nearly), allowance)
    if costs_nothing(problem):
        return Search(clean, clean.cost, kept, unpriced, cleanest)
    found, least_cost, prices = cheapest(first_look, kept, best)
    return Search(found, min(least_cost, found.cost), kept, prices, cleanest)


def told_of(one: Candidate, found: Search, fan: FanProblem, target: AirTarget) -> Schedule:
    """One schedule as it is told, with what the search has proven of all."""
    outlook = fan.outlook
    allowance = target.allowances(outlook.steps, outlook.step_h)
    means = target.means(one.exposure, outlook.steps, outlook.step_h)
    held = one.exposure <= allowance + slack(allowance)
    return _told(fan.steps, one, min(found.least_cost, one.cost), means, held, found.cleanest_ug_m3)


def best_air(fan: FanProblem, budget: float) -> tuple[Schedule, float]:
    """The schedule of the lowest mean within `budget`, and a mean below which no such schedule comes, ug/m3.

    What is under way is finished even beyond the budget. `least_cost` of the schedule is nought: here the air
    is bounded, not the cost.
    """
    budget = float(not_negative("budget", budget))
    problem = fan.in_periods(np.zeros(fan.outlook.steps, dtype=np.intp))
    best, least = _cleanest(problem, budget)
    hours = fan.outlook.steps * fan.outlook.step_h
    everything = np.ones(1, dtype=np.bool_)
    return _told(fan.steps, best, 0.0, best.exposure / hours, everything, np.full(1, np.nan)), least / hours


def _cleanest(problem: Problem, budget: float) -> tuple[Candidate, float]:
    """The cleanest schedule that the budget buys, and the least exposure that any within it could bring."""
    least = resting(problem)
    if does_nothing(problem):
        return least, float(least.exposure[0])
    return cleanest_affordable(problem, max(budget, least.cost) * (1.0 + 1e-9))


def best_air_by_days(fan: FanProblem, budgets_kwh: FloatArray, day: NDArray[np.intp]) -> tuple[Schedule, float]:
    """As `best_air`, but what is asked for on each day has an energy budget of its own, `budgets_kwh` (K,).

    `day` (T,) numbers the day of each step, as `calendar_days` does. What the problem's costs say is left aside. The
    days are planned one after the other, each from the air and the state of the fan that the one before leaves; the
    mean that no such schedule comes below is that of the budgets put together, which binds less. A run under way at
    midnight is finished on the next day's budget.
    """
    fan = replace(fan, costs=Costs())
    outlook = fan.outlook
    period = AirTarget(1.0, day).periods(outlook.steps)
    budgets = not_negative("budgets_kwh", budgets_kwh)
    if budgets.shape != (int(period[-1]) + 1,):
        raise ValueError(f"budgets_kwh: shape {budgets.shape}; give one for each of the {int(period[-1]) + 1} days")
    whole = fan.in_periods(period)
    choice = np.zeros(outlook.steps, dtype=np.intp)
    spent = np.empty(budgets.size)
    level, state = outlook.start_ug_m3, fan.dwell
    for k, budget in enumerate(budgets.tolist()):
        own = np.flatnonzero(period == k)
        part = slice(int(own[0]), int(own[-1]) + 1)
        allowed = _allowed_that_day(whole, part)
        speeds = tuple(replace(speed, allowed=allowed[j]) for j, speed in enumerate(fan.speeds, start=1))
        day_ahead = replace(outlook.part(part, level), allowed=np.asarray(allowed[1:].any(axis=0)))
        that_day = replace(fan, outlook=day_ahead, dwell=state, speeds=speeds)
        found, _ = _cleanest(that_day.in_periods(np.zeros(own.size, dtype=np.intp)), budget)
        choice[part], spent[k] = found.choice, found.cost
        level = float(whole.steps.trajectory(choice)[part.stop])
        state = state.after(found.choice, outlook.step_h)
    best = weighed(whole, choice)
    together = replace(whole, period=np.zeros_like(period))
    budget = float(np.maximum(budgets, spent).sum()) * (1.0 + 1e-9)
    least, _ = least_exposure(together, budget, {})
    hours = np.bincount(period) * outlook.step_h
    held = np.ones(budgets.size, dtype=np.bool_)
    told = _told(fan.steps, best, 0.0, best.exposure / hours, held, np.full(budgets.size, np.nan))
    return told, max(least, 0.0) / float(hours.sum())


def _allowed_that_day(whole: Problem, part: slice) -> BoolArray:
    """Where each speed may be asked for, (J, T), in a day that is planned without a look at the next.

    A run that begins at its very end goes on into the next day, so none does where the fan may not run then.
    """
    allowed = whole.steps.allowed[:, part].copy()
    beyond = whole.steps.allowed[:, part.stop : part.stop + whole.run - 1].all(axis=1)
    allowed[~beyond, max(allowed.shape[1] - whole.run + 1, 0) :] = False
    return allowed


def _told(
    steps: FanSteps,
    best: Candidate,
    least_cost: float,
    means: FloatArray,
    held: BoolArray,
    cleanest: FloatArray,
) -> Schedule:
    return Schedule(
        plan=steps.plan(PLANNED, best.choice),
        choice=best.choice,
        cost=best.cost,
        least_cost=least_cost,
        period_mean_ug_m3=means,
        held=held,
        cleanest_ug_m3=cleanest,
    )
