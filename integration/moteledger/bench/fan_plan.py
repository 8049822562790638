"""The fan planned for 48 h at 5 min, with speeds, warily, within a budget, and a year of daily new plans replayed."""

from dataclasses import dataclass, replace
from itertools import islice

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from motemodel.bounds import FloatArray
from motemodel.plan import (
    AirTarget,
    Costs,
    Dwell,
    FanProblem,
    HouseRates,
    Outlook,
    Schedule,
    Speed,
    best_air_by_days,
    best_schedule,
    calendar_days,
    wary_schedule,
)
from motemodel.plan.fan_steps import FanSteps

from .row import BenchRow, Plain
from .timing import best_of

STEP_H = 1.0 / 12.0
DAY_STEPS = 288
_HOUSE = HouseRates(0.35, 0.7, 2.5, 330.0, source_ug_m3_h=1.0)
_COSTS = Costs()
_DWELL = Dwell(0.25, 0.25)
_TARGET_UG_M3 = 10.0
_BUDGET_KWH = 1.0
_MORNING = 9.0
_RUNS = 3


@dataclass(frozen=True)
class Case:
    """One plan to be made."""

    outlook: Outlook
    target: AirTarget
    speeds: tuple[Speed, ...] = ()

    @property
    def fan(self) -> FanProblem:
        """What it is made for, put together anew."""
        return FanProblem(self.outlook, _HOUSE, _COSTS, _DWELL, self.speeds)

    def planned(self) -> Schedule:
        """Plan it."""
        return best_schedule(self.fan, self.target)

    @property
    def feared_ug_m3(self) -> FloatArray:
        """Outdoor air as it is feared."""
        return 2.0 * self.outlook.outdoor_ug_m3

    def planned_warily(self) -> Schedule:
        """Plan it so that its first day is safe in feared air."""
        return wary_schedule(self.fan, self.feared_ug_m3, self.target)

    def is_at_risk(self) -> bool:
        """Whether feared air changes the plan."""
        return bool((self.planned_warily().choice != self.planned().choice).any())

    def with_two_speeds(self) -> "Case":
        """The same with a low speed, too, at three fifths of the airflow, that may run in the night."""
        # Fan laws: power goes with the cube of the airflow (AMCA 201-02, from memory).
        clean, watts = 0.6 * _HOUSE.clean_air_per_h, 0.6**3 * _HOUSE.fan_power_w
        low = Speed("low", clean, watts, np.ones(self.outlook.steps, dtype=np.bool_))
        return replace(self, speeds=(low, Speed("high", _HOUSE.clean_air_per_h, _HOUSE.fan_power_w)))

    def within_budget(self) -> tuple[Schedule, float]:
        """The best air for a budget of each of its days."""
        days = np.asarray(self.target.period)
        return best_air_by_days(self.fan, np.full(int(days[-1]) + 1, _BUDGET_KWH), days)


def outdoor_air(days: int, seed: int = 7) -> FloatArray:
    """An invented course of outdoor PM2.5, ug/m3, by the step: a daily wave on weather that comes and goes in days."""
    rng = np.random.default_rng(seed)
    kick = rng.normal(0.0, 1.0, days * 24)
    weather = np.empty(kick.size)
    now = 0.0
    for hour, push in enumerate(kick):
        now = 0.97 * now + 0.2 * push
        weather[hour] = now
    wave = 0.3 * np.sin(2.0 * np.pi * np.arange(kick.size) / 24.0)
    return np.repeat(22.0 * np.exp(weather + wave), DAY_STEPS // 24)


def case(air: np.ndarray, start_ug_m3: float, hour_now: float = 0.0) -> Case:
    """The plan of some steps from an hour on: the thermostat calls for a tenth of the time, nights are quiet."""
    hour = (hour_now + np.arange(air.size) * STEP_H) % 24.0
    allowed = (hour >= 6.0) & (hour < 22.0)
    outlook = Outlook(STEP_H, air, np.full(air.size, 0.1), allowed, start_ug_m3)
    return Case(outlook, AirTarget(_TARGET_UG_M3, calendar_days(hour_now, air.size, STEP_H)))


def spells(count: int, hour_now: float = 0.0) -> list[Case]:
    """The first two-day spells of invented air in which the fan has something to do and can do it."""
    air = outdoor_air(2 + 8 * count + 40)
    cases = (
        case(air[first : first + 2 * DAY_STEPS], 8.0, hour_now)
        for first in range(0, air.size - 2 * DAY_STEPS, 2 * DAY_STEPS)
    )
    plans = ((one, one.planned()) for one in cases)
    return list(islice((one for one, plan in plans if plan.cost > 0.0 and plan.holds), count))


def two_days(count: int = 20, general_seconds: float = 10.0) -> BenchRow:
    """The median over some spells, beside a general solver on the first of them."""
    busy = spells(count)
    work = f"48 h at 5 min, least times, quiet hours, two days' means; median of {len(busy)} spells, on one core"
    return _beside_general_solver("fan plan", work, busy, general_seconds)


def two_speeds(count: int = 20, general_seconds: float = 10.0) -> BenchRow:
    """The median over some spells from nine in the morning on with two speeds, beside a general solver on the first."""
    busy = [one.with_two_speeds() for one in spells(count, _MORNING)]
    warily = [best_of(one.planned_warily, _RUNS).processor_seconds for one in busy]
    work = f"48 h from 9:00, two speeds, three days' means; median of {len(busy)} spells"
    row = _beside_general_solver("fan with two speeds", work, busy, general_seconds)
    told = f"; warily {1e3 * np.median(warily):.1f} ms, worst {1e3 * max(warily):.1f} ms"
    return replace(row, note=row.note + told)


def _beside_general_solver(name: str, work: str, busy: list[Case], general_seconds: float) -> BenchRow:
    seconds = [best_of(one.planned, _RUNS).processor_seconds for one in busy]
    gaps = [one.planned().gap for one in busy]
    first = busy[0]
    ours = first.planned()
    cost, bound, taken = by_general_solver(first, general_seconds)
    return BenchRow(
        name=name,
        work=work,
        measured=float(np.median(seconds)),
        aim=0.050,
        plain=(
            Plain(
                f"milp (HiGHS) on one spell, by then at {cost:.2f} with a bound of {bound:.2f}, "
                f"here {ours.cost:.2f} and {ours.least_cost:.2f}",
                taken,
            ),
        ),
        note=f"worst spell {1e3 * max(seconds):.1f} ms; gap to the proven bound {np.median(gaps):.1%} in the middle, "
        f"{max(gaps):.1%} at worst",
    )


def wary_two_days(count: int = 20) -> BenchRow:
    """The median over some spells from nine in the morning on that being wary changes, beside two plans made apart."""
    at_risk = [one for one in spells(3 * count, _MORNING) if one.is_at_risk()][:count]
    seconds = [best_of(one.planned_warily, _RUNS).processor_seconds for one in at_risk]
    first = at_risk[0]
    feared = replace(first, outlook=replace(first.outlook, outdoor_ug_m3=first.feared_ug_m3))
    apart = sum(best_of(one.planned, _RUNS).processor_seconds for one in (first, feared))
    return BenchRow(
        name="wary fan plan",
        work=f"48 h from 9:00, three days' means, today safe in twice the outdoor air; median of {len(at_risk)} spells",
        measured=float(np.median(seconds)),
        aim=0.050,
        plain=(Plain("one of these spells planned for either air by itself", apart),),
        note=f"worst spell {1e3 * max(seconds):.1f} ms",
    )


def two_days_within_a_budget(count: int = 20) -> BenchRow:
    """The median over some spells from nine in the morning on of the best air that a budget of each day buys."""
    busy = spells(count, _MORNING)
    seconds = [best_of(one.within_budget, _RUNS).processor_seconds for one in busy]
    gaps = [1.0 - least / found.plan.mean_ug_m3 for found, least in (one.within_budget() for one in busy)]
    return BenchRow(
        name="fan within a budget",
        work=f"best air of 48 h from 9:00 for {_BUDGET_KWH:g} kWh on each of three days; median of {len(busy)} spells",
        measured=float(np.median(seconds)),
        aim=0.050,
        note=f"worst spell {1e3 * max(seconds):.1f} ms; gap to the proven bound {np.median(gaps):.1%} in the middle, "
        f"{max(gaps):.1%} at worst",
    )


def replayed_year(days: int = 365) -> BenchRow:
    """A year lived, with 48 h planned anew at every midnight and a day of it carried out."""
    air = outdoor_air(days + 2, seed=8)
    told: list[Schedule] = []

    def live() -> None:
        told.clear()
        level = 8.0
        for day in range(days):
            plan = case(air[day * DAY_STEPS : (day + 2) * DAY_STEPS], level).planned()
            level = float(plan.plan.indoor_ug_m3[DAY_STEPS - 1])
            told.append(plan)

    timing = best_of(live, 1)
    held = sum(bool(plan.held[0]) for plan in told)
    return BenchRow(
        name="fan year",
        work=f"{days} days replayed, 48 h at 5 min planned anew every midnight, on one core",
        measured=timing.processor_seconds,
        aim=30.0,
        note=f"{sum(plan.cost > 0.0 for plan in told)} days with something to plan, {held} held; on the clock "
        f"{timing.clock_seconds:.1f} s",
    )


def by_general_solver(one: Case, longest_seconds: float) -> tuple[float, float, float]:
    """Cost, proven bound and processor seconds of the same plan as a mixed-integer linear program.

    The product of choice and concentration is written out by its four exact inequalities (McCormick 1976, Mathematical
    Programming 10: 147-175). It stops after `longest_seconds` with what it has by then; nan where it has nothing.
    """
    program = _Program(one.fan.steps, one.target)
    answers = []
    timing = best_of(lambda: answers.append(program.solve(longest_seconds)), 1)
    cost, bound = answers[-1]
    return cost, bound, timing.processor_seconds


class _Program:
    """Variables by the step: each speed asked for, concentration, its product with each, started at each."""

    def __init__(self, steps: FanSteps, target: AirTarget) -> None:
        self.count = steps.count
        self.speeds = steps.decay.shape[0] - 1
        self.steps = steps
        self.most = float(max(steps.trajectory(np.zeros(steps.count, dtype=np.intp)).max(), steps.start_ug_m3))
        self._entries: list[tuple[int, int, float]] = []
        self._low: list[float] = []
        self._high: list[float] = []
        self._lay_out(target)

    def _row(self, entries: list[tuple[int, float]], low: float, high: float) -> None:
        self._entries += [(len(self._low), column, value) for column, value in entries]
        self._low.append(low)
        self._high.append(high)

    def _lay_out(self, target: AirTarget) -> None:
        s, n, most, speeds = self.steps, self.count, self.most, self.speeds
        blocks = [range(k * n, (k + 1) * n) for k in range(3 * speeds + 1)]
        asks, level, boths, begins = blocks[:speeds], blocks[speeds], blocks[speeds + 1 : -speeds], blocks[-speeds:]
        by_speed = list(zip(range(1, speeds + 1), asks, boths, begins, strict=True))
        run, rest = _DWELL.run_steps(s.step_h), _DWELL.rest_steps(s.step_h)
        for t in range(n):
            if t + 1 < n:
                kept = [(level[t + 1], 1.0), (level[t], -s.decay[0, t])]
                kept += [(ask[t], s.gain[0, t] - s.gain[j, t]) for j, ask, _, _ in by_speed]
                kept += [(both[t], s.decay[0, t] - s.decay[j, t]) for j, _, both, _ in by_speed]
                self._row(kept, s.gain[0, t], s.gain[0, t])
            for _, ask, both, begun in by_speed:
                self._row([(both[t], 1.0), (ask[t], -most)], -np.inf, 0.0)
                self._row([(both[t], 1.0), (level[t], -1.0)], -np.inf, 0.0)
                self._row([(both[t], 1.0), (level[t], -1.0), (ask[t], -most)], -most, np.inf)
                self._row([*((begun[k], 1.0) for k in range(max(t - run + 1, 0), t + 1)), (ask[t], -1.0)], -np.inf, 0.0)
            asked = [(ask[t], -1.0) for ask in asks]
            self._row(asked, -1.0, 0.0)
            before = [(ask[t - 1], 1.0) for ask in asks] if t else []
            self._row([*((begun[t], 1.0) for begun in begins), *asked, *before], 0.0, np.inf)
            if t >= rest:
                started = [(begun[k], 1.0) for begun in begins for k in range(t - rest + 1, t + 1)]
                self._row([*started, *((ask[t - rest], 1.0) for ask in asks)], -np.inf, 1.0)
        period = target.periods(n)
        for number, allowance in enumerate(target.allowances(n, s.step_h)):
            inside = np.flatnonzero(period == number).tolist()
            terms = [(level[t], s.step_h * s.mean_decay[0, t]) for t in inside]
            for j, ask, both, _ in by_speed:
                terms += [(both[t], s.step_h * (s.mean_decay[j, t] - s.mean_decay[0, t])) for t in inside]
                terms += [(ask[t], s.step_h * (s.mean_gain[j, t] - s.mean_gain[0, t])) for t in inside]
            self._row(terms, -np.inf, float(allowance - s.step_h * s.mean_gain[0, inside].sum()))

    def solve(self, longest_seconds: float) -> tuple[float, float]:
        """Cost and bound when it is solved, or when time is up."""
        n, s, speeds = self.count, self.steps, self.speeds
        rows, columns, values = zip(*self._entries, strict=True)
        air, asked = (1 + speeds) * n, speeds * n
        matrix = coo_array((values, (rows, columns)), shape=(len(self._low), asked + air + asked)).tocsr()
        low = np.zeros(asked + air + asked)
        high = np.concatenate((s.allowed[1:].ravel(), np.full(air, self.most), np.ones(asked)))
        low[asked] = high[asked] = s.start_ug_m3
        answer = milp(
            np.concatenate((s.cost[1:].ravel(), np.zeros(air), np.tile(s.start_cost, speeds))),
            constraints=LinearConstraint(matrix, np.array(self._low), np.array(self._high)),
            bounds=Bounds(low, high),
            integrality=np.concatenate((np.ones(asked), np.zeros(air + asked))),
            options={"time_limit": longest_seconds},
        )
        bound = answer.mip_dual_bound
        return np.nan if answer.fun is None else float(answer.fun), np.nan if bound is None else float(bound)
