"""When to change the filter: the first of pressure, dust and age, from what was measured and what was surveyed.

Beside it stand the day to order one by, and the day after which keeping it costs more than changing it.
"""

import math
from datetime import date, datetime, timedelta

import numpy as np

from motemodel.bounds import FloatArray
from motemodel.estimate import Answer, Estimate, PressureWatch, StepKind, Unknown
from motemodel.filters import DUST_GRID, Filter, as_installed_curve, drop_pa, dust_caught_mg
from motemodel.particles import HOUSE_DUST, mass_weighted_mean
from motemodel.plan import Reach, first_reached, reach_by_age, reach_by_cost, reach_by_filling
from motemodel.units import M3H_PER_CFM

from ..settings import BlowerType, FilterSettings, House
from ..store import from_us, to_us
from .airflow_static import airflow_by_static
from .assessment import FilterAdvice, PressureChange
from .figures import figure
from .filter_ahead import reach_by_pressure
from .filter_change import with_filter_since
from .filter_past import FilterPast, filter_past, new_drop, reference_airflow, steady_drop, watched
from .grid import GriddedHouse
from .survey import assembly, dust_of, efficiency_curve

_USUAL_FINAL_RATIO = 2.0
_FARTHEST_DAYS = 3650.0
_ORDER_AHEAD, _EARLIEST_ORDER = timedelta(days=14), timedelta(days=42)
"""Time to buy a filter and have it in the house, before the day may have come; but not so early that a date that is
hardly known yet sends people to buy one (common practice, no source)."""
_WATTS_PER_PA = 0.281 / 124.5
"""Of each cfm: 0.281 W at 0.5 in.w.c., ANSI/RESNET/ICC 301; a motor that holds the airflow draws in proportion."""
_REASONS = {
    "pressure": ("By then its resistance reaches the limit.", "Its resistance has reached the limit."),
    "dust": ("By then it has taken the dust it can hold.", "It has taken the dust it can hold."),
    "age": ("By then it has been in use as long as it should.", "It has been in use as long as it should."),
}
"""Why it is to be changed, for a day to come and for today."""


def filter_advice(
    house: House, gridded: GriddedHouse, now: datetime, *, before: FilterPast | None = None
) -> FilterAdvice:
    """The filter's state and its change date with the 90 % interval, or why there is no date.

    `before` is what its pressure was ahead of the period that is gridded.
    """
    settings = house.filter
    today = now.astimezone(house.zone).date()
    if settings is None:
        nothing = Unknown("the house file has no [filter]", "add its MERV and its rated drop")
        return _advice(nothing, None, None, nothing, None, str(nothing), today)
    fitted = assembly(settings)
    reference = reference_airflow(house)
    past = filter_past(house, gridded)
    past = past if before is None else before.then(past)
    installed_us = _midnight_us(house, settings.installed)
    watch = watched(house, past, installed_us)
    told = airflow_by_static(house, past, _this_one_since_us(watch, installed_us))
    if told is not past:
        past, watch = told, watched(house, told, installed_us)
    new = figure(new_drop(past, watch, installed_us), "Pa") if np.isfinite(past.drop_pa).any() else None
    seen_on = _changed_on(house, watch)
    house = with_filter_since(house, seen_on)
    settings = house.filter or settings
    drop_now, growth = watch.drop_at_reference_pa, watch.growth_pa_per_day
    limit = _limit(settings, fitted, reference)
    dust = _dust(house, gridded, today)
    reaches = []
    pressure = None if limit is None else reach_by_pressure(house, past, watch, limit)
    if pressure is not None:
        reaches.append(pressure)
    if settings.installed is not None:
        used = (today - settings.installed).days
        reaches.append(reach_by_age(float(max(used, 0)), settings.longest_use / 24.0))
        # Dust as such homes have it is a guess, which gives way to this filter's own resistance once that grows.
        measured = pressure is not None and math.isfinite(pressure.high)
        if fitted is not None and isinstance(dust, Estimate) and used > 0 and not measured:
            taken = (dust.value, dust.low, dust.high)
            reaches.append(reach_by_filling("dust", used, taken, fitted.loading.capacity_mg / 1000.0))
    first, reason = _first(reaches, drop_now, limit)
    advice = _advice(drop_now, reference, limit, dust, first, reason, today)
    return advice.model_copy(
        update={
            "installed_on": settings.installed,
            "change_seen_on": seen_on,
            "drop_when_new_pa": new,
            "pressure_changes": tuple(
                PressureChange(
                    time=_moment(step.time_h),
                    before_pa=step.before_pa,
                    after_pa=step.after_pa,
                    likely=step.kind.value,
                    evidence=step.evidence,
                )
                for step in watch.steps
            ),
            "order_by": _order_by(advice, today),
            "cost_best_on": _cost_best_on(house, gridded, growth, today),
        }
    )


def _advice(
    drop: Answer,
    reference: float | None,
    limit: float | None,
    dust: Answer,
    first: Reach | None,
    reason: str,
    today: date,
) -> FilterAdvice:
    def day(days: float) -> date:
        return today + timedelta(days=round(min(days, _FARTHEST_DAYS)))

    return FilterAdvice(
        drop_at_reference_pa=figure(drop, "Pa"),
        reference_airflow_m3h=reference,
        drop_limit_pa=limit,
        deposited_g=figure(dust, "g"),
        change_on=None if first is None else day(first.days),
        change_between=None if first is None else (day(first.low), day(first.high)),
        reason=reason,
    )


def _first(reaches: list[Reach], drop: Answer, limit: float | None) -> tuple[Reach | None, str]:
    """What comes first and the sentence that says why."""
    finite = [reach for reach in reaches if math.isfinite(reach.days)]
    missing = ""
    if isinstance(drop, Unknown):
        missing = f" The drop across it is not known: {drop}."
    elif limit is None:
        missing = " No pressure limit is known: add filter.final_drop or filter.rated_drop."
    if not finite:
        return None, f"There is no date yet: add filter.installed, or let some days of pressure drop come in.{missing}"
    first = first_reached(finite)
    to_come, reached = _REASONS[first.reason]
    return first, (to_come if first.days > 0.0 else reached) + missing


def _order_by(advice: FilterAdvice, today: date) -> date | None:
    """The day to order one by, so that it is there even if the filter is due as early as it may be."""
    if advice.change_on is None or advice.change_between is None:
        return None
    return max(advice.change_between[0] - _ORDER_AHEAD, advice.change_on - _EARLIEST_ORDER, today)


def _midnight_us(house: House, day: date | None) -> int | None:
    """The beginning of a local day; a filter put in on it is watched from then on."""
    return None if day is None else to_us(datetime(day.year, day.month, day.day, tzinfo=house.zone))


def _this_one_since_us(watch: PressureWatch, installed_us: int | None) -> float:
    """When the filter that is in went in, as far as anybody or its drop tells; minus infinity where none does."""
    changes = [step.time_h * 3.6e9 for step in watch.steps if step.kind is StepKind.FILTER_CHANGED]
    return max([*changes, -np.inf if installed_us is None else installed_us])


def _moment(time_h: float) -> datetime:
    return from_us(round(time_h * 3_600_000_000))


def _changed_on(house: House, watch: PressureWatch) -> date | None:
    """The local day of the newest step that looks like a new filter, if it is none that is known of."""
    changes = [step.time_h for step in watch.steps if step.kind is StepKind.FILTER_CHANGED]
    seen = _moment(max(changes)).astimezone(house.zone).date() if changes else None
    installed = house.filter.installed if house.filter is not None else None
    return None if seen is None or (installed is not None and seen <= installed) else seen


def _cost_best_on(house: House, gridded: GriddedHouse, growth: Answer, today: date) -> date | None:
    """The day after which the fan's growing energy costs more than a new filter; None where nobody can tell.

    Only a blower that holds its airflow answers a growing drop with watts; others answer with less air.
    """
    settings, handler, tariff = house.filter, house.air_handler, house.tariff.per_kwh
    if settings is None or settings.price is None or settings.installed is None or tariff is None:
        return None
    if handler.blower is not BlowerType.CONSTANT_AIRFLOW or handler.airflow is None or not isinstance(growth, Estimate):
        return None
    watts_per_pa = _WATTS_PER_PA * handler.airflow / M3H_PER_CFM
    if handler.fan_power is not None and handler.external_static is not None:
        watts_per_pa = handler.fan_power / handler.external_static
    dearer = growth.scaled(tariff * 24.0 * gridded.fan_share * watts_per_pa / 1000.0)
    used = float(max((today - settings.installed).days, 0))
    bounds = (max(dearer.value, 0.0), max(dearer.low, 0.0), max(dearer.high, 0.0))
    days = reach_by_cost(used, settings.price, bounds).days
    return today + timedelta(days=round(days)) if days < _FARTHEST_DAYS else None


def daily_drops(house: House, gridded: GriddedHouse) -> FloatArray:
    """Median drop at the reference airflow of each day with enough running hours, rows of (day, Pa)."""
    drop = steady_drop(house, gridded)
    if drop is None:
        return np.empty((0, 2))
    steady = np.isfinite(drop)
    day = np.floor(gridded.grid.midpoints_h / 24.0)
    rows = []
    for number in np.unique(day[steady]):
        of_day = steady & (day == number)
        if np.count_nonzero(of_day) * gridded.grid.step_h >= 1.0:
            rows.append((number, float(np.median(drop[of_day]))))
    return np.array(rows).reshape(-1, 2)


def _limit(settings: FilterSettings, fitted: Filter | None, reference: float | None) -> float | None:
    """The drop at which the filter is spent: as stated, else twice the clean drop (common practice, no source)."""
    if settings.final_drop is not None:
        return settings.final_drop
    if fitted is None or reference is None:
        return None
    return _USUAL_FINAL_RATIO * float(drop_pa(fitted, reference))


def _dust(house: House, gridded: GriddedHouse, today: date) -> Answer:
    """Dust taken since the filter was put in, g: such a home's dust, this fan's hours; wide, as homes differ."""
    settings, airflow = house.filter, house.air_handler.airflow
    if settings is None or settings.installed is None:
        return Unknown("dust is counted from the day the filter went in", "add filter.installed")
    if airflow is None:
        return Unknown("dust is counted by the air that the filter has seen", "add air_handler.airflow")
    hours = max((today - settings.installed).days, 0) * 24.0 * gridded.fan_share
    caught = dust_caught_mg(1.0, _dust_efficiency(settings, airflow), airflow, hours)
    return dust_of(house).scaled(float(caught) / 1000.0)


def _dust_efficiency(settings: FilterSettings, airflow_m3h: float) -> float:
    """Share of house dust that the filter takes in one pass, its gaps counted where they are surveyed."""
    fitted = assembly(settings)
    curve = efficiency_curve(settings) if fitted is None else as_installed_curve(fitted, airflow_m3h)
    return mass_weighted_mean(curve, HOUSE_DUST, DUST_GRID.edges_um[0], DUST_GRID.edges_um[-1])
