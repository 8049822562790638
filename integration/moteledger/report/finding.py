"""From a house file and its readings to the report's document."""

from collections.abc import Iterator, Mapping
from datetime import date, datetime, time

import numpy as np

from motemodel.bounds import FloatArray

from ..engine import AssessmentError, Proof, prove
from ..engine.assess import Study, study
from ..engine.assessment import Figure, Known, NotKnown, TracePoint
from ..engine.fan_costs import energy_kwh, fan_power
from ..engine.figures import figure
from ..engine.filter_advice import daily_drops
from ..engine.filter_change import with_filter_since
from ..engine.grid import GriddedHouse
from ..engine.on_record import OnRecord
from ..settings import FilterSettings, House
from ..store import Series, to_us
from .document import Change, ClientReport, DayOfPressure, DayOfStatic, Energy, Fit, Side, Surveyed

COURSE_POINTS = 1344
"""Two weeks in quarters of an hour."""
_STEADY = 0.99
_LEAST_RUNNING_H = 1.0


def client_report(house: House, record: OnRecord, *, made_on: date, changed_on: date | None = None) -> ClientReport:
    """Everything a report says; raises AssessmentError where the readings cannot be assessed.

    `changed_on` is the day on which the assembly was fitted; without it, the day on which the filter was changed by
    its own drop, as recorded or by the house file is taken, where it lies within the record.
    """
    readings, house = record.readings, with_filter_since(house, record.changed_on)
    found = study(house, readings, filter_before=record.filter_before)
    grid, ledger = found.grid, found.assessment.ledger
    course = found.traced(grid.grid.count * grid.grid.step_h, COURSE_POINTS)
    came_in = ledger.entered_mg + ledger.generated_mg
    went_out = ledger.filtered_mg + ledger.settled_mg + ledger.carried_out_mg + ledger.stored_mg
    events = found.assessment.events
    return ClientReport(
        made_on=made_on,
        house=tuple(_house(house)),
        installed=tuple(_installed(house)),
        assessment=found.assessment,
        proof=_proof(house, readings),
        change=_change(house, record, found, changed_on),
        course=course,
        fit=_fit(course),
        filter_drop=_filter_drop(house, grid),
        duct_static=_duct_static(house, grid),
        energy=_energy(house, grid),
        lasted_h=grid.grid.count * grid.grid.step_h,
        event_count=len(events),
        event_emitted_mg=sum(each.emitted_mg.value for each in events if isinstance(each.emitted_mg, Known)),
        came_in_mg=came_in,
        went_out_mg=went_out,
        filtered_share=ledger.filtered_mg / came_in if came_in > 0.0 else None,
    )


def _house(house: House) -> Iterator[Surveyed]:
    building, handler = house.house, house.air_handler
    yield Surveyed(name="Floor area", value=building.floor_area, unit="m2")
    yield Surveyed(name="Ceiling height", value=building.ceiling_height, unit="m")
    yield Surveyed(name="Air in the house", value=building.volume_m3, unit="m3")
    yield Surveyed(name="Storeys", value=float(house.site.storeys))
    leakage = building.leakage
    if leakage is not None and leakage.air_changes_50 is not None:
        yield Surveyed(name="Leakage at 50 Pa by blower door, air changes", value=leakage.air_changes_50, unit="1/h")
    elif leakage is not None and leakage.airflow_50 is not None:
        yield Surveyed(name="Leakage at 50 Pa by blower door", value=leakage.airflow_50, unit="m3/h")
    elif leakage is not None and leakage.tightness is not None:
        yield Surveyed(name="Tightness of the shell, described as", value=leakage.tightness.value)
    yield Surveyed(name="Blower", value=handler.blower.value)
    optional = (
        (f"Airflow, {handler.airflow_known_by}", handler.airflow, "m3/h"),
        ("Total external static at that airflow", handler.external_static, "Pa"),
        ("Fan power", handler.fan_power, "W"),
        ("Cooling capacity", None if handler.cooling_capacity is None else handler.cooling_capacity / 1000.0, "kW"),
    )
    for name, value, unit in optional:
        if value is not None:
            yield Surveyed(name=name, value=value, unit=unit)
    yield Surveyed(name="Fine dust wished for indoors, PM2.5 at most", value=house.targets.pm25, unit="ug/m3")


def _installed(house: House) -> Iterator[Surveyed]:
    fitted = house.filter
    if fitted is None:
        return
    if fitted.merv is not None:
        yield Surveyed(name="Rating, MERV", value=float(fitted.merv))
    if fitted.efficiency is not None:
        for name, value in fitted.efficiency.model_dump().items():
            yield Surveyed(name=f"Rating, {name.upper()}", value=value, unit="1")
    if fitted.face_area is not None:
        yield Surveyed(name="Face", value=fitted.face_area, unit="m2")
    if fitted.media_area is not None:
        yield Surveyed(name="Media, unfolded", value=fitted.media_area, unit="m2")
    for point in fitted.rated_drop:
        yield Surveyed(name="Clean resistance", value=point.drop, unit="Pa", at_airflow_m3h=point.airflow)
    if fitted.final_drop is not None:
        yield Surveyed(name="Resistance at which it is changed", value=fitted.final_drop, unit="Pa")
    yield from _circumstances(fitted, house.tariff.currency)


def _circumstances(fitted: FilterSettings, currency: str) -> Iterator[Surveyed]:
    yield Surveyed(name="Media charged", value="yes" if fitted.charged else "no, or not stated")
    for gap in fitted.gaps:
        yield Surveyed(name="Gap beside it, length", value=gap.length, unit="m")
        yield Surveyed(name="Gap beside it, width", value=1000.0 * gap.width, unit="mm")
    if fitted.installed is not None:
        yield Surveyed(name="In place since", value=fitted.installed.isoformat(), unit="date")
    if fitted.price is not None:
        yield Surveyed(name="Price of a filter", value=fitted.price, unit=currency or "money")


def _proof(house: House, readings: Mapping[str, Series]) -> Proof | None:
    try:
        proof = prove(house, readings)
    except AssessmentError:
        return None
    return proof if proof.decays else None


def _fit(course: tuple[TracePoint, ...]) -> Fit:
    pairs = [
        (point.indoor_pm25, point.modelled_pm25)
        for point in course
        if point.indoor_pm25 is not None and point.modelled_pm25 is not None
    ]
    step_min = (course[1].time - course[0].time).total_seconds() / 60.0 if len(course) > 1 else 0.0
    if not pairs:
        return Fit(points=0, step_min=step_min, bias_ug_m3=None, typical_ug_m3=None, explained=None)
    measured, modelled = np.array(pairs).T
    residual = measured - modelled
    variance = float(np.var(measured))
    return Fit(
        points=len(pairs),
        step_min=step_min,
        bias_ug_m3=float(residual.mean()),
        typical_ug_m3=float(np.median(np.abs(residual))),
        explained=1.0 - float(np.mean(residual**2)) / variance if variance > 0.0 else None,
    )


def _filter_drop(house: House, grid: GriddedHouse) -> tuple[DayOfPressure, ...]:
    return tuple(
        DayOfPressure(day=_local_day(house, grid, day), drop_pa=drop) for day, drop in daily_drops(house, grid)
    )


def _duct_static(house: House, grid: GriddedHouse) -> tuple[DayOfStatic, ...]:
    static = grid.values("duct.static_pressure")
    if static is None:
        return ()
    steady = np.isfinite(static) & (grid.fan > _STEADY)
    day = np.floor(grid.grid.midpoints_h / 24.0)
    days = []
    for number in np.unique(day[steady]):
        of_day: FloatArray = static[steady & (day == number)]
        if of_day.size * grid.grid.step_h >= _LEAST_RUNNING_H:
            low, median, high = np.percentile(of_day, (10.0, 50.0, 90.0))
            days.append(
                DayOfStatic(
                    day=_local_day(house, grid, number), median_pa=float(median), low_pa=float(low), high_pa=float(high)
                )
            )
    return tuple(days)


def _local_day(house: House, grid: GriddedHouse, day: float) -> date:
    return grid.moment(24.0 * day + 12.0).astimezone(house.zone).date()


def _energy(house: House, grid: GriddedHouse) -> Energy:
    fan, step_h = grid.fan, grid.grid.step_h
    hours = float(np.nansum(fan)) * step_h
    measured = grid.values("fan.power")
    power, surveyed = fan_power(house)
    running = fan > _STEADY
    if measured is not None and np.isfinite(measured[running]).any():
        power, surveyed = float(np.nanmean(measured[running])), True
        basis = "measured while the fan ran"
    else:
        basis = "as the survey states it" if surveyed else "usual for such a blower, since the survey states none"
    known = np.isfinite(fan).any()
    energy: Figure = (
        figure(energy_kwh(hours * power / 1000.0, surveyed), "kWh")
        if known
        else NotKnown(reason="nothing tells when the fan ran; add fan.running")
    )
    return Energy(
        fan_hours=hours,
        fan_share=grid.fan_share,
        power_w=power,
        energy_kwh=energy,
        cost=_cost(house, energy),
        basis=basis,
    )


def _cost(house: House, energy: Figure) -> Figure:
    price = house.tariff.per_kwh
    if isinstance(energy, NotKnown):
        return energy
    if price is None:
        return NotKnown(reason="the house file gives no tariff; add tariff.per_kwh")
    return Known(
        value=energy.value * price,
        low=energy.low * price,
        high=energy.high * price,
        unit=house.tariff.currency or "money",
    )


def _change(house: House, record: OnRecord, found: Study, changed_on: date | None) -> Change | None:
    period, advice = found.assessment.period, found.assessment.filter
    first, last = (moment.astimezone(house.zone).date() for moment in (period.start, period.end))
    candidates = (
        (changed_on, "as told"),
        (advice.change_seen_on, "its resistance fell as it does when a filter is changed"),
        (advice.installed_on, "as recorded" if advice.installed_on == record.changed_on else "by the house file"),
    )
    within = [(day, known_by) for day, known_by in candidates if day is not None and first < day < last]
    if not within:
        return None
    day, known_by = within[0]
    before, why_before = _side(house, record.readings, None, day)
    after, why_after = _side(house, record.readings, day, None)
    return Change(
        changed_on=day,
        known_by=known_by,
        before=before,
        after=after,
        remarks=tuple(f"{name}: {why}" for name, why in (("before", why_before), ("after", why_after)) if why),
    )


def _side(
    house: House, readings: Mapping[str, Series], since: date | None, until: date | None
) -> tuple[Side | None, str]:
    """One side of a change; the filter of the house file is not taken to be in place before it went in."""
    start, end = (None if day is None else to_us(datetime.combine(day, time(), house.zone)) for day in (since, until))
    part = {name: _between(series, start, end) for name, series in readings.items()}
    fitted = house.filter
    if until is not None and fitted is not None:
        house = house.model_copy(update={"filter": fitted.model_copy(update={"installed": None})})
    try:
        studied = study(house, {name: series for name, series in part.items() if len(series)})
    except AssessmentError as error:
        return None, str(error)
    found = studied.assessment
    means = [float(np.nanmean(studied.grid.values_or_nan(name))) for name in ("indoor.pm25", "outdoor.pm25")]
    return (
        Side(
            period=found.period,
            indoor_mean_ug_m3=means[0],
            outdoor_mean_ug_m3=means[1],
            clean_air_delivered_m3h=found.estimates.clean_air_delivered_m3h,
            installed_efficiency=found.estimates.installed_efficiency,
            drop_at_reference_pa=found.filter.drop_at_reference_pa,
        ),
        "",
    )


def _between(series: Series, start_us: int | None, end_us: int | None) -> Series:
    first = 0 if start_us is None else int(np.searchsorted(series.time_us, start_us))
    last = len(series) if end_us is None else int(np.searchsorted(series.time_us, end_us))
    return Series(series.time_us[first:last], series.value[first:last])
