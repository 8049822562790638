"""What the fan should do over the hours ahead, beside the simple alternatives on the same forecast."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from motemodel.estimate import Estimate
from motemodel.plan import (
    ALWAYS_ON,
    THERMOSTAT_ONLY,
    Dwell,
    FanPlan,
    FanProblem,
    HouseRates,
    Outlook,
    Speed,
    planned,
    simple_plans,
)

from ..settings import House
from ..signals import OUTDOOR_FORECAST, signal_named
from ..store import Series, from_us
from .account import Rates
from .assessment import Alternative, DataBehind, FanAdvice, FanSpan, Figure, HourAhead
from .fan_costs import budgets_ahead, cost_figure, costs_of, energy_figure, fan_power, noise_and_wear
from .fan_outlook import HORIZON_H, STEP, STEP_H, Ahead, ahead
from .fan_reason import decision, printed
from .fan_search import Found, find_schedule, find_within_budget
from .figures import figure
from .filter_load import FilterLoad
from .grid import GriddedHouse

BoolArray = NDArray[np.bool_]

_VALID_FOR = timedelta(minutes=15)
_SURE, _UNSURE, _DOUBTFUL = 0.9, 0.5, 0.2
_PERSISTENCE = "outdoor PM2.5 now, fading into this place's own daily pattern"
_CALLS = "calls by this house's habit at the temperature ahead, or as usual for the hour"
_BEHIND = ("indoor.pm25", "outdoor.pm25")


def fan_advice(
    house: House,
    gridded: GriddedHouse,
    rates: Rates,
    source_ug_m3_h: float,
    *,
    readings: Mapping[str, Series] | None = None,
    dwell: Dwell | None = None,
    load: FilterLoad | None = None,
    forecast_age_h: float | None = None,
) -> FanAdvice:
    """The best schedule of the next two days, beside simple ways of running the fan.

    The cheapest that holds the target, or where the house file sets a budget of a day the cleanest within it.

    `readings` tell which data are behind the advice, and hold the supplied forecast of the outdoor air if there is one;
    `dwell` what the fan is doing now and its least times; `load` what the filter's present drop makes of the airflow;
    `forecast_age_h` for how long the supplied forecast has told nothing new, if that is known.
    """
    target = house.targets.pm25
    planned_for = target * (1.0 - house.fan.margin)
    load = load or FilterLoad()
    delivered = rates.delivered_m3h.scaled(load.airflow_share)
    hours_ahead = ahead(house, gridded, (readings or {}).get(OUTDOOR_FORECAST), forecast_age_h=forecast_age_h)
    outlook, now = hours_ahead.outlook, hours_ahead.now
    surveyed_power, power_known = fan_power(house)
    power = surveyed_power * load.power_share
    # The plan speaks the indoor sensor's scale, in which the target is read.
    scaled = HouseRates(
        entry_per_h=rates.entry_per_h.value * rates.gain.value,
        loss_fan_off_per_h=rates.loss_per_h.value,
        clean_air_per_h=delivered.value / house.house.volume_m3,
        fan_power_w=power,
        source_ug_m3_h=source_ug_m3_h,
        fan_extra_entry_per_h=rates.fan_extra_entry_per_h * rates.gain.value,
    )
    costs = costs_of(house, scaled, hours_ahead)
    speeds = _speeds(house, hours_ahead, scaled)
    problem = FanProblem(outlook, scaled, costs, dwell or Dwell(house.fan.least_run, house.fan.least_rest), speeds)
    budgets = budgets_ahead(house, gridded, hours_ahead, power)

    def find(hours: Ahead) -> Found:
        if budgets is None:
            return find_schedule(hours, problem, planned_for)
        return find_within_budget(hours, problem, budgets)

    found = find(hours_ahead)
    best, forced = found.schedule.plan, found.forced
    plans = simple_plans(outlook, scaled, target)
    action, reason = decision(found, plans, scaled, target, house, budgets)
    return FanAdvice(
        action_now=action,
        reason=reason,
        valid_until=now + _valid_for(forced),
        forecast_basis="; ".join(filter(None, (_outdoor_basis(hours_ahead), _CALLS, load.told))),
        schedule=tuple(_spans(found.schedule.choice, speeds if house.fan.speeds else (), now)),
        run_hours=best.run_hours,
        energy_kwh=energy_figure(best, power_known),
        mean_pm25=_mean(best, hours_ahead, scaled),
        target_ug_m3=target,
        alternatives=tuple(
            Alternative(
                name=printed(plan.name),
                run_hours=plan.run_hours,
                energy_kwh=energy_figure(plan, power_known),
                mean_pm25=_mean(plan, hours_ahead, scaled),
                cost=cost_figure(plan, house, power_known),
                noise_and_wear_cost=noise_and_wear(plan, house, costs, hours_ahead),
                hours_above_target=plan.hours_above(target, STEP_H),
                holds_target=found.holds(plan, planned_for),
            )
            for plan in _shown(plans, found, planned_for)
        ),
        planned_from=now,
        planned_until=now + timedelta(hours=HORIZON_H),
        hours_above_target=best.hours_above(target, STEP_H),
        holds_target=found.holds(best, target),
        gap_to_bound=found.gap,
        noise_and_wear_cost=noise_and_wear(best, house, costs, hours_ahead),
        budget_left_kwh=None if budgets is None else tuple(budgets.round(3).tolist()),
        early_until=now + _stretch(found.early) * STEP if found.early[0] else None,
        expected_pm25_by_hour=tuple(_by_hour(best)),
        hours_ahead=_hours_ahead(best, hours_ahead, scaled),
        based_on=_behind(house, gridded, readings or {}),
        confidence=_confidence(found, delivered, find),
    )


def _outdoor_basis(hours: Ahead) -> str:
    """Where the outdoor air ahead is taken from."""
    if hours.stale_h:
        return f"{_PERSISTENCE} (the supplied forecast is left aside: nothing new in it for {hours.stale_h:.0f} h)"
    if not hours.supplied_h:
        return _PERSISTENCE
    supplied = f"the supplied forecast of outdoor PM2.5 for {hours.supplied_h} h"
    return supplied if hours.supplied_h == HORIZON_H else f"{supplied}, then this place's own daily pattern"


def _confidence(found: Found, delivered: Estimate, find: Callable[[Ahead], Found]) -> float:
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
        if bool(find(found.ahead.certain(outdoor)).forced[0]) != now:
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
    return min(_VALID_FOR, _stretch(forced) * STEP)


def _stretch(state: BoolArray) -> int:
    """Steps that the state of now lasts."""
    change = np.flatnonzero(state != state[0])
    return int(change[0]) if change.size else state.size


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
