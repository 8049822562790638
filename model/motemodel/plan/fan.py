"""How to run the fan over the hours ahead: simple ways and a search over them, all on one outlook and one house.

PM2.5 as one size class: dC/dt = entry C_out + source - (loss + u clean_air) C, solved exactly by `balance`.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from ..balance import Cleaner, Inputs, solve
from ..particles.bounds import FloatArray, finite, fraction, not_negative, positive

BoolArray = NDArray[np.bool_]

THERMOSTAT_ONLY = "thermostat only"
ALWAYS_ON = "always on"
ALWAYS_ON_BUT_QUIET = "always on outside quiet hours"
_MINUTES_PER_HOUR = (10, 15, 20, 30, 40, 50)
_THRESHOLD_SHARES = (0.4, 0.6, 0.8, 1.0)


@dataclass(frozen=True)
class HouseRates:
    """The house as the plan sees it, all 1/h: entry P a, loss with the fan off, clean air while it runs over volume.

    `source_ug_m3_h` is what is made indoors on average, per volume; `fan_power_w` what the running fan draws;
    `fan_extra_entry_per_h` the outdoor air that leaky ducts draw in, and push out, while it runs.
    """

    entry_per_h: float
    loss_fan_off_per_h: float
    clean_air_per_h: float
    fan_power_w: float
    source_ug_m3_h: float = 0.0
    fan_extra_entry_per_h: float = 0.0

    def __post_init__(self) -> None:
        for field in fields(self):
            not_negative(field.name, getattr(self, field.name))


@dataclass(frozen=True)
class Outlook:
    """The T steps ahead.

    `outdoor_ug_m3`; `called`: the share of each step that heating or cooling runs the fan anyway; `allowed`: whether
    the fan may be run for the air; `start_ug_m3`: indoor PM2.5 now; `into_hour_h`: how far into an hour of the clock
    the first step begins, so that a plan made anew every minute keeps its minutes of each hour.
    """

    step_h: float
    outdoor_ug_m3: FloatArray
    called: FloatArray
    allowed: BoolArray
    start_ug_m3: float
    into_hour_h: float = 0.0

    def __post_init__(self) -> None:
        fraction("into_hour_h", self.into_hour_h)
        positive("step_h", self.step_h)
        not_negative("start_ug_m3", self.start_ug_m3)
        shapes = {
            not_negative("outdoor_ug_m3", self.outdoor_ug_m3).shape,
            fraction("called", self.called).shape,
            np.shape(self.allowed),
        }
        if len(shapes) != 1 or len(next(iter(shapes))) != 1 or next(iter(shapes)) == (0,):
            raise ValueError(f"outlook: shapes {sorted(shapes)} differ or are empty; give one value a step to each")

    @property
    def steps(self) -> int:
        """Number of steps."""
        return int(self.outdoor_ug_m3.size)


@dataclass(frozen=True)
class FanPlan:
    """One way to run the fan: `running` (T,) 0..1, the mean PM2.5 (ug/m3), hours run, energy (kWh)."""

    name: str
    running: FloatArray
    mean_ug_m3: float
    run_hours: float
    energy_kwh: float


def planned(name: str, running: FloatArray, outlook: Outlook, rates: HouseRates) -> FanPlan:
    """What a way of running the fan comes to; `running` (T,) includes the thermostat's own calls."""
    mean = _indoor_means(running, outlook, rates)
    hours = float(running.sum()) * outlook.step_h
    return FanPlan(name, running, float(mean.mean()), hours, hours * rates.fan_power_w / 1000.0)


def simple_plans(outlook: Outlook, rates: HouseRates, target_ug_m3: float) -> tuple[FanPlan, ...]:
    """Thermostat only, always on, fixed minutes of each hour, and on while the outdoor air is above a threshold.

    A threshold of outdoor air is the level that would hold indoor air at a share of the target with the fan off.
    """
    positive("target_ug_m3", target_ug_m3)
    plans = [
        planned(THERMOSTAT_ONLY, outlook.called, outlook, rates),
        planned(
            ALWAYS_ON if outlook.allowed.all() else ALWAYS_ON_BUT_QUIET,
            np.maximum(outlook.called, outlook.allowed),
            outlook,
            rates,
        ),
    ]
    hour = (outlook.into_hour_h + np.arange(outlook.steps) * outlook.step_h + 1e-9) % 1.0
    for minutes in _MINUTES_PER_HOUR:
        cycled = outlook.allowed & (hour < minutes / 60.0)
        plans.append(planned(f"{minutes} min of each hour", np.maximum(outlook.called, cycled), outlook, rates))
    ratio = rates.loss_fan_off_per_h / rates.entry_per_h if rates.entry_per_h > 0.0 else np.inf
    for share in _THRESHOLD_SHARES:
        threshold = share * target_ug_m3 * ratio
        if np.isfinite(threshold):
            poor = outlook.allowed & (outlook.outdoor_ug_m3 > threshold)
            name = f"while outdoors is above {threshold:.0f} ug/m3"
            plans.append(planned(name, np.maximum(outlook.called, poor), outlook, rates))
    return tuple(plans)


def best_plan(plans: Sequence[FanPlan], target_ug_m3: float) -> tuple[FanPlan, bool]:
    """The plan that holds the mean target on the least energy, and True; else the cleanest, and False."""
    if not plans:
        raise ValueError("plans: none given; give at least one way to run the fan")
    finite("target_ug_m3", target_ug_m3)
    holding = [plan for plan in plans if plan.mean_ug_m3 <= target_ug_m3]
    if holding:
        return min(holding, key=lambda plan: (plan.energy_kwh, plan.mean_ug_m3)), True
    return min(plans, key=lambda plan: (plan.mean_ug_m3, plan.energy_kwh)), False


def _indoor_means(running: FloatArray, outlook: Outlook, rates: HouseRates) -> FloatArray:
    """Mean indoor PM2.5 of each step, (T,)."""
    # Rates per volume are airflows of a house of one cubic metre.
    leaked = running * rates.fan_extra_entry_per_h
    inputs = Inputs(
        volume_m3=1.0,
        step_h=outlook.step_h,
        outdoor_ug_m3=outlook.outdoor_ug_m3[np.newaxis, :],
        infiltration_m3h=rates.entry_per_h,
        intake_m3h=leaked,
        outflow_m3h=rates.loss_fan_off_per_h + leaked,
        emission_ug_h=rates.source_ug_m3_h,
        cleaners=(Cleaner("fan", rates.clean_air_per_h, 1.0, running),),
    )
    return np.asarray(solve(inputs, outlook.start_ug_m3).mean[0])
