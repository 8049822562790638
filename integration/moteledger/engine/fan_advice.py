"""What the fan should do over the hours ahead, beside the simple alternatives on the same forecast."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from motemodel.estimate import Estimate
from motemodel.plan import (
    THERMOSTAT_ONLY,
    FanPlan,
    Forecast,
    HouseRates,
    Outlook,
    best_plan,
    outdoor_forecast,
    planned,
    simple_plans,
    usual_share_by_hour,
)
from motemodel.units import M3H_PER_CFM, Quantity, from_inside

from ..settings import BlowerType, House, QuietHours, Units
from .account import Rates
from .assessment import Alternative, FanAdvice, FanSpan, Figure, NotKnown
from .figures import figure, spread
from .grid import GriddedHouse

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

HORIZON_H = 24
_STEP = timedelta(minutes=5)
_STEP_H = _STEP / timedelta(hours=1)
_VALID_FOR = timedelta(minutes=15)
_WATTS_PER_M3H = {
    BlowerType.PERMANENT_SPLIT_CAPACITOR: 0.414 / M3H_PER_CFM,
    BlowerType.CONSTANT_TORQUE: 0.281 / M3H_PER_CFM,
    BlowerType.CONSTANT_AIRFLOW: 0.281 / M3H_PER_CFM,
}
"""Default fan power at 0.5 in.w.c., ANSI/RESNET/ICC 301: 0.414 W/cfm split-capacitor, 0.281 W/cfm brushless."""


@dataclass(frozen=True)
class Hourly:
    """The past as hours: outdoor PM2.5 and share called, (N,) each, and the local hour of the day of each."""

    outdoor_ug_m3: FloatArray
    called: FloatArray
    hour_of_day: NDArray[np.intp]


def fan_advice(house: House, gridded: GriddedHouse, rates: Rates, source_ug_m3_h: float) -> FanAdvice:
    """Search the simple ways of running the fan over the next day for the cheapest that holds the target."""
    now = gridded.moment(gridded.grid.end_h)
    target = house.targets.pm25
    past = _hourly(house, gridded)
    forecast = outdoor_forecast(past.outdoor_ug_m3, past.hour_of_day, HORIZON_H)
    usual_calls = usual_share_by_hour(past.called, past.hour_of_day)
    power, power_known = _fan_power(house)
    hours = (past.hour_of_day[-1] + 1 + np.arange(HORIZON_H)) % 24
    per_hour = round(1.0 / _STEP_H)
    middle = Outlook(
        step_h=_STEP_H,
        outdoor_ug_m3=np.repeat(forecast.value, per_hour),
        called=np.repeat(usual_calls[hours], per_hour),
        allowed=_allowed(house, now, HORIZON_H * per_hour),
        start_ug_m3=_start(gridded),
        into_hour_h=_into_hour_h(now.astimezone(house.zone).time()),
    )
    # The plan speaks the indoor sensor's scale, in which the target is read.
    scaled = HouseRates(
        entry_per_h=rates.entry_per_h.value * rates.gain.value,
        loss_fan_off_per_h=rates.loss_per_h.value,
        clean_air_per_h=rates.delivered_m3h.value / house.house.volume_m3,
        fan_power_w=power,
        source_ug_m3_h=source_ug_m3_h,
    )
    plans = simple_plans(middle, scaled, target)
    best, holds = best_plan(plans, target)
    forced = best.running > middle.called + 1e-9
    action, reason = _decision(best, holds, bool(forced[0]), scaled, target, house)
    others = [plan for plan in plans if plan.name in (best.name, *_shown(plans))]
    return FanAdvice(
        action_now=action,
        reason=reason,
        valid_until=now + _valid_for(forced),
        forecast_basis="outdoor PM2.5 now, fading into this place's own daily pattern; calls as usual for the hour",
        schedule=tuple(_spans(forced, now)),
        run_hours=best.run_hours,
        energy_kwh=_energy(best, power_known),
        mean_pm25=_mean(best, forecast, middle, scaled),
        target_ug_m3=target,
        alternatives=tuple(
            Alternative(
                name=_printed(plan.name),
                run_hours=plan.run_hours,
                energy_kwh=_energy(plan, power_known),
                mean_pm25=_mean(plan, forecast, middle, scaled),
                cost=_cost(plan, house, power_known),
            )
            for plan in others
        ),
        planned_until=now + timedelta(hours=HORIZON_H),
    )


def _shown(plans: tuple[FanPlan, ...]) -> list[str]:
    """The ends of the range, one of the fixed cycles and one of the thresholds."""
    cycles = [plan.name for plan in plans if plan.name.endswith("each hour")]
    thresholds = [plan.name for plan in plans if plan.name.startswith("while")]
    return [plans[0].name, plans[1].name, *cycles[3:4], *thresholds[-1:]]


def _decision(
    best: FanPlan, holds: bool, extra: bool, rates: HouseRates, target: float, house: House
) -> tuple[Literal["run", "rest", "leave"], str]:
    """What to do now, and why; `extra`: the plan runs the fan now beyond the thermostat's calls."""
    if rates.clean_air_per_h <= 0.0:
        return "leave", "It is not known yet how much clean air the running fan delivers, so nothing is advised."
    mean, way = f"{best.mean_ug_m3:.0f} µg/m³", _printed(best.name)
    if not holds:
        clean = _airflow(_room_cleaner_m3h(best, rates, target, house), house)
        return (
            "run" if extra else "leave",
            f"Filtering alone cannot hold {target:g} µg/m³ in the next {HORIZON_H} h; the cleanest way, {way}, "
            f"comes to {mean}. A room cleaner that gives about {clean} of clean air would close the gap.",
        )
    if best.name == THERMOSTAT_ONLY:
        return "rest", f"The thermostat's own calls hold the air at {mean}, within {target:g} µg/m³."
    sentence = f"Running it {way} holds the air at {mean}, within {target:g} µg/m³, on the least energy."
    return ("run" if extra else "rest"), sentence


def _printed(name: str) -> str:
    """The name of a plan with its unit as it is printed."""
    return name.replace("ug/m3", "µg/m³")


def _airflow(m3h: float, house: House) -> str:
    """An airflow to two digits, in the house's system first."""
    both = ((m3h, "m³/h"), (float(from_inside(m3h, "cfm", Quantity.AIRFLOW)), "cfm"))
    (first, unit), (second, other) = both if house.units is Units.SI else both[::-1]
    return f"{_two_digits(first)} {unit} ({_two_digits(second)} {other})"


def _two_digits(number: float) -> str:
    return f"{float(f'{number:.1e}'):,.0f}"


def _room_cleaner_m3h(best: FanPlan, rates: HouseRates, target: float, house: House) -> float:
    """Clean air, m3/h, that is missing to the target: at rest the concentration is supply over loss."""
    loss = rates.loss_fan_off_per_h + float(best.running.mean()) * rates.clean_air_per_h
    return max(best.mean_ug_m3 / target - 1.0, 0.0) * loss * house.house.volume_m3


def _hourly(house: House, gridded: GriddedHouse) -> Hourly:
    """The hours of the period, the last one ending now; the first may be known in part."""
    per_hour = round(1.0 / gridded.grid.step_h)
    count = -(-gridded.grid.count // per_hour)
    calls = [gridded.values(name) for name in ("heating.running", "cooling.running")]
    known = [call for call in calls if call is not None]
    called = np.fmax.reduce(known) if known else np.zeros(gridded.grid.count)
    end_h = gridded.grid.end_h
    hours = [gridded.moment(end_h - (count - k)).astimezone(house.zone).hour for k in range(count)]
    return Hourly(
        outdoor_ug_m3=_means(gridded.values_or_nan("outdoor.pm25"), per_hour),
        called=_means(called, per_hour),
        hour_of_day=np.array(hours, dtype=np.intp),
    )


def _means(values: FloatArray, width: int) -> FloatArray:
    """Means of `width` values each, counted from the end; NaN where none is known."""
    rows = np.concatenate((np.full(-values.size % width, np.nan), values)).reshape(-1, width)
    known = np.isfinite(rows)
    count = known.sum(axis=1)
    return np.where(count > 0, np.where(known, rows, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _allowed(house: House, now: datetime, steps: int) -> BoolArray:
    """Where the fan may be run for the air: outside the quiet hours."""
    moments = [(now + k * _STEP).astimezone(house.zone).time() for k in range(steps)]
    return np.array([not any(_within(moment, quiet) for quiet in house.quiet_hours) for moment in moments])


def _within(moment: time, quiet: QuietHours) -> bool:
    if quiet.start <= quiet.end:
        return quiet.start <= moment < quiet.end
    return moment >= quiet.start or moment < quiet.end


def _start(gridded: GriddedHouse) -> float:
    indoor = gridded.values_or_nan("indoor.pm25")
    return max(float(indoor[np.isfinite(indoor)][-1]), 0.0)


def _fan_power(house: House) -> tuple[float, bool]:
    """Fan power, W, and whether the house file states it."""
    handler = house.air_handler
    if handler.fan_power is not None:
        return handler.fan_power, True
    return (handler.airflow or 2000.0) * _WATTS_PER_M3H[handler.blower], False


def _energy(plan: FanPlan, power_known: bool) -> Figure:
    return figure(_energy_kwh(plan, power_known), "kWh")


def _energy_kwh(plan: FanPlan, power_known: bool) -> Estimate:
    """Fan power as surveyed is good to a tenth, a usual figure to a half (common practice, no source)."""
    return spread(plan.energy_kwh, 1.1 if power_known else 1.5)


def _cost(plan: FanPlan, house: House, power_known: bool) -> Figure:
    price = house.tariff.per_kwh
    if price is None:
        return NotKnown(reason="the house file gives no tariff; add tariff.per_kwh")
    return figure(_energy_kwh(plan, power_known).scaled(price), house.tariff.currency or "money")


def _mean(plan: FanPlan, forecast: Forecast, outlook: Outlook, rates: HouseRates) -> Figure:
    """Mean PM2.5 of a plan with the interval that the forecast's own interval gives it."""

    def under(outdoor: FloatArray) -> float:
        return planned(plan.name, plan.running, replace(outlook, outdoor_ug_m3=outdoor), rates).mean_ug_m3

    width = outlook.steps // forecast.value.size
    low, high = under(np.repeat(forecast.low, width)), under(np.repeat(forecast.high, width))
    return figure(Estimate(plan.mean_ug_m3, low, high), "ug/m3")


def _into_hour_h(local: time) -> float:
    return (local.minute + local.second / 60.0) / 60.0


def _valid_for(forced: BoolArray) -> timedelta:
    """How long what is advised now stands: until the plan changes it, and no longer than new readings take to come."""
    change = np.flatnonzero(forced != forced[0])
    return min(_VALID_FOR, int(change[0]) * _STEP) if change.size else _VALID_FOR


def _spans(forced: BoolArray, now: datetime) -> Iterator[FanSpan]:
    """The stretches in which the plan runs the fan beyond the thermostat's calls."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], forced, [False])).astype(np.int8)))
    for first, last in zip(edges[0::2].tolist(), edges[1::2].tolist(), strict=True):
        yield FanSpan(start=now + first * _STEP, end=now + last * _STEP)
