"""What the fan should do over the hours ahead, beside the simple alternatives on the same forecast."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from motemodel.estimate import Estimate
from motemodel.plan import (
    ALWAYS_ON,
    THERMOSTAT_ONLY,
    Costs,
    Dwell,
    FanPlan,
    HouseRates,
    Outlook,
    Speed,
    planned,
    simple_plans,
)
from motemodel.units import M3H_PER_CFM

from ..settings import BlowerType, House
from ..signals import OUTDOOR_FORECAST, signal_named
from ..store import Series, from_us
from .account import Rates
from .assessment import Alternative, DataBehind, FanAdvice, FanSpan, Figure, HourAhead, NotKnown
from .fan_outlook import HORIZON_H, STEP, STEP_H, Ahead, ahead
from .fan_reason import decision, printed
from .fan_search import Found, find_schedule
from .figures import figure, spread
from .grid import GriddedHouse

BoolArray = NDArray[np.bool_]

_VALID_FOR = timedelta(minutes=15)
_START_COSTS_H = 0.05
"""Wear of a start, as hours of running (common practice, no source): enough to let a run go on rather than flicker."""
_SURE, _UNSURE, _DOUBTFUL = 0.9, 0.5, 0.2
_PERSISTENCE = "outdoor PM2.5 now, fading into this place's own daily pattern"
_CALLS = "calls by this house's habit at the temperature ahead, or as usual for the hour"
_BEHIND = ("indoor.pm25", "outdoor.pm25")
_WATTS_PER_M3H = {
    BlowerType.PERMANENT_SPLIT_CAPACITOR: 0.414 / M3H_PER_CFM,
    BlowerType.CONSTANT_TORQUE: 0.281 / M3H_PER_CFM,
    BlowerType.CONSTANT_AIRFLOW: 0.281 / M3H_PER_CFM,
}
"""Default fan power at 0.5 in.w.c., ANSI/RESNET/ICC 301: 0.414 W/cfm split-capacitor, 0.281 W/cfm brushless."""


def fan_advice(
    house: House,
    gridded: GriddedHouse,
    rates: Rates,
    source_ug_m3_h: float,
    *,
    readings: Mapping[str, Series] | None = None,
    dwell: Dwell | None = None,
) -> FanAdvice:
    """The cheapest schedule of the next two days that holds the target, beside simple ways of running the fan.

    `readings` tell which data are behind the advice, and hold the supplied forecast of the outdoor air if there is one;
    `dwell` what the fan is doing now and its least times.
    """
    target = house.targets.pm25
    planned_for = target * (1.0 - house.fan.margin)
    dwell = dwell or Dwell(house.fan.least_run, house.fan.least_rest)
    hours_ahead = ahead(house, gridded, (readings or {}).get(OUTDOOR_FORECAST))
    outlook, now = hours_ahead.outlook, hours_ahead.now
    power, power_known = fan_power(house)
    # The plan speaks the indoor sensor's scale, in which the target is read.
    scaled = HouseRates(
        entry_per_h=rates.entry_per_h.value * rates.gain.value,
        loss_fan_off_per_h=rates.loss_per_h.value,
        clean_air_per_h=rates.delivered_m3h.value / house.house.volume_m3,
        fan_power_w=power,
        source_ug_m3_h=source_ug_m3_h,
        fan_extra_entry_per_h=rates.fan_extra_entry_per_h * rates.gain.value,
    )
    costs = _costs(house, scaled)
    speeds = _speeds(house, hours_ahead, scaled)
    found = find_schedule(hours_ahead, scaled, planned_for, costs, dwell, speeds)
    best, forced = found.schedule.plan, found.forced
    plans = simple_plans(outlook, scaled, target)
    action, reason = decision(found, plans, scaled, target, house)
    return FanAdvice(
        action_now=action,
        reason=reason,
        valid_until=now + _valid_for(forced),
        forecast_basis=f"{_outdoor_basis(hours_ahead)}; {_CALLS}",
        schedule=tuple(_spans(found.schedule.choice, speeds if house.fan.speeds else (), now)),
        run_hours=best.run_hours,
        energy_kwh=_energy(best, power_known),
        mean_pm25=_mean(best, hours_ahead, scaled),
        target_ug_m3=target,
        alternatives=tuple(
            Alternative(
                name=printed(plan.name),
                run_hours=plan.run_hours,
                energy_kwh=_energy(plan, power_known),
                mean_pm25=_mean(plan, hours_ahead, scaled),
                cost=_cost(plan, house, power_known),
                hours_above_target=plan.hours_above(target, STEP_H),
                holds_target=found.holds(plan, planned_for),
            )
            for plan in _shown(plans, found, planned_for)
        ),
        planned_until=now + timedelta(hours=HORIZON_H),
        hours_above_target=best.hours_above(target, STEP_H),
        holds_target=found.holds(best, target),
        gap_to_bound=found.schedule.gap,
        expected_pm25_by_hour=tuple(_by_hour(best)),
        hours_ahead=_hours_ahead(best, hours_ahead, scaled),
        based_on=_behind(house, gridded, readings or {}),
        confidence=_confidence(found, rates.delivered_m3h, scaled, planned_for, costs, dwell, speeds),
    )


def _outdoor_basis(hours: Ahead) -> str:
    """Where the outdoor air ahead is taken from."""
    if not hours.supplied_h:
        return _PERSISTENCE
    supplied = f"the supplied forecast of outdoor PM2.5 for {hours.supplied_h} h"
    return supplied if hours.supplied_h == HORIZON_H else f"{supplied}, then this place's own daily pattern"


def _costs(house: House, rates: HouseRates) -> Costs:
    """Energy at the tariff, or a kilowatt-hour as the currency, and the wear of a start."""
    price = house.tariff.per_kwh or 1.0
    return Costs(price_per_kwh=price, per_start=price * rates.fan_power_w / 1000.0 * _START_COSTS_H)


def _confidence(
    found: Found,
    delivered: Estimate,
    rates: HouseRates,
    target: float,
    costs: Costs,
    dwell: Dwell,
    speeds: tuple[Speed, ...],
) -> float:
    """How sure it is that what is advised now is right, given what the outdoor air may do: at least this.

    If the plans for both ends of the forecast's 90 % interval ask for the same now, so do those between; if one end
    differs, the turning point lies beyond the middle, and the chance is at least a half. A run is doubtful while it
    cannot be told that the fan cleans at all.
    """
    forecast = found.ahead.forecast
    now = bool(found.forced[0])
    if delivered.value <= 0.0 or (now and delivered.low <= 0.0):
        return _DOUBTFUL
    for outdoor in (forecast.low, forecast.high):
        end = replace(found.ahead, outlook=found.ahead.under(outdoor))
        if bool(find_schedule(end, rates, target, costs, dwell, speeds).forced[0]) != now:
            return _UNSURE
    return _SURE


def _behind(house: House, gridded: GriddedHouse, readings: Mapping[str, Series]) -> tuple[DataBehind, ...]:
    """The newest readings of the signals that no advice can do without, and how long they stand in for newer ones."""
    behind = []
    for name in _BEHIND:
        series = readings.get(name)
        if series is not None and len(series):
            newest = from_us(int(series.time_us[-1]))
            known = np.flatnonzero(np.isfinite(gridded.values_or_nan(name)))
            if not known.size or known[-1] < gridded.grid.count - 1:
                # What came since was of no use: a sensor that is stuck or tells nonsense is a lost one.
                steps = int(known[-1]) + 1 if known.size else 0
                newest = min(newest, gridded.moment(gridded.grid.start_h + steps * gridded.grid.step_h))
            hold_h = house.sensor(name).hold or signal_named(name).hold_h
            behind.append(DataBehind(signal=name, newest=newest, good_until=newest + timedelta(hours=hold_h)))
    return tuple(behind)


def _shown(plans: Sequence[FanPlan], found: Found, target: float) -> tuple[FanPlan, ...]:
    """The ends of the range, the best simple way of all, one of the fixed cycles and one of each kind of threshold."""
    best = min(plans, key=lambda plan: (not found.holds(plan, target), plan.energy_kwh))
    kinds = {
        "each hour": [plan for plan in plans if plan.name.endswith("each hour")],
        "while outdoors": [plan for plan in plans if plan.name.startswith("while outdoors")],
        "while indoors": [plan for plan in plans if plan.name.startswith("while indoors")],
    }
    usual = {id(ways[len(ways) // 2]) for ways in kinds.values() if ways}
    ends = {id(plan) for plan in plans if plan.name == THERMOSTAT_ONLY or plan.name.startswith(ALWAYS_ON)}
    return tuple(plan for plan in plans if id(plan) in {id(best), *usual, *ends})


def fan_power(house: House) -> tuple[float, bool]:
    """Fan power, W, and whether the house file states it."""
    handler = house.air_handler
    if handler.fan_power is not None:
        return handler.fan_power, True
    return (handler.airflow or 2000.0) * _WATTS_PER_M3H[handler.blower], False


def _energy(plan: FanPlan, power_known: bool) -> Figure:
    return figure(energy_kwh(plan.energy_kwh, power_known), "kWh")


def energy_kwh(reckoned_kwh: float, power_known: bool) -> Estimate:
    """Fan energy with its spread: power as surveyed is good to a tenth, a usual figure to a half (common practice)."""
    return spread(reckoned_kwh, 1.1 if power_known else 1.5)


def _cost(plan: FanPlan, house: House, power_known: bool) -> Figure:
    price = house.tariff.per_kwh
    if price is None:
        return NotKnown(reason="the house file gives no tariff; add tariff.per_kwh")
    return figure(energy_kwh(plan.energy_kwh, power_known).scaled(price), house.tariff.currency or "money")


def _mean(plan: FanPlan, hours: Ahead, rates: HouseRates) -> Figure:
    """Mean PM2.5 of a plan with the interval that the forecast's own interval gives it."""

    def under(outdoor: Outlook) -> float:
        return planned(plan.name, plan.running, outdoor, rates).mean_ug_m3

    low, high = under(hours.under(hours.forecast.low)), under(hours.under(hours.forecast.high))
    return figure(Estimate(plan.mean_ug_m3, min(low, plan.mean_ug_m3), max(high, plan.mean_ug_m3)), "ug/m3")


def _by_hour(plan: FanPlan) -> list[float]:
    """Indoor PM2.5 of a plan, hourly means, ug/m3."""
    means: list[float] = plan.indoor_ug_m3.reshape(HORIZON_H, -1).mean(axis=1).round(2).tolist()
    return means


def _hours_ahead(plan: FanPlan, hours: Ahead, rates: HouseRates) -> tuple[HourAhead, ...]:
    """The forecast by hours, with what its own interval makes of the air indoors under the plan."""
    forecast = hours.forecast
    low, high = (
        _by_hour(planned(plan.name, plan.running, hours.under(outdoor), rates))
        for outdoor in (forecast.low, forecast.high)
    )
    outdoors = (each.round(2).tolist() for each in (forecast.expected, forecast.low, forecast.high))
    return tuple(
        HourAhead(
            start=hours.now + timedelta(hours=k),
            outdoor_pm25=out,
            outdoor_between=(min(out_low, out), max(out_high, out)),
            indoor_pm25=expected,
            indoor_between=(min(low[k], expected), max(high[k], expected)),
        )
        for k, (expected, out, out_low, out_high) in enumerate(zip(_by_hour(plan), *outdoors, strict=True))
    )


def _valid_for(forced: BoolArray) -> timedelta:
    """How long what is advised now stands: until the plan changes it, and no longer than new readings take to come."""
    change = np.flatnonzero(forced != forced[0])
    return min(_VALID_FOR, int(change[0]) * STEP) if change.size else _VALID_FOR


def _spans(choice: NDArray[np.intp], speeds: Sequence[Speed], now: datetime) -> Iterator[FanSpan]:
    """The stretches in which the plan runs the fan beyond the thermostat's calls, each at one speed."""
    edges = np.flatnonzero(np.diff(choice, prepend=0, append=0))
    for first, last in pairwise(edges.tolist()):
        if choice[first] > 0:
            name = speeds[choice[first] - 1].name if speeds else None
            yield FanSpan(start=now + first * STEP, end=now + last * STEP, speed=name)


def _speeds(house: House, hours: Ahead, rates: HouseRates) -> tuple[Speed, ...]:
    """The speeds of the house file: clean air goes with the airflow; a quiet one may run in quiet hours."""
    airflow = house.air_handler.airflow
    found = []
    for speed in house.fan.speeds:
        share = 1.0 if airflow is None else speed.airflow / airflow
        allowed = np.ones_like(hours.outlook.allowed) if speed.quiet else None
        found.append(Speed(speed.name, rates.clean_air_per_h * share, speed.power, allowed))
    return tuple(found)
