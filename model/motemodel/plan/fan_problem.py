"""What a plan of the fan is made for, put together once: the hours ahead, the house, and what the fan costs and may."""

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..bounds import FloatArray
from .fan import HouseRates, Outlook
from .fan_bound import Problem
from .fan_steps import Costs, Dwell, FanSteps, Speed, fan_steps


@dataclass(frozen=True)
class FanProblem:
    """The hours ahead, the house in them, what asking for its fan costs, its least times, and its speeds.

    Without `speeds` the fan has the one of the house's rates. Costs or speeds that do not fit the outlook's steps raise
    ValueError when the steps are laid out, which is done once.
    """

    outlook: Outlook
    rates: HouseRates
    costs: Costs = field(default_factory=Costs)
    dwell: Dwell = field(default_factory=Dwell)
    speeds: tuple[Speed, ...] = ()

    @cached_property
    def steps(self) -> FanSteps:
        """Every choice at every step."""
        only = Speed("on", self.rates.clean_air_per_h, self.rates.fan_power_w)
        return fan_steps(self.outlook, self.rates, self.speeds or (only,), self.costs)

    def under(self, outdoor_ug_m3: FloatArray) -> "FanProblem":
        """The same in other outdoor air, (T,)."""
        return replace(self, outlook=replace(self.outlook, outdoor_ug_m3=outdoor_ug_m3))

    def in_periods(self, period: NDArray[np.intp]) -> Problem:
        """The steps, with the averaging period of each, `period` (T,), and least times in whole steps."""
        step_h, dwell = self.outlook.step_h, self.dwell
        return Problem(
            steps=self.steps,
            run=dwell.run_steps(step_h),
            rest=dwell.rest_steps(step_h),
            period=period,
            running_now=dwell.running_now,
            speed_now=min(dwell.speed_now, max(len(self.speeds), 1)),
            committed=dwell.committed_steps(step_h),
        )
