"""The fan schedule against every schedule there is, where they can be counted; elsewhere against what it promises."""

from dataclasses import replace
from functools import cache
from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from motemodel.plan import (
    AirTarget,
    Costs,
    Dwell,
    FanProblem,
    HouseRates,
    Outlook,
    Schedule,
    Speed,
    best_air,
    best_air_by_days,
    best_schedule,
    calendar_days,
    planned,
)
from motemodel.plan.fan_bound import PricedSchedules

HOUSE = HouseRates(0.35, 0.7, 2.5, 330.0, source_ug_m3_h=1.0)
STEP_H = 1.0 / 12.0


def outlook(steps: int = 288, outdoor: float = 60.0, called: float = 0.1, start: float = 20.0) -> Outlook:
    hour = np.arange(steps) * STEP_H
    air = outdoor * (1.0 + 0.5 * np.sin(2.0 * np.pi * hour / 24.0))
    return Outlook(STEP_H, air, np.full(steps, called), np.ones(steps, dtype=bool), start)


def runs(choice: np.ndarray) -> list[tuple[bool, int, int]]:
    """(asked for, first step, step after the last) of every stretch."""
    edges = [0, *(np.flatnonzero(np.diff(choice > 0)) + 1), choice.size]
    return [(bool(choice[a] > 0), int(a), int(b)) for a, b in pairwise(edges)]


def keeps_least_times(choice: np.ndarray, run: int, rest: int, running_now: bool, committed: int) -> bool:
    for place, (on, first, end) in enumerate(runs(choice)):
        least = run if on else rest
        if place == 0 and on == running_now:
            least = committed
        elif place == 0 and committed:
            return False
        if end - first < least and end < choice.size:
            return False
        if on and not (place == 0 and running_now) and np.ptp(choice[first : min(first + run, end)]):
            return False
    return True


@cache
def lawful(count: int, options: int, run: int, rest: int, running_now: bool, committed: int) -> np.ndarray:
    """Every choice of a few steps that keeps the least times, (N, T)."""
    every = np.array(list(product(range(options), repeat=count)))
    return every[[keeps_least_times(c, run, rest, running_now, committed) for c in every]]


class Enumeration:
    """Every schedule of a few steps, its cost and its mean, by closed-form steps of its own: dC/dt = b - k C."""

    def __init__(
        self,
        now: Outlook,
        house: HouseRates,
        costs: Costs,
        dwell: Dwell,
        run: int,
        rest: int,
        speeds: tuple[Speed, ...] = (),
    ):
        count, committed = now.steps, dwell.committed_steps(now.step_h)
        speeds = speeds or (Speed("on", house.clean_air_per_h, house.fan_power_w),)
        every = lawful(count, len(speeds) + 1, run, rest, dwell.running_now, committed)
        kept = np.ones(len(every), dtype=bool)
        if dwell.running_now:
            kept &= (every[:, :committed] == dwell.speed_now).all(axis=1)
        may = np.ones_like(every, dtype=bool)
        for j, speed in enumerate(speeds, start=1):
            allowed = now.allowed if speed.allowed is None else speed.allowed
            may &= (every != j) | allowed | (np.arange(count) < committed)
        self.choice = every[kept & may.all(axis=1)]
        level = np.full(len(self.choice), now.start_ug_m3)
        self.cost_by_step, self.means_by_step = np.zeros((2, *self.choice.shape))
        before = np.full(len(self.choice), int(dwell.running_now))
        clean = np.array([0.0, *(speed.clean_air_per_h for speed in speeds)])
        watts = np.array([0.0, *(speed.power_w for speed in speeds)])
        price, noise = (
            np.broadcast_to(np.asarray(c, float), (count,)) for c in (costs.price_per_kwh, costs.noise_per_h)
        )
        for t in range(count):
            asked = self.choice[:, t]
            left = 1.0 - now.called[t]
            k = house.loss_fan_off_per_h + now.called[t] * house.clean_air_per_h + left * clean[asked]
            settled = (house.entry_per_h * now.outdoor_ug_m3[t] + house.source_ug_m3_h) / k
            end = settled + (level - settled) * np.exp(-k * now.step_h)
            self.means_by_step[:, t] = settled + (level - end) / k / now.step_h
            level = end
            per_h = watts[asked] / 1000.0 * price[t] + (asked > 0) * (noise[t] + costs.wear_per_h)
            self.cost_by_step[:, t] = left * (per_h * now.step_h + ((asked > 0) & (before == 0)) * costs.per_start)
            before = asked
        self.cost = self.cost_by_step.sum(axis=1)
        self.mean = self.means_by_step.mean(axis=1)


@st.composite
def small_cases(draw: st.DrawFn) -> tuple[Outlook, HouseRates, Costs, Dwell, float]:
    count = draw(st.integers(1, 10))
    step_h = draw(st.sampled_from((0.1, 0.25, 0.5)))
    levels = st.floats(0.0, 200.0)
    now = Outlook(
        step_h,
        np.array(draw(st.lists(levels, min_size=count, max_size=count))),
        np.array(draw(st.lists(st.floats(0.0, 1.0), min_size=count, max_size=count))),
        np.array(draw(st.lists(st.booleans() | st.just(True), min_size=count, max_size=count))),
        draw(levels),
    )
    house = HouseRates(
        draw(st.floats(0.0, 1.0)),
        draw(st.floats(0.1, 2.0)),
        draw(st.floats(0.1, 6.0)),
        300.0,
        draw(st.floats(0.0, 5.0)),
    )
    prices, noise = (np.array(draw(st.lists(st.floats(0.05, 0.5), min_size=count, max_size=count))) for _ in range(2))
    wear = draw(st.sampled_from((0.0, 0.05)))
    costs = Costs(prices, draw(st.sampled_from((0.0, 0.2))) * noise, wear, draw(st.sampled_from((0.0, 0.01))))
    dwell = Dwell(
        draw(st.integers(0, 3)) * step_h,
        draw(st.integers(0, 3)) * step_h,
        draw(st.booleans()),
        draw(st.integers(0, 4)) * step_h,
    )
    return now, house, costs, dwell, draw(st.floats(0.05, 1.2))


def enumerated(case: tuple[Outlook, HouseRates, Costs, Dwell, float]) -> tuple[Enumeration, float]:
    now, house, costs, dwell, share = case
    every = Enumeration(now, house, costs, dwell, dwell.run_steps(now.step_h), dwell.rest_steps(now.step_h))
    cleanest, dirtiest = every.mean.min(), every.mean.max()
    return every, max(float(cleanest + share * (dirtiest - cleanest)), 1e-3)


@settings(max_examples=80, deadline=None)
@given(small_cases())
def test_no_schedule_that_can_be_counted_costs_less_than_the_proven_bound(
    case: tuple[Outlook, HouseRates, Costs, Dwell, float],
) -> None:
    # Exhaustive enumeration as the oracle: every schedule of up to ten steps that keeps the rules.
    now, house, costs, dwell, _ = case
    every, target = enumerated(case)
    found = best_schedule(FanProblem(now, house, costs=costs, dwell=dwell), AirTarget(target))
    holding = every.mean <= target * (1.0 + 1e-9)
    assert found.holds
    assert (every.choice == found.choice).all(axis=1).any()
    least = float(every.cost[holding].min())
    assert found.least_cost <= least + 1e-9
    assert found.cost >= least - 1e-9


@settings(max_examples=60, deadline=None)
@given(small_cases(), st.floats(1e-4, 10.0))
def test_the_priced_bound_is_below_every_schedule_and_close_to_the_best(
    case: tuple[Outlook, HouseRates, Costs, Dwell, float], price: float
) -> None:
    now, house, costs, dwell, _ = case
    every, _ = enumerated(case)
    problem = FanProblem(now, house, costs, dwell).in_periods(np.zeros(now.steps, dtype=np.intp))
    bounds, schedules = PricedSchedules(problem).solve(np.array([[price]]), np.ones(1))
    priced = every.cost + price * every.mean * now.steps * now.step_h
    assert bounds[0] <= priced.min() * (1.0 + 1e-9) + 1e-12
    assert bounds[0] >= 0.95 * priced.min() - 1e-9
    assert (every.choice == schedules[0]).all(axis=1).any()


@settings(max_examples=60, deadline=None)
@given(small_cases())
def test_no_schedule_within_the_budget_is_cleaner_than_the_proven_bound(
    case: tuple[Outlook, HouseRates, Costs, Dwell, float],
) -> None:
    now, house, costs, dwell, share = case
    every, _ = enumerated(case)
    budget = float(every.cost.min() + min(share, 1.0) * (every.cost.max() - every.cost.min()))
    found, least_mean = best_air(FanProblem(now, house, costs=costs, dwell=dwell), budget)
    assert found.cost <= budget * (1.0 + 1e-9)
    affordable = every.mean[every.cost <= budget * (1.0 + 1e-9)]
    assert least_mean <= affordable.min() * (1.0 + 1e-9) + 1e-9
    assert found.plan.mean_ug_m3 >= affordable.min() * (1.0 - 1e-9)


def test_in_most_countable_cases_the_schedule_is_the_best_there_is() -> None:
    rng = np.random.default_rng(11)
    exact, worst = 0, 0.0
    for _ in range(24):
        now = Outlook(0.25, rng.uniform(0, 120, 11), rng.uniform(0, 0.4, 11), np.ones(11, dtype=bool), 20.0)
        case = (now, HOUSE, Costs(0.2), Dwell(0.5, 0.5, bool(rng.integers(2)), 0.5), rng.uniform(0.1, 0.9))
        every, target = enumerated(case)
        found = best_schedule(FanProblem(now, HOUSE, costs=case[2], dwell=case[3]), AirTarget(target))
        least = float(every.cost[every.mean <= target * (1.0 + 1e-9)].min())
        exact += found.cost <= least + 1e-9
        worst = max(worst, found.cost - least)
    assert exact >= 18
    assert worst <= 3 * 0.25 * 0.33 * 0.2


@st.composite
def two_speeds(draw: st.DrawFn) -> tuple[tuple[Outlook, HouseRates, Costs, Dwell, float], tuple[Speed, ...]]:
    """A small case of up to six steps with a low and a high speed, the low one allowed in hours of its own."""
    now, house, costs, dwell, share = draw(small_cases())
    count = min(now.steps, 6)
    now = now.part(slice(0, count), now.start_ug_m3)
    costs = replace(costs, **{name: getattr(costs, name)[:count] for name in ("price_per_kwh", "noise_per_h")})
    low_share = draw(st.floats(0.2, 0.8))
    hours = np.array(draw(st.lists(st.booleans(), min_size=count, max_size=count)))
    low = Speed("low", low_share * house.clean_air_per_h, draw(st.floats(20.0, 300.0)), now.allowed | hours)
    dwell = replace(dwell, speed_now=draw(st.integers(1, 2)))
    return (now, house, costs, dwell, share), (low, Speed("high", house.clean_air_per_h, 300.0))


@settings(max_examples=40, deadline=None)
@given(two_speeds())
def test_with_speeds_too_no_schedule_that_can_be_counted_costs_less_than_the_proven_bound(
    case_and_speeds: tuple[tuple[Outlook, HouseRates, Costs, Dwell, float], tuple[Speed, ...]],
) -> None:
    # Exhaustive enumeration as the oracle: each step at rest, at the low or at the high speed.
    (now, house, costs, dwell, share), speeds = case_and_speeds
    every = Enumeration(now, house, costs, dwell, dwell.run_steps(now.step_h), dwell.rest_steps(now.step_h), speeds)
    target = max(float(every.mean.min() + share * np.ptp(every.mean)), 1e-3)
    found = best_schedule(FanProblem(now, house, costs=costs, dwell=dwell, speeds=speeds), AirTarget(target))
    least = float(every.cost[every.mean <= target * (1.0 + 1e-9)].min())
    (own,) = np.flatnonzero((every.choice == found.choice).all(axis=1))
    assert found.holds
    assert found.cost == pytest.approx(every.cost[own], rel=1e-9, abs=1e-12)
    assert found.plan.mean_ug_m3 == pytest.approx(every.mean[own], rel=1e-9)
    assert found.least_cost <= least + 1e-9
    assert found.cost >= least - 1e-9


@settings(max_examples=40, deadline=None)
@given(two_speeds())
def test_with_speeds_too_no_schedule_that_can_be_counted_is_cleaner_than_the_cleanest_that_is_told(
    case_and_speeds: tuple[tuple[Outlook, HouseRates, Costs, Dwell, float], tuple[Speed, ...]],
) -> None:
    # Exhaustive enumeration as the oracle, at a target that is out of reach.
    (now, house, costs, dwell, _), speeds = case_and_speeds
    every = Enumeration(now, house, costs, dwell, dwell.run_steps(now.step_h), dwell.rest_steps(now.step_h), speeds)
    cleanest = float(every.mean.min())
    assume(cleanest > 1e-3)
    found = best_schedule(FanProblem(now, house, costs=costs, dwell=dwell, speeds=speeds), AirTarget(cleanest / 2.0))
    assert not found.holds
    assert (every.choice == found.choice).all(axis=1).any(), "it keeps the least times and the hours"
    assert found.cleanest_ug_m3[0] <= cleanest * (1.0 + 1e-9)
    free = now.allowed.all() and not dwell.committed_steps(now.step_h)
    if free and not (house.clean_air_per_h * (1.0 - now.called) < 1e-3).any():
        assert found.cleanest_ug_m3[0] == pytest.approx(cleanest, rel=1e-9)


def test_a_run_keeps_the_speed_that_it_begins_with_for_its_least_time() -> None:
    # Six steps counted out: 1 2 2 would hold the target, but the least run is two steps long.
    nothing, early, late = np.zeros(6), np.arange(6) % 5 > 0, np.arange(6) // 2 == 1
    early[4] = False
    now = Outlook(0.1, nothing, nothing, late, 0.0)
    house, costs = HouseRates(0.0, 1.0, 1.0, 300.0, source_ug_m3_h=1.0), Costs(0.5, per_start=0.0)
    speeds, dwell = (Speed("low", 0.5, 20.0, early), Speed("high", 1.0, 300.0)), Dwell(0.2, 0.0)
    every = Enumeration(now, house, costs, dwell, 2, 1, speeds)
    found = best_schedule(FanProblem(now, house, costs=costs, dwell=dwell, speeds=speeds), AirTarget(0.2274))
    assert not found.holds
    assert found.choice.tolist() == every.choice[every.mean.argmin()].tolist() == [0, 0, 2, 2, 0, 0]
    assert found.cleanest_ug_m3 == pytest.approx(every.mean.min(), rel=0.01)


def test_with_two_speeds_in_most_countable_cases_the_schedule_is_the_best_there_is() -> None:
    rng = np.random.default_rng(12)
    exact, over = 0, []
    for _ in range(16):
        now = Outlook(0.25, rng.uniform(0, 120, 7), rng.uniform(0, 0.4, 7), np.ones(7, dtype=bool), 20.0)
        share = rng.uniform(0.4, 0.7)
        # Fan laws: power goes with the cube of the airflow (AMCA 201-02, from memory).
        speeds = (Speed("low", share * 2.5, share**3 * 330.0), Speed("high", 2.5, 330.0))
        dwell = Dwell(0.5, 0.5, bool(rng.integers(2)), 0.5)
        every = Enumeration(now, HOUSE, Costs(0.2), dwell, 2, 2, speeds)
        target = float(every.mean.min() + rng.uniform(0.1, 0.9) * np.ptp(every.mean))
        found = best_schedule(FanProblem(now, HOUSE, costs=Costs(0.2), dwell=dwell, speeds=speeds), AirTarget(target))
        least = float(every.cost[every.mean <= target * (1.0 + 1e-9)].min())
        exact += found.cost <= least + 1e-9
        over.append(found.cost / least - 1.0)
    assert exact >= 10
    assert max(over) <= 0.2


@settings(max_examples=40, deadline=None)
@given(small_cases(), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_days_with_budgets_of_their_own_are_kept_to_them_and_none_is_cleaner_than_the_bound(
    case: tuple[Outlook, HouseRates, Costs, Dwell, float], first: float, second: float
) -> None:
    # Exhaustive enumeration as the oracle, with the energy of each of two days counted by itself.
    now, house, _, dwell, _ = case
    day = (np.arange(now.steps) >= (now.steps + 1) // 2).astype(np.intp)
    every = Enumeration(now, house, Costs(), dwell, dwell.run_steps(now.step_h), dwell.rest_steps(now.step_h))
    energy = np.array([every.cost_by_step[:, day == k].sum(axis=1) for k in np.unique(day)])
    budgets = energy.min(axis=1) + np.array([first, second])[: len(energy)] * np.ptp(energy, axis=1)
    found, least = best_air_by_days(FanProblem(now, house, dwell=dwell), budgets, day)
    (own,) = np.flatnonzero((every.choice == found.choice).all(axis=1))
    affordable = every.mean[(energy <= budgets[:, np.newaxis] * (1.0 + 1e-9) + 1e-12).all(axis=0)]
    assert found.plan.mean_ug_m3 == pytest.approx(every.mean[own], rel=1e-9)
    if affordable.size:
        assert least <= affordable.min() * (1.0 + 1e-9) + 1e-9
    # What goes on at midnight is finished first, whatever is left for it.
    under_way = max(dwell.run_steps(now.step_h) - 1, 0) * now.step_h * 0.3
    assert (energy[:, own] <= budgets * (1.0 + 1e-9) + under_way + 1e-12).all()
    assert energy[0, own] <= max(budgets[0], energy[0].min()) * (1.0 + 1e-9) + 1e-12


def test_noise_keeps_the_fan_to_the_hours_in_which_nobody_minds_it() -> None:
    evening = np.arange(288) >= 144
    held = [
        best_schedule(FanProblem(outlook(), HOUSE, costs=Costs(0.2, np.where(evening, noise, 0.0))), AirTarget(15.0))
        for noise in (0.0, 0.5)
    ]
    assert all(each.holds for each in held)
    loud, spared = ((each.choice[evening] > 0).mean() for each in held)
    assert spared < 0.5 * loud


def test_noise_and_wear_of_a_plan_are_hours_and_starts_at_their_prices() -> None:
    now = replace(outlook(12, called=0.5))
    asked = np.array([0, 1, 1, 0, 0, 1, 1, 1, 0, 0, 0, 0], dtype=bool)
    costs = Costs(0.2, noise_per_h=np.where(np.arange(12) < 6, 0.6, 0.0), wear_per_h=0.12, per_start=0.05)
    # Half of each step is left to ask for: 3 noisy and 5 worn steps of 1/24 h, and two half starts.
    expected = 3 / 24 * 0.6 + 5 / 24 * 0.12 + 2 * 0.5 * 0.05
    assert costs.of_noise_and_wear(now.running(asked), now) == pytest.approx(expected)


@st.composite
def days(draw: st.DrawFn) -> tuple[Outlook, HouseRates, Dwell]:
    """Half a day to a day and a half ahead with quiet hours, calls, some weather and a fan that does something now."""
    steps = draw(st.integers(150, 420))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    air = draw(st.floats(5.0, 150.0)) * np.exp(np.cumsum(rng.normal(0.0, 0.05, steps)))
    allowed = np.ones(steps, dtype=bool)
    for _ in range(draw(st.integers(0, 3))):
        first = draw(st.integers(0, steps - 1))
        allowed[first : first + draw(st.integers(1, 96))] = False
    now = Outlook(STEP_H, air, rng.uniform(0.0, draw(st.floats(0.0, 1.0)), steps), allowed, draw(st.floats(0.0, 150.0)))
    dwell = Dwell(
        draw(st.sampled_from((0.0, 0.25, 0.5, 1.0))),
        draw(st.sampled_from((0.0, 0.25, 0.5))),
        draw(st.booleans()),
        draw(st.sampled_from((0.0, 0.1, 0.3, 5.0))),
    )
    return now, replace(HOUSE, clean_air_per_h=draw(st.floats(0.0, 6.0))), dwell


@settings(max_examples=25, deadline=None)
@given(days(), st.floats(2.0, 40.0), st.booleans())
def test_least_times_and_quiet_hours_are_kept_and_the_target_is_held_where_running_throughout_would_hold_it(
    case: tuple[Outlook, HouseRates, Dwell], target: float, by_day: bool
) -> None:
    now, house, dwell = case
    period = calendar_days(17.0, now.steps, STEP_H) if by_day else None
    found = best_schedule(FanProblem(now, house, dwell=dwell), AirTarget(target, period))
    committed = min(dwell.committed_steps(STEP_H), now.steps)
    assert keeps_least_times(
        found.choice, dwell.run_steps(STEP_H), dwell.rest_steps(STEP_H), dwell.running_now, committed
    )
    assert not (found.choice[committed:] > 0)[~now.allowed[committed:]].any()
    assert 0.0 <= found.least_cost <= found.cost + 1e-9
    if now.allowed.all() and not committed:
        throughout = np.array([planned("", np.ones(now.steps), now, house).mean_ug_m3])
        if not by_day and throughout[0] <= target:
            assert found.holds
    again = planned("", found.plan.running, now, house)
    assert again.mean_ug_m3 == pytest.approx(found.plan.mean_ug_m3, rel=1e-9)
    assert again.energy_kwh == pytest.approx(found.plan.energy_kwh, rel=1e-9)


def test_the_mean_of_a_schedule_agrees_with_a_general_integrator() -> None:
    # scipy's solve_ivp as the oracle, tolerance 1e-10, one step after another.
    now = outlook(96)
    found = best_schedule(FanProblem(now, HOUSE), AirTarget(12.0))
    level, area = now.start_ug_m3, 0.0
    for on, air in zip(found.plan.running, now.outdoor_ug_m3, strict=True):
        loss = HOUSE.loss_fan_off_per_h + on * HOUSE.clean_air_per_h
        supply = HOUSE.entry_per_h * air + HOUSE.source_ug_m3_h

        def slope(_: float, y: np.ndarray, loss: float = loss, supply: float = supply) -> list[float]:
            return [supply - loss * y[0], y[0]]

        level, area = solve_ivp(slope, (0.0, STEP_H), [level, area], rtol=1e-10, atol=1e-10).y[:, -1]
    assert found.plan.mean_ug_m3 == pytest.approx(area / (96 * STEP_H), rel=1e-7)
    assert found.period_mean_ug_m3[0] == pytest.approx(found.plan.mean_ug_m3)


def test_two_days_are_planned_to_within_a_twentieth_of_the_proven_bound() -> None:
    rng = np.random.default_rng(3)
    gaps = []
    for _ in range(6):
        now = replace(outlook(576, outdoor=rng.uniform(40, 100)), called=rng.uniform(0, 0.3, 576))
        found = best_schedule(FanProblem(now, HOUSE), AirTarget(rng.uniform(9, 14), calendar_days(9.0, 576, STEP_H)))
        gaps.append(found.gap)
    assert np.median(gaps) <= 0.05


def test_clean_air_outdoors_asks_for_no_fan() -> None:
    found = best_schedule(FanProblem(outlook(outdoor=5.0, start=3.0), HOUSE), AirTarget(15.0))
    assert found.holds
    assert found.cost == found.gap == 0.0
    assert not found.choice.any()


def test_smoke_beyond_the_filter_is_proven_to_be_so_and_answered_with_the_cleanest() -> None:
    now = outlook(outdoor=600.0)
    found = best_schedule(FanProblem(now, HOUSE), AirTarget(15.0))
    throughout = planned("", np.ones(now.steps), now, HOUSE)
    assert not found.holds
    assert found.cleanest_ug_m3[0] > 15.0
    assert found.cleanest_ug_m3[0] <= throughout.mean_ug_m3 * (1.0 + 1e-12)
    at_rest = planned("", now.called, now, HOUSE)
    done = (at_rest.mean_ug_m3 - found.plan.mean_ug_m3) / (at_rest.mean_ug_m3 - throughout.mean_ug_m3)
    assert done >= 0.995


def test_a_day_beyond_reach_does_not_give_up_the_next() -> None:
    air = np.where(np.arange(576) < 288, 900.0, 40.0)
    now = Outlook(STEP_H, air, np.zeros(576), np.ones(576, dtype=bool), 60.0)
    found = best_schedule(FanProblem(now, HOUSE), AirTarget(15.0, calendar_days(0.0, 576, STEP_H)))
    assert found.held.tolist() == [False, True]
    assert found.period_mean_ug_m3[1] == pytest.approx(15.0, rel=0.02)


def test_what_the_day_has_had_already_counts() -> None:
    period = calendar_days(12.0, 144, STEP_H)
    clean = best_schedule(FanProblem(outlook(144), HOUSE), AirTarget(15.0, period, past_h=12.0, past_mean_ug_m3=5.0))
    dirty = best_schedule(FanProblem(outlook(144), HOUSE), AirTarget(15.0, period, past_h=12.0, past_mean_ug_m3=18.0))
    assert clean.holds
    assert dirty.holds
    assert clean.cost < dirty.cost
    assert dirty.period_mean_ug_m3[0] == pytest.approx(15.0, rel=0.02)


def test_the_fan_runs_when_power_is_cheap_and_ears_are_elsewhere() -> None:
    half = np.arange(288) < 144
    steady = replace(outlook(), outdoor_ug_m3=np.full(288, 60.0))
    for costs in (Costs(np.where(half, 0.4, 0.1)), Costs(0.1, noise_per_h=np.where(half, 0.1, 0.0))):
        found = best_schedule(FanProblem(steady, HOUSE, costs=costs), AirTarget(15.0))
        assert found.holds
        assert (found.choice[half] > 0).sum() < (found.choice[~half] > 0).sum()


def test_dear_starts_make_few_of_them() -> None:
    often = best_schedule(FanProblem(outlook(), HOUSE, costs=Costs(0.2)), AirTarget(15.0))
    seldom = best_schedule(FanProblem(outlook(), HOUSE, costs=Costs(0.2, per_start=0.1)), AirTarget(15.0))
    assert sum(on for on, _, _ in runs(seldom.choice)) < sum(on for on, _, _ in runs(often.choice))


def test_a_low_speed_that_costs_less_per_clean_air_is_taken_and_may_run_in_the_night() -> None:
    # Fan laws: half the airflow at an eighth of the power (AMCA 201-02, from memory).
    night = np.arange(288) < 96
    now = replace(outlook(), allowed=~night)
    low = Speed("low", 1.25, 330.0 / 8.0, allowed=np.ones(288, dtype=bool))
    high = Speed("high", 2.5, 330.0)
    one = best_schedule(FanProblem(now, HOUSE, speeds=(high,)), AirTarget(15.0))
    two = best_schedule(FanProblem(now, HOUSE, speeds=(low, high)), AirTarget(15.0))
    assert two.holds
    assert two.cost < one.cost
    assert not (two.choice[night] == 2).any()


def test_power_that_costs_nothing_buys_the_cleanest_air() -> None:
    found = best_schedule(FanProblem(outlook(), HOUSE, costs=Costs(0.0)), AirTarget(8.5))
    assert found.cost == found.gap == 0.0
    assert found.holds


def test_a_fan_that_cleans_nothing_is_not_run() -> None:
    found = best_schedule(FanProblem(outlook(), replace(HOUSE, clean_air_per_h=0.0)), AirTarget(8.0))
    assert not found.holds
    assert not found.choice.any()


def test_a_fan_whose_leaky_ducts_bring_more_than_it_cleans_is_left_alone() -> None:
    leaky = replace(HOUSE, clean_air_per_h=0.2, fan_extra_entry_per_h=0.5)
    found = best_schedule(FanProblem(outlook(), leaky), AirTarget(8.0))
    assert not found.choice.any()
    assert found.cleanest_ug_m3[0] <= found.plan.mean_ug_m3 * (1.0 + 1e-12)


def test_what_does_not_fit_is_refused() -> None:
    now = outlook(24)
    with pytest.raises(ValueError, match="price_per_kwh"):
        best_schedule(FanProblem(now, HOUSE, costs=Costs(np.ones(3))), AirTarget(10.0))
    with pytest.raises(ValueError, match="period"):
        best_schedule(FanProblem(now, HOUSE), AirTarget(10.0, np.zeros(3, dtype=np.intp)))
    with pytest.raises(ValueError, match="order of time"):
        AirTarget(10.0, np.array([1, 0]))
    with pytest.raises(ValueError, match="speed low"):
        best_schedule(
            FanProblem(now, HOUSE, speeds=(Speed("low", 1.0, 10.0, np.ones(2, dtype=bool)),)), AirTarget(10.0)
        )
    with pytest.raises(ValueError, match="least_run_h"):
        best_schedule(FanProblem(now, HOUSE, dwell=Dwell(least_run_h=1000.0)), AirTarget(10.0))
    with pytest.raises(ValueError, match="for_h"):
        Dwell(for_h=float("nan"))
    with pytest.raises(ValueError, match="above zero"):
        AirTarget(0.0)
    with pytest.raises(ValueError, match="budget"):
        best_air(FanProblem(now, HOUSE), -1.0)


def test_a_schedule_tells_itself() -> None:
    found = best_schedule(FanProblem(outlook(), HOUSE), AirTarget(15.0))
    assert isinstance(found, Schedule)
    assert found.plan.run_hours == pytest.approx(found.plan.running.sum() * STEP_H)


EXTREMES = st.sampled_from((0.0, 5e-324, 1e-12, 1.0, 1e3, 1e6)) | st.floats(0.0, 1e6)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(1, 30),
    st.sampled_from((1e-3, 1 / 12, 24.0)),
    EXTREMES,
    EXTREMES,
    st.tuples(EXTREMES, EXTREMES, EXTREMES, EXTREMES, EXTREMES, EXTREMES),
    st.sampled_from((1e-12, 1.0, 1e6)),
    EXTREMES,
)
def test_any_house_gets_a_finite_schedule_that_is_no_dirtier_than_said(
    steps: int, step_h: float, air: float, start: float, rates: tuple[float, ...], target: float, price: float
) -> None:
    now = Outlook(step_h, np.linspace(0.0, air, steps), np.zeros(steps), np.ones(steps, dtype=bool), start)
    dwell = Dwell(2 * step_h, step_h)
    found = best_schedule(FanProblem(now, HouseRates(*rates), costs=Costs(price), dwell=dwell), AirTarget(target))
    cleanest, least = best_air(FanProblem(now, HouseRates(*rates), costs=Costs(price), dwell=dwell), price)
    assert np.isfinite([found.cost, found.least_cost, found.plan.mean_ug_m3, cleanest.plan.mean_ug_m3, least]).all()
    assert least <= cleanest.plan.mean_ug_m3 * (1.0 + 1e-6) + 1e-9
    assert found.holds == (found.period_mean_ug_m3[0] <= target * (1.0 + 1e-8))
