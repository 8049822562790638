"""From a house file and its readings to the whole assessment."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from motemodel.bounds import FloatArray
from motemodel.estimate import Answer, Estimate, HouseRecord, Identification, Unknown, identify
from motemodel.plan import Dwell

from ..settings import House, missing_keys
from ..signals import SIGNALS
from ..store import Series
from .account import Account, account, rates_of
from .air import air
from .assessment import (
    Assessment,
    DataQuality,
    Event,
    FanAdvice,
    Figures,
    Period,
    SignalQuality,
    TracePoint,
)
from .cautions import Circumstances, cautions_for
from .delivery import delivery
from .fan_advice import fan_advice
from .figures import figure
from .filter_advice import filter_advice
from .filter_load import filter_load
from .filter_past import FilterPast
from .grid import GriddedHouse, gridded
from .low_airflow import low_airflow
from .sensor_gain import beside, gain_prior, gain_told, without_spell
from .survey import Survey, survey

_TRACE_H = 48.0
_TRACE_POINTS = 288
_POOR_DAY_UG_M3 = 35.0
_RECENT_COOLING_H = 24.0


@dataclass(frozen=True)
class Study:
    """An assessment with the grid of readings and the account that it was made from, for drawing them at length."""

    assessment: Assessment
    grid: GriddedHouse
    books: Account

    def traced(self, span_h: float, most_points: int) -> tuple[TracePoint, ...]:
        """The last `span_h` hours in at most `most_points` points, each the mean of its steps, stamped at its end."""
        return _trace(self.grid, self.books, span_h, most_points)


def assess(
    house: House,
    readings: Mapping[str, Series],
    *,
    dwell: Dwell | None = None,
    filter_before: FilterPast | None = None,
    forecast_age_h: float | None = None,
) -> Assessment:
    """Assess a house from its readings, by signal; raises AssessmentError when they cannot be assessed at all.

    `dwell` is what the fan has been asked for and since when, where an automation acts on the advice; `filter_before`
    what the filter's pressure was ahead of the readings; `forecast_age_h` for how long a supplied forecast has told
    nothing new, where somebody has watched it.
    """
    return study(house, readings, dwell=dwell, filter_before=filter_before, forecast_age_h=forecast_age_h).assessment


def study(
    house: House,
    readings: Mapping[str, Series],
    *,
    dwell: Dwell | None = None,
    filter_before: FilterPast | None = None,
    forecast_age_h: float | None = None,
) -> Study:
    """As `assess`, with what the assessment was made from."""
    grid = gridded(house, readings)
    expected = survey(house, grid)
    airflow = expected.airflow_m3h
    side_by_side = gain_told(house, grid)
    identification = identify(
        without_spell(_record(house, grid), beside(house, grid)),
        fan_airflow_m3h=airflow if isinstance(airflow, Estimate) else None,
        gain_prior=gain_prior(side_by_side),
    )
    rates = rates_of(identification, expected)
    books = account(house, grid, rates, identification.events)
    air_now = air(house, grid)
    hours = grid.grid.count * grid.grid.step_h
    made_ug = 1000.0 * sum(event.emitted_mg.value for event in identification.events)
    source = made_ug / house.house.volume_m3 / hours
    filter_ = filter_advice(house, grid, grid.moment(grid.grid.end_h), before=filter_before)
    identified = isinstance(identification.clean_air_delivered_m3h, Estimate)
    load = filter_load(house, grid, filter_, delivery_identified=identified)
    fan = fan_advice(
        house, grid, rates, source, readings=readings, dwell=dwell, load=load, forecast_age_h=forecast_age_h
    )
    cautions = cautions_for(
        Circumstances(
            house=house,
            cooling_recently=_ran_lately(grid, "cooling.running"),
            fan_to_run=bool(fan.schedule),
            poor_air=max(_outdoor_day_mean(grid), _outdoor_next_day(fan)) > _POOR_DAY_UG_M3,
            low_airflow=low_airflow(house, grid, filter_, load, expected),
        )
    )
    fan = fan.model_copy(update={"cautions": tuple(each.code for each in cautions if each.applies_to == "fan")})
    assessment = Assessment(
        house=house.name,
        period=Period(
            start=grid.moment(grid.grid.start_h),
            end=grid.moment(grid.grid.end_h),
            step_s=grid.grid.step_h * 3600.0,
            time_zone=house.time_zone,
        ),
        data_quality=_data_quality(
            house, grid, (*grid.remarks, *books.remarks, *_told_of(side_by_side, identification)), expected
        ),
        air=air_now,
        estimates=_estimates(identification),
        expected=_expected(expected),
        delivery=delivery(house, identification, expected, filter_, grid),
        ledger=books.ledger,
        events=tuple(
            Event(
                start=grid.moment(event.start_h),
                end=grid.moment(event.end_h),
                emitted_mg=figure(event.emitted_mg, "mg"),
                peak_ug_m3=event.peak_ug_m3,
            )
            for event in identification.events
        ),
        filter=filter_,
        fan=fan,
        cautions=cautions,
        trace=_trace(grid, books, _TRACE_H, _TRACE_POINTS),
    )
    return Study(assessment, grid, books)


def _record(house: House, grid: GriddedHouse) -> HouseRecord:
    interval_h = min(grid.qualities["indoor.pm25"].typical_interval_h, 1.0)
    return HouseRecord(
        step_h=grid.grid.step_h,
        start_h=grid.grid.start_h,
        indoor_interval_h=interval_h if interval_h > grid.grid.step_h else 0.0,
        volume_m3=house.house.volume_m3,
        outdoor=grid.values_or_nan("outdoor.pm25"),
        indoor=grid.values_or_nan("indoor.pm25"),
        fan=grid.fan,
        window=grid.values("window.open"),
        indoor_temperature=grid.values("indoor.temperature"),
        outdoor_temperature=grid.values("outdoor.temperature"),
        wind_speed=grid.values("outdoor.wind_speed"),
    )


def _estimates(identification: Identification) -> Figures:
    return _figures(
        identification.outdoor_entry_per_h,
        identification.loss_fan_off_per_h,
        identification.clean_air_delivered_m3h,
        identification.installed_efficiency,
        identification.sensor_gain_ratio,
    )


def _expected(expected: Survey) -> Figures:
    return _figures(
        expected.entry_per_h,
        expected.loss_fan_off_per_h,
        expected.clean_air_delivered_m3h,
        expected.installed_efficiency,
        expected.sensor_gain_ratio,
    )


def _figures(entry: Answer, loss: Answer, delivered: Answer, efficiency: Answer, gain: Answer) -> Figures:
    return Figures(
        outdoor_entry_per_h=figure(entry, "1/h"),
        loss_fan_off_per_h=figure(loss, "1/h"),
        clean_air_delivered_m3h=figure(delivered, "m3/h"),
        installed_efficiency=figure(efficiency, "1"),
        sensor_gain_ratio=figure(gain, "1"),
    )


def _told_of(side_by_side: Answer | None, identification: Identification) -> tuple[str, ...]:
    if isinstance(side_by_side, Unknown):
        return (f"sensors side by side: {side_by_side}", *identification.remarks)
    return identification.remarks


def _data_quality(house: House, grid: GriddedHouse, remarks: tuple[str, ...], expected: Survey) -> DataQuality:
    lacking = tuple(
        f"{missing.key} is not in the house file; it would tell {missing.would_tell}" for missing in missing_keys(house)
    )
    return DataQuality(
        signals=tuple(
            SignalQuality(
                signal=name,
                readings=quality.readings,
                coverage=quality.coverage,
                longest_gap_h=quality.longest_gap_h,
                remarks=quality.remarks,
            )
            for name, quality in sorted(grid.qualities.items())
        ),
        missing=tuple(n for n, signal in SIGNALS.items() if n not in grid.signals and not signal.forecast_h),
        remarks=(*remarks, f"infiltration by survey: {expected.infiltration_basis}", *lacking),
    )


def _ran_lately(grid: GriddedHouse, name: str) -> bool:
    values = grid.values(name)
    if values is None:
        return False
    steps = max(1, round(_RECENT_COOLING_H / grid.grid.step_h))
    return bool(np.nansum(values[-steps:]) > 0.0)


def _outdoor_day_mean(grid: GriddedHouse) -> float:
    last = grid.values_or_nan("outdoor.pm25")[-max(1, round(24.0 / grid.grid.step_h)) :]
    return float(np.nanmean(last)) if np.isfinite(last).any() else 0.0


def _outdoor_next_day(fan: FanAdvice) -> float:
    """Mean of outdoor PM2.5 that is forecast for the next 24 h, ug/m3."""
    ahead = [hour.outdoor_pm25 for hour in fan.hours_ahead[:24]]
    return float(np.mean(ahead)) if ahead else 0.0


def _trace(grid: GriddedHouse, books: Account, span_h: float, most_points: int) -> tuple[TracePoint, ...]:
    steps = min(grid.grid.count, round(span_h / grid.grid.step_h))
    width = max(1, -(-steps // most_points))
    points = steps // width
    first = grid.grid.count - points * width

    def means(values: FloatArray) -> list[float | None]:
        rows = values[first:].reshape(points, width)
        known = np.isfinite(rows)
        count = known.sum(axis=1)
        mean = np.where(known, rows, 0.0).sum(axis=1) / np.maximum(count, 1)
        return [value if some else None for value, some in zip(mean.tolist(), count.tolist(), strict=True)]

    columns = zip(
        means(grid.values_or_nan("indoor.pm25")),
        means(grid.values_or_nan("outdoor.pm25")),
        means(books.modelled_ug_m3),
        means(grid.fan),
        strict=True,
    )
    return tuple(
        TracePoint(
            time=grid.moment(grid.grid.start_h + (first + (number + 1) * width) * grid.grid.step_h),
            indoor_pm25=indoor,
            outdoor_pm25=outdoor,
            modelled_pm25=modelled,
            fan_fraction=fan,
        )
        for number, (indoor, outdoor, modelled, fan) in enumerate(columns)
    )
