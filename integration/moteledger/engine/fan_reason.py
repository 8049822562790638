"""What to do with the fan now, and why, in words; and what helps where filtering alone does not."""

from collections.abc import Sequence
from math import isfinite

from motemodel.bounds import FloatArray
from motemodel.filters import curve_from_merv, pm25_efficiency
from motemodel.plan import FanPlan, HouseRates, intake_shut_gain, room_cleaner_m3h
from motemodel.units import Quantity, from_inside

from ..settings import House, Units
from .assessment import Action
from .fan_costs import daily_budget_kwh
from .fan_outlook import HORIZON_H
from .fan_search import Found

_MOST_CLEANERS_PER_H = 10.0
"""Clean air beyond ten volumes an hour is more than room cleaners give a whole house (common practice, no source)."""
_WORTH_TELLING = 0.05
_LEAST_KWH = 0.05
_WORTH_SAVING_H = 0.25
"""Of less running than this in two days even the greatest share is nothing that anybody would want to save."""


def decision(
    found: Found,
    plans: Sequence[FanPlan],
    rates: HouseRates,
    target: float,
    house: House,
    budgets_kwh: FloatArray | None = None,
) -> tuple[Action, str]:
    """What to do now, and why; `budgets_kwh` (K,) are those of the calendar days, where budgets tell."""
    if rates.clean_air_per_h <= 0.0:
        return "leave", "It is not known yet how much clean air the running fan delivers, so nothing is advised."
    if budgets_kwh is not None:
        return "run" if found.forced[0] else "rest", _within_budget(found, rates, target, house, budgets_kwh)
    schedule, outlook, forced = found.schedule, found.ahead.outlook, found.forced
    extra = bool(forced[0])
    mean, wish = f"{schedule.plan.mean_ug_m3:.0f} µg/m³", f"{target:g} µg/m³"
    damp = " The rest after cooling calls is given up for it." if found.unguarded and forced.any() else ""
    if not found.holds(schedule.plan, target):
        # The target is that of each calendar day, and the mean of all that is planned may be within it even so.
        of_days = f", but more than {wish} on one of its days" if schedule.plan.mean_ug_m3 <= target else ""
        quiet = "" if outlook.allowed.all() else " outside the quiet hours"
        return (
            "run" if extra else "rest",
            f"Filtering alone{quiet} cannot hold {wish} in the next {HORIZON_H} h; the cleanest that it can do is a "
            f"mean of {mean}{of_days}.{_beyond_the_fan(found, rates, target, house)}{damp}{_in_case(found, wish)}",
        )
    lost = " Today began too poor to be made good; what is left of it is held." if found.forgiving else ""
    if not forced.any():
        return "rest", f"The thermostat's own calls hold the air at {mean}, within {wish}.{lost}"
    hours = float((forced * outlook.left).sum()) * outlook.step_h
    simple = min((plan for plan in plans if found.holds(plan, target)), key=lambda plan: plan.energy_kwh, default=None)
    saved = 0.0 if simple is None else simple.energy_kwh - schedule.plan.energy_kwh
    beside = (
        ""
        if simple is None or saved < _LEAST_KWH
        else f", {saved:.1f} kWh less than the best simple way ({printed(simple.name)})"
    )
    proven = (
        f"; no schedule could save more than {max(schedule.gap, 0.001):.1%} of that"
        if schedule.bold is None and hours >= _WORTH_SAVING_H
        else ""
    )
    return (
        "run" if extra else "rest",
        f"Running it {hours:.1f} h beyond the thermostat's calls holds the air at {mean}, within {wish}{beside}"
        f"{proven}.{_in_case(found, wish)}{lost}{damp}",
    )


def _in_case(found: Found, wish: str) -> str:
    """That the fan runs, now or some time, in case the outdoor air turns, and what that takes."""
    schedule, early = found.schedule, found.early
    if schedule.bold is None or not early.any():
        return ""
    more_kwh = schedule.plan.energy_kwh - schedule.bold.plan.energy_kwh
    price = f" If it does not, that has taken {more_kwh:.1f} kWh more than waiting." if more_kwh >= _LEAST_KWH else ""
    if early[0]:
        return (
            " It runs now, although it could wait if the outdoor air came as expected: should that turn worse today, a "
            f"later start might not keep the day within {wish}.{price}"
        )
    return f" Some of that is run early, in case the outdoor air turns worse today than is expected.{price}"


def _within_budget(found: Found, rates: HouseRates, target: float, house: House, budgets_kwh: FloatArray) -> str:
    """What the budget buys, how near that is to the best there is, and what else helps where it is not enough."""
    plan, fan = found.schedule.plan, house.fan
    daily = f"{float(f'{daily_budget_kwh(house) or 0.0:.2g}'):g} kWh"
    if fan.money_per_day is not None:
        daily = f"{fan.money_per_day:g} {house.tariff.currency or 'money'} ({daily})"
    holds = found.holds(plan, target)
    side = "within" if holds else "above" if plan.mean_ug_m3 > target else "but on one of its days above"
    told = (
        f"Of the {daily} a day that may be spent on running it beyond the thermostat's calls, {budgets_kwh[0]:.1f} kWh "
        f"are left today. The cleanest air that this buys comes to {plan.mean_ug_m3:.0f} µg/m³ over {HORIZON_H} h, "
        f"{side} {target:g} µg/m³; no schedule within it could be more than "
        f"{max(found.gap, 0.001):.1%} cleaner."
    )
    return told if holds else told + _beyond_the_fan(found, rates, target, house)


def _beyond_the_fan(found: Found, rates: HouseRates, target: float, house: House) -> str:
    """What else helps: windows, the outdoor-air intake, a room cleaner of a size from the balance, or going away."""
    plan, outlook, volume_m3 = found.schedule.plan, found.ahead.outlook, house.house.volume_m3
    told = " Keep windows shut." if float(outlook.outdoor_ug_m3.mean()) > plan.mean_ug_m3 else ""
    gain = _shut_intake_gain(found, rates, house)
    if gain > _WORTH_TELLING * plan.mean_ug_m3:
        told += f" Shutting the outdoor-air intake meanwhile would take off {gain:.0f} µg/m³."
    clean = room_cleaner_m3h(plan.running, outlook, rates, target, volume_m3)
    if clean > 0.0 and isfinite(clean):
        told += (
            f" About {_airflow(clean, house)} more of clean air, as of a room cleaner that never stops, would bring "
            f"the mean to {target:g} µg/m³."
        )
    if clean > _MOST_CLEANERS_PER_H * volume_m3:
        told += " That is more than cleaners give a whole house: stay in one small room with one, or elsewhere."
    return told


def _shut_intake_gain(found: Found, rates: HouseRates, house: House) -> float:
    """By how much the mean falls with the outdoor-air intake shut, ug/m3; nought without one that is known."""
    supply, merv, volume_m3 = house.ventilation.supply, house.ventilation.intake_merv, house.house.volume_m3
    if supply is None or supply <= 0.0:
        return 0.0
    efficiency = 0.0 if merv is None else pm25_efficiency(curve_from_merv(merv))
    try:
        return intake_shut_gain(found.schedule.plan, found.ahead.outlook, rates, supply, efficiency, volume_m3)
    except ValueError:
        # The house was found tighter than its stated intake: which of the two is wrong cannot be told here.
        return 0.0


def printed(name: str) -> str:
    """The name of a plan with its unit as it is printed."""
    return name.replace("ug/m3", "µg/m³")


def _airflow(m3h: float, house: House) -> str:
    """An airflow to two digits, in the house's system first."""
    both = ((m3h, "m³/h"), (float(from_inside(m3h, "cfm", Quantity.AIRFLOW)), "cfm"))
    (first, unit), (second, other) = both if house.units is Units.SI else both[::-1]
    return f"{_two_digits(first)} {unit} ({_two_digits(second)} {other})"


def _two_digits(number: float) -> str:
    return f"{float(f'{number:.1e}'):,.0f}"
