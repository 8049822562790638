"""What running the fan costs in this house: power and energy, noise and wear, and the budget of a day."""

from datetime import datetime

import numpy as np

from motemodel.bounds import FloatArray
from motemodel.estimate import Estimate
from motemodel.plan import Costs, FanPlan, HouseRates
from motemodel.units import M3H_PER_CFM

from ..settings import BlowerType, House
from .assessment import Figure, NotKnown
from .fan_outlook import STEP, STEP_H, Ahead
from .figures import figure, spread
from .grid import GriddedHouse

_START_COSTS_H = 0.05
"""Wear of a start, as hours of running (common practice, no source): enough to let a run go on rather than flicker."""
_WATTS_PER_M3H = {
    BlowerType.PERMANENT_SPLIT_CAPACITOR: 0.414 / M3H_PER_CFM,
    BlowerType.CONSTANT_TORQUE: 0.281 / M3H_PER_CFM,
    BlowerType.CONSTANT_AIRFLOW: 0.281 / M3H_PER_CFM,
}
"""Default fan power at 0.5 in.w.c., ANSI/RESNET/ICC 301: 0.414 W/cfm split-capacitor, 0.281 W/cfm brushless."""


def costs_of(house: House, rates: HouseRates, hours: Ahead) -> Costs:
    """Energy at the tariff, or a kilowatt-hour as the currency; noise by the hour; wear of hours and of starts."""
    price = house.tariff.per_kwh or 1.0
    per_start = house.fan.wear_per_start
    if per_start is None:
        per_start = price * rates.fan_power_w / 1000.0 * _START_COSTS_H
    return Costs(
        price_per_kwh=price,
        noise_per_h=_noise_ahead(house, hours.now, hours.outlook.steps),
        wear_per_h=house.fan.wear_per_h,
        per_start=per_start,
    )


def _noise_ahead(house: House, now: datetime, steps: int) -> FloatArray:
    """What an hour of the fan is to people's ears in each step, (T,), by the local time of its middle."""
    noise = np.zeros(steps)
    if house.fan.noise:
        locals_ = [(now + (k + 0.5) * STEP).astimezone(house.zone).time() for k in range(steps)]
        for span in house.fan.noise:
            noise += [span.per_h if span.holds(local) else 0.0 for local in locals_]
    return noise


def noise_and_wear(plan: FanPlan, house: House, costs: Costs, hours: Ahead) -> float | None:
    """What a plan costs beside its energy, in the tariff's money; None where the house file prices neither."""
    return costs.of_noise_and_wear(plan.running, hours.outlook) if _prices_noise_or_wear(house) else None


def _prices_noise_or_wear(house: House) -> bool:
    return bool(house.fan.noise or house.fan.wear_per_h or house.fan.wear_per_start)


def daily_budget_kwh(house: House) -> float | None:
    """What a day's running beyond the thermostat's calls may take, kWh; None where the target tells instead."""
    fan, price = house.fan, house.tariff.per_kwh
    if fan.energy_per_day is not None:
        return fan.energy_per_day
    if fan.money_per_day is None:
        return None
    return fan.money_per_day / price if price else 0.0


def budgets_ahead(house: House, gridded: GriddedHouse, hours: Ahead, power_w: float) -> FloatArray | None:
    """The budget of each calendar day ahead, (K,) kWh: today's less what is spent, whole days, a part of the last.

    What the fan has run today beyond the calls counts at its full power, whoever asked for it.
    """
    daily = daily_budget_kwh(house)
    if daily is None:
        return None
    budgets = daily * np.bincount(hours.days) * STEP_H / hours.day_h
    budgets[0] = daily - _run_today_h(gridded, hours.since_midnight_h) * power_w / 1000.0
    return np.asarray(np.maximum(budgets, 0.0))


def _run_today_h(gridded: GriddedHouse, since_midnight_h: float) -> float:
    """Hours that the fan has run today beyond the calls, as far as they are known."""
    steps = min(round(since_midnight_h / gridded.grid.step_h), gridded.grid.count)
    if not steps:
        return 0.0
    calls = [found for found in map(gridded.values, ("cooling.running", "heating.running")) if found is not None]
    called = np.nan_to_num(np.fmax.reduce(calls)) if calls else np.zeros(gridded.grid.count)
    beyond = np.maximum(np.nan_to_num(gridded.fan) - called, 0.0)
    return float(beyond[-steps:].sum()) * gridded.grid.step_h


def fan_power(house: House) -> tuple[float, bool]:
    """Fan power, W, and whether the house file states it."""
    handler = house.air_handler
    if handler.fan_power is not None:
        return handler.fan_power, True
    return (handler.airflow or 2000.0) * _WATTS_PER_M3H[handler.blower], False


def energy_figure(plan: FanPlan, power_known: bool) -> Figure:
    """Energy of a plan with its spread."""
    return figure(energy_kwh(plan.energy_kwh, power_known), "kWh")


def energy_kwh(reckoned_kwh: float, power_known: bool) -> Estimate:
    """Fan energy with its spread: power as surveyed is good to a tenth, a usual figure to a half (common practice)."""
    return spread(reckoned_kwh, 1.1 if power_known else 1.5)


def cost_figure(plan: FanPlan, house: House, power_known: bool) -> Figure:
    """Cost of a plan's energy at the tariff."""
    price = house.tariff.per_kwh
    if price is None:
        return NotKnown(reason="the house file gives no tariff; add tariff.per_kwh")
    return figure(energy_kwh(plan.energy_kwh, power_known).scaled(price), house.tariff.currency or "money")
