"""The search for the schedule: prices of exposure, several at a time, and what comes near, polished step by step."""

from dataclasses import dataclass

import numpy as np
import scipy

from ..bounds import FloatArray
from .fan import BoolArray
from .fan_bound import PricedSchedules, Problem
from .fan_polish import change_effects, exposures, extended, grown, trimmed
from .fan_steps import Choice

_PRICES = 6
_ROUNDS = 2
_COARSE_STEPS = 4
_COARSE_SPREADS = (2.0, 1.5, 1.2)
_NEAR_SPREADS = (1.5,)
_SPREAD = 1.2
"""Factors by which the prices tried in each round lie about the best known: first on coarse steps, then on all."""
_GOOD_GAP = 0.02
_POLISHED = 3
_POLISHED_NEAR = 2
_WELL_ABOVE = 100.0
_NEXT_TO_NOTHING = 1e-12
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Candidate:
    """A schedule, the exposure it brings to each period (K,), ug h/m3, and its cost."""

    choice: Choice
    exposure: FloatArray
    cost: float


@dataclass(frozen=True)
class Opening:
    """The first look at a problem: the cleanest there can be, and the span of prices that says anything.

    `least_exposure` (K,): no schedule brings a period's exposure below it.
    """

    priced: PricedSchedules
    span: tuple[float, float]
    cleanest: Candidate
    least_exposure: FloatArray


def opening(problem: Problem) -> Opening:
    """Look at the air alone: every period by itself and all together."""
    priced, periods = PricedSchedules(problem), int(problem.period[-1]) + 1
    bounds, choices = priced.solve(np.concatenate((np.ones((1, periods)), np.eye(periods))), np.zeros(1 + periods))
    return Opening(priced, _price_span(problem), weighed(problem, choices[0]), bounds[1:])


def easy_opening(problem: Problem, allowance: FloatArray) -> Opening | None:
    """A look at running throughout where that can be and is within the allowance, or the cleanest; None elsewhere.

    It spares the look at the air alone, which only tells what is out of reach.
    """
    choice = throughout(problem)
    if choice is None:
        return None
    candidate = weighed(problem, choice)
    cleanest = _is_cleanest(problem, choice)
    if not cleanest and not within(candidate, allowance):
        return None
    least = candidate.exposure if cleanest else np.zeros(allowance.size)
    return Opening(PricedSchedules(problem), _price_span(problem), candidate, least)


def throughout(problem: Problem) -> Choice | None:
    """Running wherever the fan may, at the speed that clears most, or None where the least times do not let it."""
    steps, committed = problem.steps, problem.committed
    # By the mean: where the thermostat calls throughout a step, the speeds are alike in it.
    fastest_first = steps.decay[1:].mean(axis=1).argsort() + 1
    may = steps.allowed[fastest_first]
    choice = np.where(may.any(axis=0), fastest_first[may.argmax(axis=0)], 0)
    choice[:committed] = problem.speed_now if problem.running_now else 0
    begins = np.flatnonzero(np.diff(choice > 0, prepend=problem.running_now))
    # What goes on to the end of the horizon has its least time beyond it.
    lengths, starts = np.diff(begins), choice[begins] > 0
    runs = starts[:-1]
    long_enough = (lengths[runs] >= problem.run).all() and (lengths[~runs] >= problem.rest).all()
    one_speed = all(np.ptp(choice[a : a + problem.run]) == 0 for a in begins[starts].tolist())
    kept = not begins.size or begins[0] >= committed
    return choice if long_enough and one_speed and kept else None


def _is_cleanest(problem: Problem, choice: Choice) -> bool:
    """Whether nothing that could be chosen at any step ends it, or is in the mean of it, cleaner than what is chosen.

    Every step is rising in the concentration, so then no schedule is cleaner at any time.
    """
    steps, at = problem.steps, np.arange(problem.steps.count)
    level = steps.trajectory(choice)[:-1]
    ways = ((steps.decay, steps.gain), (steps.mean_decay, steps.mean_gain))
    both = (np.where(steps.allowed, factor * level + gain, np.inf) for factor, gain in ways)
    return all((air[choice, at] <= air.min(axis=0))[problem.committed :].all() for air in both)


def cheapest(opening: Opening, allowance: FloatArray, resting: Candidate) -> tuple[Candidate, float, FloatArray]:
    """The cheapest candidate within the allowance that is found, the proven least cost of any, and the prices that do.

    Resting is not within the allowance, so one least addition at least has to be paid. Every candidate caps the
    proven cost at all prices, by its cost and what the prices make of its exposure beyond the allowance: the prices
    tried next lie about those at which the caps leave most room (Kelley 1960, J. SIAM 8: 703-712). They are sought on
    coarse steps, where a look costs little and whatever is found is a schedule of the fine ones, and proven on these.
    """
    problem, priced, (lowest, highest) = opening.priced.problem, opening.priced, opening.span
    pool = {c.choice.tobytes(): c for c in (resting, opening.cleanest)}
    low, high = np.full(allowance.size, lowest), np.full(allowance.size, highest)
    _search_coarsely(problem, opening.span, (low, high), allowance, pool, _COARSE_SPREADS)
    prices = _about(_roomiest(list(pool.values()), allowance, _WELL_ABOVE * highest), _SPREAD, lowest)
    bounds, choices = priced.solve(prices, np.ones(len(prices)))
    _add(problem, choices, pool)
    proven = bounds - prices @ allowance
    dual = prices[int(proven.argmax())]
    least_cost = max(resting.cost + priced.least_addition(), float(proven.max()))
    best = min((c for c in pool.values() if within(c, allowance)), key=lambda c: c.cost, default=opening.cleanest)
    for candidate in _promising(pool, allowance, dual)[:_POLISHED]:
        if best.cost - least_cost <= _GOOD_GAP * best.cost:
            break
        polished = _polished(problem, candidate, allowance, dual)
        best = min(best, polished, key=lambda c: c.cost) if within(polished, allowance) else best
    return best, least_cost, dual


def cheapest_near(problem: Problem, allowance: FloatArray, prices: FloatArray, best: Choice) -> Candidate:
    """A cheap candidate within the allowance, from the `prices` (K,) and the `best` of the same problem in better air.

    Only the first period's air is worse, so its price rises and the others stay about what they are: a short look on
    coarse steps finds it, and nothing is proven. Where the first period cannot be kept, all is done for it that the fan
    can do, and what was best from then on.
    """
    most = _utmost(problem)
    if most.exposure[0] > (allowance + slack(allowance))[0]:
        joined = _joined(problem, most.choice, best)
        longer = extended(problem, joined, np.concatenate(([np.inf], allowance[1:])))
        return weighed(problem, joined if longer is None else longer)
    span = lowest, highest = _price_span(problem)
    low, high = np.maximum(prices / _SPREAD, lowest), np.maximum(prices * _SPREAD, lowest)
    high[0] = _WELL_ABOVE * highest
    pool = {c.choice.tobytes(): c for c in (most, weighed(problem, best))}
    _search_coarsely(problem, span, (low, high), allowance, pool, _NEAR_SPREADS)
    centre = np.maximum(_roomiest(list(pool.values()), allowance, high[0]), lowest)
    near = [_polished(problem, c, allowance, centre) for c in _promising(pool, allowance, centre)[:_POLISHED_NEAR]]
    return min((c for c in (*near, *pool.values()) if within(c, allowance)), key=lambda c: c.cost, default=most)


def _utmost(problem: Problem) -> Candidate:
    """All that the fan can do for the air."""
    choice = throughout(problem)
    if choice is None:
        _, (choice,) = PricedSchedules(problem).solve(np.ones((1, int(problem.period[-1]) + 1)), np.zeros(1))
    return weighed(problem, choice)


def _joined(problem: Problem, early: Choice, late: Choice) -> Choice:
    """One schedule in the first period and another from then on, as soon as least times let them join.

    They do where the early one has kept a state for its least time, and the late one has the same or begins to rest.
    """
    at = np.arange(early.size)
    changed = np.diff(early, prepend=-1) != 0
    settled = at - np.maximum.accumulate(np.where(changed, at, 0)) + 1 >= max(problem.run, problem.rest)
    asked = np.concatenate(([0], np.cumsum(late > 0), np.full(problem.rest, np.count_nonzero(late))))
    rests_next = asked[at + 1 + problem.rest] == asked[at + 1]
    may = settled & ((early == late) | rests_next) & (at + 1 >= np.count_nonzero(problem.period == 0))
    return np.where(at > int(may.argmax()), late, early) if may.any() else early


def _promising(pool: dict[bytes, Candidate], allowance: FloatArray, prices: FloatArray) -> list[Candidate]:
    """The pool by what each costs with what it lacks of the allowance at those prices, the cheapest first."""
    return sorted(pool.values(), key=lambda c: c.cost + float(prices @ np.maximum(c.exposure - allowance, 0.0)))


def _search_coarsely(
    problem: Problem,
    span: tuple[float, float],
    bracket: tuple[FloatArray, FloatArray],
    allowance: FloatArray,
    pool: dict[bytes, Candidate],
    spreads: tuple[float, ...],
) -> None:
    """Fill the pool with schedules of coarse steps at prices ever nearer to those that keep the allowance.

    The first prices lie in the `bracket` of each period, those of each next round about the best known by a factor of
    the `spreads`.
    """
    lowest, highest = span
    low, high = bracket
    coarse = PricedSchedules(problem.coarser(_COARSE_STEPS))
    share = np.linspace(0.0, 1.0, _PRICES)[:, np.newaxis]
    prices = np.asarray(low ** (1.0 - share) * high**share)
    for spread in (*spreads, None):
        _, choices = coarse.solve(prices, np.ones(len(prices)))
        found = _add(problem, [np.repeat(c, _COARSE_STEPS)[: problem.steps.count] for c in choices], pool)
        if spread is None:
            return
        kept = [c.exposure <= allowance + slack(allowance) for c in found[:_PRICES]]
        low, high = _bracket(prices[:_PRICES], kept, low, high)
        centre = _roomiest(list(pool.values()), allowance, _WELL_ABOVE * highest)
        prices = np.concatenate((_between(low, high), _about(centre, spread, lowest)))


def _add(problem: Problem, choices: list[Choice], pool: dict[bytes, Candidate]) -> list[Candidate]:
    """Weigh the choices, and add those to the pool that ask for nothing where it is not allowed.

    On coarse steps a run under way may be kept for longer than it must be.
    """
    found = [pool.get(choice.tobytes()) or weighed(problem, choice) for choice in choices]
    allowed, at = problem.steps.allowed, np.arange(problem.steps.count)
    for candidate in found:
        if allowed[candidate.choice, at][problem.committed :].all():
            pool[candidate.choice.tobytes()] = candidate
    return found


def cleanest_affordable(problem: Problem, budget: float) -> tuple[Candidate, float]:
    """The cleanest candidate within the budget that is found, and the exposure that none within it goes below.

    For problems of one period. Resting has to be within the budget.
    """
    pool: dict[bytes, Candidate] = {}
    least, choices = least_exposure(problem, budget, pool)
    _add(problem, choices, pool)
    affordable = [candidate for candidate in pool.values() if candidate.cost <= budget]
    best = min([resting(problem), *affordable], key=lambda c: float(c.exposure[0]))
    longer = weighed(problem, grown(problem, best.choice, budget))
    return min([best, longer], key=lambda c: float(c.exposure[0])), least


def least_exposure(problem: Problem, budget: float, pool: dict[bytes, Candidate]) -> tuple[float, list[Choice]]:
    """Exposure that no schedule within the budget goes below, and schedules that come near; coarse ones fill the pool.

    For problems of one period. The price at which the budget is spent is sought on coarse steps, and proven on all.
    """
    low, high = _price_span(problem)
    coarse = PricedSchedules(problem.coarser(_COARSE_STEPS))
    prices = np.geomspace(low, high, _PRICES)
    for _ in range(_ROUNDS):
        _, choices = coarse.solve(prices[:, np.newaxis], np.ones(_PRICES))
        found = _add(problem, [np.repeat(c, _COARSE_STEPS)[: problem.steps.count] for c in choices], pool)
        dear = np.flatnonzero([candidate.cost >= budget for candidate in found])
        first = int(dear[0]) if dear.size else _PRICES
        low = float(prices[first - 1]) if first > 0 else low
        high = float(prices[first]) if first < _PRICES else high
        prices = np.geomspace(low, high, _PRICES + 2)[1:-1]
    # The last row looks at the air alone, as if nothing cost anything.
    prices = np.append(np.geomspace(low / _SPREAD, high * _SPREAD, _PRICES), 1.0)
    matters = np.append(np.ones(_PRICES), 0.0)
    bounds, choices = PricedSchedules(problem).solve(prices[:, np.newaxis], matters)
    return float(((bounds - matters * budget) / prices).max()), choices


def _between(low: FloatArray, high: FloatArray) -> FloatArray:
    """Prices spread inside the span of each period, (M, K), all periods rising together."""
    share = np.linspace(0.0, 1.0, _PRICES + 2)[1:-1, np.newaxis]
    return np.asarray(low ** (1.0 - share) * high**share)


def _bracket(
    prices: FloatArray, kept: list[BoolArray], low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The dearest price of each period at which it is not kept, and the next, at which it is, (K,) each.

    The air forgets within hours, so each period answers first of all to its own price.
    """
    enough = np.array(kept)
    first = np.where(enough.any(axis=0), enough.argmax(axis=0), len(prices))
    period = np.arange(low.size)
    dear = np.where(first < len(prices), prices[np.minimum(first, len(prices) - 1), period], high)
    cheap = np.where(first > 0, prices[np.maximum(first - 1, 0), period], low)
    return cheap, dear


def _roomiest(pool: list[Candidate], allowance: FloatArray, high: float) -> FloatArray:
    """Prices, (K,), at which the least of cost + prices (exposure - allowance) over the candidates is the greatest."""
    beyond = np.array([candidate.exposure - allowance for candidate in pool])
    cost = np.array([candidate.cost for candidate in pool])
    # In units of the largest of each, so that the solver's tolerances fit.
    most_beyond, most_cost = float(np.abs(beyond).max()) or 1.0, float(cost.max()) or 1.0
    caps = np.column_stack((np.ones(len(pool)), -beyond / most_beyond))
    aim = np.zeros(caps.shape[1])
    aim[0] = -1.0
    unit = most_cost / most_beyond
    least = np.zeros(aim.size)
    least[0] = -np.inf
    found = scipy.optimize.milp(
        aim,
        constraints=scipy.optimize.LinearConstraint(caps, -np.inf, cost / most_cost),
        bounds=scipy.optimize.Bounds(least, np.concatenate(([np.inf], np.full(allowance.size, high / unit)))),
    )
    return np.zeros(allowance.size) if found.x is None else np.asarray(found.x[1:] * unit)


def _about(centre: FloatArray, spread: float, low: float) -> FloatArray:
    """The centre and prices about it, (M, K): together dearer and cheaper, and one period at a time."""
    base = np.maximum(centre, low)
    rows = [centre, base * spread, base / spread]
    for k in range(centre.size if centre.size > 1 else 0):
        rows += [np.where(np.arange(centre.size) == k, base * factor, centre) for factor in (spread, 1.0 / spread)]
    return np.array(rows)


def _polished(problem: Problem, candidate: Candidate, allowance: FloatArray, prices: FloatArray) -> Candidate:
    """The candidate lengthened until it keeps the allowance, where it can be, and trimmed to it."""
    longer = extended(problem, candidate.choice, allowance)
    return candidate if longer is None else weighed(problem, trimmed(problem, longer, allowance, prices))


def _price_span(problem: Problem) -> tuple[float, float]:
    """Prices of exposure: at the low ones hardly a run is worth its cost, at the high ones every one is.

    From the exact worth of running each step alone, and of leaving out each step of running throughout.
    """
    if costs_nothing(problem):
        return 1.0, 1.0
    steps = problem.steps
    resting = np.zeros(steps.count, dtype=np.intp)
    on = np.where(steps.allowed[1:].any(axis=0), steps.allowed[1:].argmax(axis=0) + 1, 0)
    alone = np.abs(change_effects(problem, resting)[:, 1:]).sum(axis=0)
    left_out = np.abs(change_effects(problem, on)[:, 0]).sum(axis=0)
    cost = steps.cost[1:] + steps.start_cost
    cleared = np.stack((alone, np.tile(left_out, (len(cost), 1))))
    counts = cleared > _ROUNDING * max(float(cleared.max()), 1.0)
    paid = np.stack((cost, cost))[counts] / cleared[counts]
    paid = paid[paid > _NEXT_TO_NOTHING * paid.max(initial=0.0)]
    if paid.size == 0:
        return 1.0, 1.0
    return float(paid.min()) / 2.0, float(paid.max()) * 10.0


def costs_nothing(problem: Problem) -> bool:
    """Whether asking for the fan costs nothing, or next to it in any currency."""
    return float((problem.steps.cost + problem.steps.start_cost).max()) < _NEXT_TO_NOTHING


def does_nothing(problem: Problem) -> bool:
    """Whether asking for the fan, where it may be asked for, leaves the air as it is."""
    steps = problem.steps
    differs = (steps.decay != steps.decay[0]) | (steps.gain != steps.gain[0])
    return not (differs & steps.allowed).any()


def resting(problem: Problem) -> Candidate:
    """Leave the fan to the thermostat once a run under way has had its least time."""
    choice = np.zeros(problem.steps.count, dtype=np.intp)
    if problem.running_now:
        choice[: problem.committed] = problem.speed_now
    return weighed(problem, choice)


def weighed(problem: Problem, choice: Choice) -> Candidate:
    """A choice with its exposure and cost."""
    return Candidate(choice, exposures(problem, choice), problem.steps.total_cost(choice, problem.running_now))


def within(candidate: Candidate, allowance: FloatArray) -> bool:
    """Whether every period is within its allowance, but for rounding."""
    return bool((candidate.exposure <= allowance + slack(allowance)).all())


def slack(allowance: FloatArray) -> FloatArray:
    """What counts as rounding of an allowance."""
    return np.asarray(_ROUNDING * np.abs(allowance))
