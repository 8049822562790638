"""The fan schedule: least cost that holds the air target, or best air within a budget, with a proven gap.

Exposure is priced (`fan_bound`) and the prices are narrowed several at a time. What comes near is polished step by step
(`fan_polish`); the best that keeps the limit is told with its distance from the proven bound.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..particles.bounds import FloatArray, not_negative
from .fan import BoolArray, FanPlan, HouseRates, Outlook
from .fan_bound import PricedSchedules, Problem
from .fan_polish import change_effects, exposures, extended, grown, trimmed
from .fan_steps import AirTarget, Choice, Costs, Dwell, FanSteps, Speed, fan_steps

PLANNED = "planned"

_PRICES = 6
_ROUNDS = 4
_GOOD_GAP = 0.005
_POLISHED = 5
_NEARLY_CLEANEST = 1.001
_NEXT_TO_NOTHING = 1e-9
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Schedule:
    """A way to run the fan, with what is proven of it.

    `choice` (T,): 0 leave the fan to the thermostat, j ask for speed j. `cost` is what it costs beyond the thermostat's
    own running, and no schedule that keeps the same limits costs less than `least_cost`. `period_mean_ug_m3` (K,) is
    the mean of each averaging period, its past included, and `held` (K,) whether it is within the target. No schedule
    brings the mean of a period below `cleanest_ug_m3` (K,), computed where the target is out of reach, else nan.
    """

    plan: FanPlan
    choice: Choice
    cost: float
    least_cost: float
    period_mean_ug_m3: FloatArray
    held: BoolArray
    cleanest_ug_m3: FloatArray

    @property
    def holds(self) -> bool:
        """Whether the target is held in every averaging period."""
        return bool(self.held.all())

    @property
    def gap(self) -> float:
        """Share of the cost that a perfect schedule might still save at most, 0..1."""
        return max(self.cost - self.least_cost, 0.0) / self.cost if self.cost > 0.0 else 0.0


@dataclass(frozen=True)
class _Candidate:
    choice: Choice
    exposure: FloatArray
    cost: float


def best_schedule(
    outlook: Outlook,
    rates: HouseRates,
    target: AirTarget,
    *,
    costs: Costs | None = None,
    dwell: Dwell | None = None,
    speeds: tuple[Speed, ...] = (),
) -> Schedule:
    """The cheapest schedule that holds the target in every averaging period.

    A period in which no schedule can hold it is kept within a thousandth of the cleanest that can be had. Without
    `speeds` the fan has the one of the house's rates. Least times hold within the horizon and for what is under way
    (`dwell`): a run under way is finished even into steps in which the fan may not be asked for.
    """
    problem = _problem(outlook, rates, target.periods(outlook.steps), costs, dwell, speeds)
    allowance = target.allowances(outlook.steps, outlook.step_h)
    cleanest = np.full(allowance.size, np.nan)
    best = _resting(problem)
    least_cost = best.cost
    if _does_nothing(problem):
        cleanest = np.where(
            best.exposure > allowance, target.means(best.exposure, outlook.steps, outlook.step_h), np.nan
        )
    elif not _within(best, allowance):
        priced = PricedSchedules(problem)
        _, clean = _cleanest(priced, problem)
        out_of_reach = clean.exposure > allowance + _slack(allowance)
        if out_of_reach.any():
            least_exposure, _ = priced.solve(np.eye(allowance.size), np.zeros(allowance.size))
            cleanest = np.where(out_of_reach, target.means(least_exposure, outlook.steps, outlook.step_h), np.nan)
        kept = np.where(out_of_reach, np.maximum(allowance, _NEARLY_CLEANEST * clean.exposure), allowance)
        best, least_cost = (clean, clean.cost) if _costs_nothing(problem) else _cheapest(priced, problem, kept, clean)
    means = target.means(best.exposure, outlook.steps, outlook.step_h)
    held = best.exposure <= allowance + _slack(allowance)
    return _told(problem, best, min(least_cost, best.cost), means, held, cleanest)


def best_air(
    outlook: Outlook,
    rates: HouseRates,
    budget: float,
    *,
    costs: Costs | None = None,
    dwell: Dwell | None = None,
    speeds: tuple[Speed, ...] = (),
) -> tuple[Schedule, float]:
    """The schedule of the lowest mean within `budget`, and a mean below which no such schedule comes, ug/m3.

    What is under way (`dwell`) is finished even beyond the budget. `least_cost` of the schedule is nought: here the air
    is bounded, not the cost.
    """
    budget = float(not_negative("budget", budget))
    problem = _problem(outlook, rates, np.zeros(outlook.steps, dtype=np.intp), costs, dwell, speeds)
    hours = outlook.steps * outlook.step_h
    best = _resting(problem)
    least = float(best.exposure[0])
    affordable = max(budget, best.cost) * (1.0 + _ROUNDING)
    if not _does_nothing(problem):
        priced = PricedSchedules(problem)
        least, clean = _cleanest(priced, problem)
        if clean.cost <= affordable:
            best = clean
        else:
            least, best = _cleanest_affordable(priced, problem, affordable, least, best)
    mean = best.exposure / hours
    return _told(problem, best, 0.0, mean, np.ones(1, dtype=np.bool_), np.full(1, np.nan)), least / hours


def _cleanest_affordable(
    priced: PricedSchedules, problem: Problem, budget: float, least: float, best: _Candidate
) -> tuple[float, _Candidate]:
    """Exposure below which nothing within the budget comes, given a `least` of any, and the best that is found."""
    low, high = _price_span(problem, 1)
    for prices, bounds, found in _narrowing(
        priced, problem, low, high, lambda candidate: np.array([candidate.cost >= budget])
    ):
        least = max(least, float(((bounds - budget) / prices[:, 0]).max()))
        affordable = [candidate for candidate in found if candidate.cost <= budget]
        best = min([best, *affordable], key=lambda c: float(c.exposure[0]))
    longer = _candidate(problem, grown(problem, best.choice, budget))
    return least, min([best, longer], key=lambda c: float(c.exposure[0]))


def _problem(
    outlook: Outlook,
    rates: HouseRates,
    period: NDArray[np.intp],
    costs: Costs | None,
    dwell: Dwell | None,
    speeds: tuple[Speed, ...],
) -> Problem:
    dwell = dwell or Dwell()
    speeds = speeds or (Speed("on", rates.clean_air_per_h, rates.fan_power_w),)
    return Problem(
        steps=fan_steps(outlook, rates, speeds, costs or Costs()),
        run=dwell.run_steps(outlook.step_h),
        rest=dwell.rest_steps(outlook.step_h),
        period=period,
        running_now=dwell.running_now,
        committed=dwell.committed_steps(outlook.step_h),
    )


def _cheapest(
    priced: PricedSchedules, problem: Problem, allowance: FloatArray, clean: _Candidate
) -> tuple[_Candidate, float]:
    """The cheapest candidate within the allowance that is found, and the proven least cost of any."""
    best, least_cost, dual = clean, 0.0, np.zeros(allowance.size)
    pool = {clean.choice.tobytes(): clean}
    low, high = _price_span(problem, allowance.size)
    for prices, bounds, found in _narrowing(
        priced, problem, low, high, lambda candidate: candidate.exposure <= allowance + _slack(allowance)
    ):
        proven = bounds - prices @ allowance
        if proven.max() > least_cost:
            least_cost, dual = float(proven.max()), prices[int(proven.argmax())]
        pool.update((candidate.choice.tobytes(), candidate) for candidate in found)
        best = min((c for c in pool.values() if _within(c, allowance)), key=lambda c: c.cost, default=clean)
        if best.cost - least_cost <= _GOOD_GAP * best.cost:
            return best, least_cost
    promising = sorted(pool.values(), key=lambda c: c.cost + float(dual @ np.maximum(c.exposure - allowance, 0.0)))
    polished = [_polished(problem, candidate, allowance, dual) for candidate in promising[:_POLISHED]]
    return min([best, *(c for c in polished if _within(c, allowance))], key=lambda c: c.cost), least_cost


def _polished(problem: Problem, candidate: _Candidate, allowance: FloatArray, prices: FloatArray) -> _Candidate:
    """The candidate lengthened until it keeps the allowance, where it can be, and trimmed to it."""
    longer = extended(problem, candidate.choice, allowance)
    return candidate if longer is None else _candidate(problem, trimmed(problem, longer, allowance, prices))


def _narrowing(
    priced: PricedSchedules,
    problem: Problem,
    low: FloatArray,
    high: FloatArray,
    dear_enough: Callable[[_Candidate], BoolArray],
) -> Iterator[tuple[FloatArray, FloatArray, list[_Candidate]]]:
    """Prices (M, K) within a span that narrows round by round, the proven bounds (M,) and what is found at each.

    The periods are narrowed side by side: the air forgets within hours, so each answers to its own price.
    """
    share = np.linspace(0.0, 1.0, _PRICES)[:, np.newaxis]
    for turn in range(_ROUNDS):
        prices = low ** (1.0 - share) * high**share
        bounds, choices = priced.solve(prices, np.ones(_PRICES))
        found = [_candidate(problem, choice) for choice in choices]
        yield prices, bounds, found
        enough = np.array([dear_enough(candidate) for candidate in found])
        first = np.where(enough.any(axis=0), enough.argmax(axis=0), _PRICES)
        period = np.arange(low.size)
        high = np.where(first < _PRICES, prices[np.minimum(first, _PRICES - 1), period], high)
        low = np.where(first > 0, prices[np.maximum(first - 1, 0), period], low)
        if turn == 0:
            # What holds at the lowest price of all holds for nothing.
            low = np.where(first == 0, _NEXT_TO_NOTHING * low, low)
            high = np.where(first == 0, low, high)
        share = np.linspace(0.0, 1.0, _PRICES + 2)[1:-1, np.newaxis]


def _price_span(problem: Problem, periods: int) -> tuple[FloatArray, FloatArray]:
    """Prices of exposure, (K,) each: at the low ones hardly a run is worth its cost, at the high ones every one is.

    From the exact worth of running each step alone, and of leaving out each step of running throughout.
    """
    steps = problem.steps
    resting = np.zeros(steps.count, dtype=np.intp)
    on = np.where(steps.allowed[1:].any(axis=0), steps.allowed[1:].argmax(axis=0) + 1, 0)
    alone = np.abs(change_effects(problem, resting)[:, 1:]).sum(axis=0)
    left_out = np.abs(change_effects(problem, on)[:, 0]).sum(axis=0)
    cost = steps.cost[1:] + steps.start_cost
    worth = np.concatenate(
        [cost[clear > 0.0] / clear[clear > 0.0] for clear in (alone, np.tile(left_out, (len(cost), 1)))]
    )
    paid = worth[worth > 0.0]
    return np.full(periods, paid.min() / 2.0), np.full(periods, paid.max() * 10.0)


def _cleanest(priced: PricedSchedules, problem: Problem) -> tuple[float, _Candidate]:
    """Exposure over the horizon below which no schedule comes, and the schedule that comes near it."""
    bounds, choices = priced.solve(np.ones((1, int(problem.period[-1]) + 1)), np.zeros(1))
    return float(bounds[0]), _candidate(problem, choices[0])


def _costs_nothing(problem: Problem) -> bool:
    return not (problem.steps.cost + problem.steps.start_cost).any()


def _does_nothing(problem: Problem) -> bool:
    """Whether asking for the fan leaves the air as it is."""
    steps = problem.steps
    return bool((steps.decay == steps.decay[0]).all() and (steps.gain == steps.gain[0]).all())


def _resting(problem: Problem) -> _Candidate:
    choice = np.zeros(problem.steps.count, dtype=np.intp)
    if problem.running_now:
        choice[: problem.committed] = 1
    return _candidate(problem, choice)


def _candidate(problem: Problem, choice: Choice) -> _Candidate:
    return _Candidate(choice, exposures(problem, choice), problem.steps.total_cost(choice, problem.running_now))


def _within(candidate: _Candidate, allowance: FloatArray) -> bool:
    return bool((candidate.exposure <= allowance + _slack(allowance)).all())


def _slack(allowance: FloatArray) -> FloatArray:
    return np.asarray(_ROUNDING * np.abs(allowance))


def _told(
    problem: Problem,
    best: _Candidate,
    least_cost: float,
    means: FloatArray,
    held: BoolArray,
    cleanest: FloatArray,
) -> Schedule:
    steps: FanSteps = problem.steps
    return Schedule(
        plan=steps.plan(PLANNED, best.choice),
        choice=best.choice,
        cost=best.cost,
        least_cost=least_cost,
        period_mean_ug_m3=means,
        held=held,
        cleanest_ug_m3=cleanest,
    )
