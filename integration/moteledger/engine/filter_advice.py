"""When to change the filter: the first of its limits, from what was measured and what was surveyed.

Beside it stand the day to order one by, and the day after which keeping it costs more than changing it.
"""

import math
from collections.abc import Mapping
from datetime import date, datetime, timedelta

import numpy as np

from motemodel.bounds import FloatArray
from motemodel.estimate import Answer, Estimate, PressureWatch, Unknown
from motemodel.filters import DUST_GRID, Filter, as_installed_curve, drop_pa, dust_caught_mg
from motemodel.particles import HOUSE_DUST, mass_weighted_mean
from motemodel.plan import Reach, first_reached, reach_by_age, reach_by_cost, reach_by_filling
from motemodel.units import M3H_PER_CFM

from ..settings import BlowerType, FilterSettings, House
from ..store import from_us, to_us
from .airflow_fall import clean_drop_at
from .airflow_static import airflow_by_static
from .assessment import FARTHEST_DAYS, FilterAdvice, LimitReason, PressureChange
from .figures import figure
from .filter_ahead import reaches_by_pressure
from .filter_before import filters_before
from .filter_change import with_filter_since
from .filter_limits import because, day_of, drop_at_least_airflow, reach_by_efficiency, told_limits
from .filter_past import (
    NOT_DATED,
    SENSOR_PA,
    FilterPast,
    changed_us,
    drop_put_in,
    filter_past,
    new_drop,
    put_in_us,
    reference_airflow,
    sensor_off_pa,
    steady_drop,
    watched,
)
from .grid import GriddedHouse
from .survey import assembly, dust_of, efficiency_curve

_USUAL_FINAL_RATIO = 2.0
_ORDER_AHEAD, _EARLIEST_ORDER = timedelta(days=14), timedelta(days=42)
"""Time to buy a filter and have it in the house, before the day may have come; but not so early that a date that is
hardly known yet sends people to buy one (common practice, no source)."""
_NO_LIMIT = Unknown(
    "nobody has said at which resistance it is spent",
    "its label or data sheet gives the drop when new and the final drop, for whoever looks after the house file",
)
_NO_SENSOR = Unknown("no sensor measures the pressure across the filter", "a technician can fit one")
_NO_TREND = Unknown("its resistance has not been watched for long enough", "wait for some days with the fan running")
_NO_RESISTANCE = Unknown(
    "the sensor reads hardly any resistance, or less than none, while the fan runs",
    "see that the filter is in and each hose on its own port: swapped, they read below nought",
)
_READ_PA = 1.0
"""Below it a sensor in the field, read to a pascal, tells nothing of a filter (common practice, no source)."""
_NEWEST = 12
"""Quarters of an hour with the fan running that tell where the drop is after a jump (common practice, no source)."""
_WATTS_PER_PA = 0.281 / 124.5
"""Of each cfm: 0.281 W at 0.5 in.w.c., ANSI/RESNET/ICC 301; a motor that holds the airflow draws in proportion."""


def filter_advice(
    house: House, gridded: GriddedHouse, now: datetime, *, before: FilterPast | None = None
) -> FilterAdvice:
    """The filter's state and its change date with the 90 % interval, or why there is no date.

    `before` is what its pressure was ahead of the period that is gridded.
    """
    settings = house.filter
    today = now.astimezone(house.zone).date()
    if settings is None:
        nothing = Unknown(
            "nothing is known of the filter that is in",
            "its label tells its MERV and its drop, for the house file",
        )
        return _advice(nothing, None, None, nothing, None, str(nothing), today)
    fitted = assembly(settings)
    reference = reference_airflow(house)
    past = filter_past(house, gridded)
    past = past if before is None else before.then(past)
    installed_us = _midnight_us(house, settings.installed)
    watch = watched(house, past, installed_us)
    since_us = put_in_us(watch, installed_us)
    before_this = filters_before(house, past, watch, since_us)
    told = airflow_by_static(house, past, since_us)
    if told is not past:
        past, watch = told, watched(house, told, installed_us)
    new = figure(new_drop(past, watch, installed_us), "Pa") if np.isfinite(past.drop_pa).any() else None
    seen_on = _changed_on(house, watch)
    house = with_filter_since(house, seen_on)
    settings = house.filter or settings
    drop_now, growth = watch.drop_at_reference_pa, watch.growth_pa_per_day
    if gridded.values("filter.pressure_drop") is None and not np.isfinite(past.drop_pa).any():
        drop_now = _NO_SENSOR
    if isinstance(drop_now, Unknown) and watch.sound:
        drop_now = _at_odds(gridded) or drop_now
    put_in = drop_put_in(past, watch, put_in_us(watch, installed_us))
    limit = _limit(settings, fitted, reference, put_in)
    dust = _dust(house, gridded, today)

    drops: dict[LimitReason, Answer] = {
        "pressure": _NO_LIMIT if limit is None else limit,
        "airflow": drop_at_least_airflow(house, gridded, drop_now, put_in),
    }
    told_drops = {reason: at for reason, at in drops.items() if isinstance(at, Estimate)}
    clean = clean_drop_at(house, reference) if put_in is None else put_in.value
    reaches = reaches_by_pressure(house, past, watch, before_this, told_drops, clean)
    limits: dict[LimitReason, Reach | Unknown] = {
        reason: at if isinstance(at, Unknown) else reaches.get(reason, _undated(drop_now))
        for reason, at in drops.items()
    }
    if not watch.sound and limit is not None and _reads_past(past, limit):
        limits["pressure"] = Reach("pressure", 0.0, 0.0, 0.0)
    limits["age"] = NOT_DATED
    if settings.installed is not None:
        used = (today - settings.installed).days
        limits["age"] = reach_by_age(float(max(used, 0)), settings.longest_use / 24.0)
        # Dust as such homes have it is a guess, which gives way to this filter's own resistance once that grows.
        pressure = limits["pressure"]
        measured = isinstance(pressure, Reach) and math.isfinite(pressure.high)
        if fitted is not None and isinstance(dust, Estimate) and used > 0 and not measured:
            taken = (dust.value, dust.low, dust.high)
            limits["dust"] = reach_by_filling("dust", used, taken, fitted.loading.capacity_mg / 1000.0)
    efficiency = reach_by_efficiency(house, past, since_us, today)
    if efficiency is not None:
        limits["efficiency"] = efficiency
    first, reason = _first(limits, drop_now, limit)
    advice = _advice(drop_now, reference, None if limit is None else limit.value, dust, first, reason, today)
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
            "limits": told_limits(limits, today),
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
    return FilterAdvice(
        drop_at_reference_pa=figure(drop, "Pa"),
        reference_airflow_m3h=reference,
        drop_limit_pa=limit,
        deposited_g=figure(dust, "g"),
        change_on=None if first is None else day_of(first.days, today),
        change_between=None if first is None else (day_of(first.low, today), day_of(first.high, today)),
        reason=reason,
    )


def _first(
    limits: Mapping[LimitReason, Reach | Unknown], drop: Answer, limit: Estimate | None
) -> tuple[Reach | None, str]:
    """What comes first and the sentence that says why."""
    finite = [reach for reach in limits.values() if isinstance(reach, Reach) and math.isfinite(reach.days)]
    missing = ""
    if isinstance(drop, Unknown):
        reads_past = isinstance(limits["pressure"], Reach)
        missing = f" But {drop}." if reads_past else f" The drop across it is not known: {drop}."
    elif limits["pressure"] is _NO_RESISTANCE:
        missing = f" Its resistance sets no date: {_NO_RESISTANCE}."
    elif limit is None:
        missing = f" Its resistance sets no date: {_NO_LIMIT}."
    if not finite:
        return None, f"There is no date yet: {NOT_DATED}.{missing}"
    first = first_reached(finite)
    return first, because(first) + missing


def _at_odds(gridded: GriddedHouse) -> Unknown | None:
    """Why a drop that was read is not known: the fan's state contradicts it. None where it does not."""
    read = gridded.signals.get("filter.pressure_drop")
    return next((Unknown(f"it {what}", look) for what, look in read.quality.at_odds), None) if read else None


def _undated(drop: Answer) -> Unknown:
    """Why the drop tells no day on which it meets a limit."""
    if isinstance(drop, Unknown):
        return drop
    return _NO_RESISTANCE if drop.value < _READ_PA else _NO_TREND


def _reads_past(past: FilterPast, limit: Estimate) -> bool:
    """Whether the newest readings all lie past the limit, by more than the sensor may be off, however they got so."""
    newest = past.drop_pa[np.isfinite(past.drop_pa)][-_NEWEST:]
    return bool(newest.size == _NEWEST and newest.min() > limit.high)


def _order_by(advice: FilterAdvice, today: date) -> date | None:
    """The day to order one by, so that it is there even if the filter is due as early as it may be."""
    if advice.change_on is None or advice.change_between is None:
        return None
    return max(advice.change_between[0] - _ORDER_AHEAD, advice.change_on - _EARLIEST_ORDER, today)


def _midnight_us(house: House, day: date | None) -> int | None:
    """The beginning of a local day; a filter put in on it is watched from then on."""
    return None if day is None else to_us(datetime(day.year, day.month, day.day, tzinfo=house.zone))


def _moment(time_h: float) -> datetime:
    return from_us(round(time_h * 3_600_000_000))


def _changed_on(house: House, watch: PressureWatch) -> date | None:
    """The local day of the newest step that looks like a new filter, if it is none that is known of."""
    changed = changed_us(watch)
    seen = from_us(round(changed)).astimezone(house.zone).date() if math.isfinite(changed) else None
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
    return day_of(days, today) if days < FARTHEST_DAYS else None


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


def _limit(
    settings: FilterSettings, fitted: Filter | None, reference: float | None, put_in: Estimate | None
) -> Estimate | None:
    """The drop at which the filter is spent: as stated, else twice the clean drop (common practice, no source).

    The clean drop is the one that it came with, as the same sensor reads it, else the surveyed one. The interval is
    how far the sensor may be off; what it reads too much of every pressure alike is no matter beside its own reading.
    """
    if settings.final_drop is not None:
        limit = settings.final_drop
        off = sensor_off_pa(limit)
    elif put_in is not None:
        limit = _USUAL_FINAL_RATIO * put_in.value
        off = float(np.hypot(_USUAL_FINAL_RATIO * (put_in.high - put_in.low) / 2.0, SENSOR_PA))
    elif fitted is not None and reference is not None:
        limit = _USUAL_FINAL_RATIO * float(drop_pa(fitted, reference))
        off = sensor_off_pa(limit)
    else:
        return None
    return Estimate(limit, limit - off, limit + off)


def _dust(house: House, gridded: GriddedHouse, today: date) -> Answer:
    """Dust taken since the filter was put in, g: such a home's dust, this fan's hours; wide, as homes differ."""
    settings, airflow = house.filter, house.air_handler.airflow
    if settings is None or settings.installed is None:
        return Unknown("dust is counted from the day the filter went in", "record the day on which it is changed")
    if airflow is None:
        return Unknown(
            "dust is counted by the air that the filter has seen", "a technician can measure the system's airflow"
        )
    hours = max((today - settings.installed).days, 0) * 24.0 * gridded.fan_share
    caught = dust_caught_mg(1.0, _dust_efficiency(settings, airflow), airflow, hours)
    return dust_of(house).scaled(float(caught) / 1000.0)


def _dust_efficiency(settings: FilterSettings, airflow_m3h: float) -> float:
    """Share of house dust that the filter takes in one pass, its gaps counted where they are surveyed."""
    fitted = assembly(settings)
    curve = efficiency_curve(settings) if fitted is None else as_installed_curve(fitted, airflow_m3h)
    return mass_weighted_mean(curve, HOUSE_DUST, DUST_GRID.edges_um[0], DUST_GRID.edges_um[-1])
