"""The schedule that is advised, and what had to be given up for it."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from motemodel.bounds import FloatArray
from motemodel.plan import FanPlan, FanProblem, Schedule, best_air_by_days, wary_schedule

from .fan_outlook import Ahead

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Found:
    """A schedule, and what had to be given up for it.

    `forgiving`: that what is left of today makes up for its beginning; `unguarded`: the rest after cooling calls.
    `least_mean_ug_m3`: within a budget, the mean below which no schedule comes; None where the target tells.
    """

    schedule: Schedule
    ahead: Ahead
    forgiving: bool
    unguarded: bool
    least_mean_ug_m3: float | None = None

    @property
    def gap(self) -> float:
        """Share of the cost, or within a budget of the mean, that a perfect schedule might still save at most, 0..1."""
        if self.least_mean_ug_m3 is None:
            return self.schedule.gap
        mean = self.schedule.plan.mean_ug_m3
        return max(1.0 - self.least_mean_ug_m3 / mean, 0.0) if mean > 0.0 else 0.0

    def holds(self, plan: FanPlan, target: float) -> bool:
        """Whether another way of running the fan keeps the same target by the same days."""
        outlook = self.ahead.outlook
        air = self.ahead.target(target, forgiving=self.forgiving)
        exposure = np.bincount(air.periods(outlook.steps), weights=plan.indoor_ug_m3 * outlook.step_h)
        return bool((exposure <= air.allowances(outlook.steps, outlook.step_h) + 1e-9).all())

    @property
    def forced(self) -> BoolArray:
        """Where the fan is asked for, (T,)."""
        return self.schedule.choice > 0

    @property
    def early(self) -> BoolArray:
        """Where the fan is asked for in case the air turns, and could rest if it came as expected, (T,)."""
        bold = self.schedule.bold
        return np.zeros_like(self.forced) if bold is None else self.forced & (bold.choice == 0)


def find_within_budget(hours: Ahead, fan: FanProblem, budgets_kwh: FloatArray) -> Found:
    """The cleanest air that the budgets of the calendar days buy; the rest after cooling calls is kept."""
    schedule, least = best_air_by_days(replace(fan, outlook=hours.outlook), budgets_kwh, hours.days)
    return Found(schedule, hours, forgiving=False, unguarded=False, least_mean_ug_m3=least)


def find_schedule(hours: Ahead, fan: FanProblem, target: float) -> Found:
    """The cheapest schedule that holds the target by calendar days, and today's even in air as feared.

    Where none does, what is left of today need not make up for its beginning; where that does not help, the rest after
    cooling calls is given up: smoke is worse than a damp day.
    """
    ways = [(hours, False)]
    if hours.today_ug_m3 > target:
        ways.append((hours, True))
    if hours.guarded:
        ways.append((hours.unguarded(), True))
    for way, forgiving in ways:
        air = way.target(target, forgiving=forgiving)
        feared_ug_m3 = way.under(way.forecast.feared).outdoor_ug_m3
        schedule = wary_schedule(replace(fan, outlook=way.outlook), feared_ug_m3, air)
        found = Found(schedule, way, forgiving, way is not hours)
        if found.schedule.holds:
            break
    return found
