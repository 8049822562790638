"""Simple ways of running the fan: what a timer, a switch or an indoor sensor with a threshold does."""

from collections.abc import Sequence

import numpy as np

from ..balance import exact_step
from ..bounds import FloatArray, finite, positive
from .fan import BoolArray, FanPlan, HouseRates, Outlook, planned

THERMOSTAT_ONLY = "thermostat only"
ALWAYS_ON = "always on"
ALWAYS_ON_BUT_QUIET = "always on outside quiet hours"
_MINUTES_PER_HOUR = (10, 15, 20, 30, 40, 50)
_THRESHOLD_SHARES = (0.4, 0.6, 0.8, 1.0)
_INDOOR_SHARES = (0.8, 1.0, 1.2)
_HYSTERESIS = 0.9
_LEAST_STEPS_H = 0.25


def simple_plans(outlook: Outlook, rates: HouseRates, target_ug_m3: float) -> tuple[FanPlan, ...]:
    """Thermostat only, always on, fixed minutes of each hour, and on above a threshold outdoors or indoors.

    A threshold of outdoor air is the level that would hold indoor air at a share of the target with the fan off.
    """
    positive("target_ug_m3", target_ug_m3)
    everywhere = np.ones(outlook.steps, dtype=np.bool_)
    always = ALWAYS_ON if outlook.allowed.all() else ALWAYS_ON_BUT_QUIET
    ways = [(THERMOSTAT_ONLY, ~everywhere), (always, everywhere)]
    ways += [(f"{minutes} min of each hour", minutes_of_each_hour(outlook, minutes)) for minutes in _MINUTES_PER_HOUR]
    ratio = rates.loss_fan_off_per_h / rates.entry_per_h if rates.entry_per_h > 0.0 else np.inf
    for share in _THRESHOLD_SHARES:
        threshold = share * target_ug_m3 * ratio
        if np.isfinite(threshold):
            ways.append((f"while outdoors is above {threshold:.0f} ug/m3", outlook.outdoor_ug_m3 > threshold))
    for share in _INDOOR_SHARES:
        threshold = share * target_ug_m3
        ways.append((f"while indoors is above {threshold:.0f} ug/m3", above_indoors(outlook, rates, threshold)))
    return tuple(planned(name, outlook.running(asked), outlook, rates) for name, asked in ways)


def best_plan(plans: Sequence[FanPlan], target_ug_m3: float) -> tuple[FanPlan, bool]:
    """The plan that holds the mean target on the least energy, and True; else the cleanest, and False."""
    if not plans:
        raise ValueError("plans: none given; give at least one way to run the fan")
    finite("target_ug_m3", target_ug_m3)
    holding = [plan for plan in plans if plan.mean_ug_m3 <= target_ug_m3]
    if holding:
        return min(holding, key=lambda plan: (plan.energy_kwh, plan.mean_ug_m3)), True
    return min(plans, key=lambda plan: (plan.mean_ug_m3, plan.energy_kwh)), False


def minutes_of_each_hour(outlook: Outlook, minutes: float) -> BoolArray:
    """Asked for in the first minutes of each hour of the clock, (T,)."""
    hour = (outlook.into_hour_h + np.arange(outlook.steps) * outlook.step_h + 1e-9) % 1.0
    return np.asarray(hour < minutes / 60.0)


def above_indoors(
    outlook: Outlook,
    rates: HouseRates,
    threshold_ug_m3: float,
    *,
    off_below: float = _HYSTERESIS,
    least_h: float = _LEAST_STEPS_H,
) -> BoolArray:
    """Asked for from when indoor PM2.5 is above the threshold until it is below `off_below` of it, (T,).

    A run and a rest last `least_h` at least; the sensor is read at the start of each step, and what is asked for where
    the fan may not run is passed over.
    """
    least_steps = max(int(np.ceil(least_h / outlook.step_h - 1e-9)), 1)
    resting = _steps_of(outlook, rates, np.zeros(outlook.steps, dtype=np.bool_))
    running = _steps_of(outlook, rates, np.ones(outlook.steps, dtype=np.bool_))
    level, asked, held = outlook.start_ug_m3, False, least_steps
    ways: list[bool] = []
    for rest, run in zip(resting, running, strict=True):
        wanted = level > threshold_ug_m3 * (off_below if asked else 1.0)
        if wanted != asked and held >= least_steps:
            asked, held = wanted, 0
        held += 1
        ways.append(asked)
        decay, gain = run if asked else rest
        level = decay * level + gain
    return np.array(ways)


def _steps_of(outlook: Outlook, rates: HouseRates, asked: BoolArray) -> list[tuple[float, float]]:
    """Decay and gain of the concentration over each step."""
    running = outlook.running(asked)
    leaked: FloatArray = running * rates.fan_extra_entry_per_h
    loss = rates.loss_fan_off_per_h + leaked + running * rates.clean_air_per_h
    supply = (rates.entry_per_h + leaked) * outlook.outdoor_ug_m3 + rates.source_ug_m3_h
    gain, _ = exact_step(0.0, supply, loss, outlook.step_h)
    return list(zip(np.exp(-loss * outlook.step_h).tolist(), gain.tolist(), strict=True))
