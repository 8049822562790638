"""Readings of a house onto one even time grid, each signal by its kind and its declared sensor."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from math import inf

import numpy as np
from numpy.typing import NDArray

from motemodel.bounds import FloatArray
from motemodel.measure import (
    Correction,
    DataQuality,
    FaultRule,
    GriddedSignal,
    Stamp,
    TimeGrid,
    checked_by_fan,
    clock_lag,
    gridded_level,
    gridded_runtime,
    gridded_state,
    gridded_total,
    shifted,
)

from ..settings import House
from ..signals import Kind, signal_named
from ..store import Series, from_us

_US_PER_H = 3_600_000_000
_STEPS_S = (60, 900, 1800, 3600)
_SLOWEST_FOR_MINUTES_S = 600.0
"""Sensors up to this interval are put on minutes: the fan switches by the minute, and the identification knows how many
steps one reading spans."""
_NEEDED = ("indoor.pm25", "outdoor.pm25")
_SLOWEST_USUAL_H = 1.0
"""A sensor may tell as seldom as this without each of its pauses counting as a gap."""
_FAN = ("fan.running", "fan.runtime", "fan.runtime_total")
_DROP = "filter.pressure_drop"
_CALLS = ("cooling.running", "heating.running")
_RESTS_WITH_THE_FAN = {_DROP, "duct.static_pressure", "duct.airflow", "fan.power"}
_USUAL_DUST = (0.1, 2_000.0)
"""The median of a dust sensor lies in between wherever people live, ug/m3 (common practice, no source)."""
_SHORTEST_PERIOD_H = 1.0
_LONGEST_PERIOD_H = 3.0 * 8766.0


class AssessmentError(ValueError):
    """The readings cannot be assessed; the message says which signal, what is wrong and what to add."""


@dataclass(frozen=True)
class GriddedHouse:
    """All signals of a house on one grid; hours of the grid count from `origin_us` (microseconds since 1970 UTC).

    `remarks`: what was done to the signals beside what each one's own quality says.
    """

    origin_us: int
    grid: TimeGrid
    signals: Mapping[str, GriddedSignal]
    remarks: tuple[str, ...] = ()

    def values(self, name: str) -> FloatArray | None:
        """The step means of a signal, shape (steps,), NaN where unknown; None where the house has no such signal."""
        found = self.signals.get(name)
        return found.values if found is not None and np.isfinite(found.values).any() else None

    def values_or_nan(self, name: str) -> FloatArray:
        """As `values`, all NaN where the house has no such signal."""
        found = self.values(name)
        return np.full(self.grid.count, np.nan) if found is None else found

    @property
    def fan_by_itself(self) -> GriddedSignal | None:
        """The fan's own state or runtime; None where neither is known."""
        return next((self.signals[name] for name in _FAN if self.values(name) is not None), None)

    @property
    def fan_signals(self) -> tuple[GriddedSignal, ...]:
        """What the fan is told by: its own state or runtime, or else the calls that run it."""
        own = self.fan_by_itself
        return tuple(self.signals[name] for name in _CALLS if self.values(name) is not None) if own is None else (own,)

    @property
    def fan(self) -> FloatArray:
        """Fraction of each step that the fan ran, by `fan_signals`; NaN where unknown."""
        told = [signal.values for signal in self.fan_signals]
        return np.fmax.reduce(told) if told else np.full(self.grid.count, np.nan)

    @property
    def fan_late_h(self) -> float:
        """How long after a switch of the fan it may be told, h: what is only sampled tells it with the next sample."""
        return max((signal.quality.late_h for signal in self.fan_signals), default=0.0)

    @property
    def fan_share(self) -> float:
        """Share of the known time that the fan ran, 0..1; nought where it is not known at all."""
        known = self.fan[np.isfinite(self.fan)]
        return float(known.mean()) if known.size else 0.0

    @property
    def qualities(self) -> Mapping[str, DataQuality]:
        """How good each signal's readings were."""
        return {name: signal.quality for name, signal in self.signals.items()}

    def moment(self, time_h: float) -> datetime:
        """Hours of the grid as a moment in UTC."""
        return from_us(self.origin_us + round(time_h * _US_PER_H))

    def hours(self, time_us: int) -> float:
        """Microseconds since 1970 UTC as hours of the grid."""
        return (time_us - self.origin_us) / _US_PER_H


def gridded(house: House, readings: Mapping[str, Series]) -> GriddedHouse:
    """Put a house's readings, not forecasts, on one grid, from the first moment indoors and outdoors are both known.

    The step is a minute, or for an indoor sensor slower than ten minutes its own interval, up to an hour. A fan whose
    clock the air shows to be wrong is moved to the air's time, and with it all that is stamped by the same clock.
    Raises AssessmentError when a needed signal is missing or has no reading that can be used, and when the period is
    shorter than an hour or, most likely by a stray time, longer than three years.
    """
    for name in _NEEDED:
        if name not in readings or len(readings[name]) < 2:
            have = ", ".join(sorted(signal for signal, series in readings.items() if len(series))) or "no signal yet"
            raise AssessmentError(f"{name}: fewer than two readings (there are readings of {have}); add that signal")
    indoor, outdoor = (readings[name] for name in _NEEDED)
    # The first reading of a sensor that stamps the end of its interval speaks for the time before it.
    first_us = max(int(indoor.time_us[0]), int(outdoor.time_us[0]))
    last_us = int(indoor.time_us[-1])
    _check_period(first_us, last_us)
    origin_us = first_us // (24 * _US_PER_H) * (24 * _US_PER_H)
    typical_s = float(np.median(np.diff(indoor.time_us))) / 1e6
    slow = typical_s > 1.01 * _SLOWEST_FOR_MINUTES_S
    step_s = next((step for step in _STEPS_S if step >= 0.99 * typical_s), _STEPS_S[-1]) if slow else _STEPS_S[0]
    grid = TimeGrid.covering((first_us - origin_us) / _US_PER_H, (last_us - origin_us) / _US_PER_H, step_s / 3600.0)
    signals: dict[str, GriddedSignal] = {}
    # Humidity first: corrections of other sensors may need it.
    for name in sorted(readings, key=lambda name: (not name.endswith(".humidity"), name)):
        if len(readings[name]) and not signal_named(name).forecast_h:
            signals[name] = _gridded_signal(house, name, readings[name], origin_us, grid, signals)
    found = GriddedHouse(origin_us, grid, signals)
    for name in _NEEDED:
        if found.values(name) is None:
            why = "; ".join(signals[name].quality.remarks)
            raise AssessmentError(f"{name}: no reading can be used ({why}); check the sensor, its unit and its clock")
    steps = _fan_late_by(found)
    in_time = _with_fan_moved(found, steps) if steps else found
    return _with_drop_by_fan(in_time, _drop_read_in(house, found, in_time, readings, steps))


def _drop_read_in(
    house: House, found: GriddedHouse, in_time: GriddedHouse, readings: Mapping[str, Series], steps: int
) -> NDArray[np.bool_]:
    """The steps in which the filter's drop was read, moved along where it was moved with the fan; shape (steps,)."""
    grid, read = found.grid, np.zeros(found.grid.count)
    if _DROP in found.signals:
        at = ((readings[_DROP].time_us - found.origin_us) / _US_PER_H - grid.start_h) / grid.step_h
        # A reading on the edge of two steps speaks for the one before it if it stamps the end.
        step = (np.ceil(at - 1e-6) - 1 if house.sensor(_DROP).stamp is Stamp.END else np.floor(at + 1e-6)).astype(int)
        read[step[(step >= 0) & (step < grid.count)]] = 1.0
        if in_time.signals[_DROP] is not found.signals[_DROP]:
            read = shifted(read, steps, 0.0)
    return read > 0.0


def _with_drop_by_fan(found: GriddedHouse, read: NDArray[np.bool_]) -> GriddedHouse:
    """The filter's drop, `read` in these steps, without what the fan's own state contradicts (`checked_by_fan`).

    The calls for heating and cooling are no state of the fan: it may well run without any.
    """
    fan, drop = found.fan_by_itself, found.signals.get(_DROP)
    if fan is None or drop is None:
        return found
    return replace(found, signals={**found.signals, _DROP: checked_by_fan(drop, fan, read, found.grid.step_h)})


def _fan_late_by(found: GriddedHouse) -> int:
    """By how many steps the indoor air shows the fan's clock to be behind it (`clock_lag`); nought where it does not.

    A state that is only sampled tells a switch late by up to its interval, without any clock being wrong.
    """
    step_h = found.grid.step_h
    lag = clock_lag(found.values_or_nan("indoor.pm25"), found.fan, step_h)
    return round(lag.lag_h / step_h) if lag.told and abs(lag.lag_h) > found.fan_late_h + 1e-9 else 0


def _with_fan_moved(found: GriddedHouse, steps: int) -> GriddedHouse:
    """The fan's signals moved later by so many steps (earlier if negative), with a remark of it.

    Whatever else goes with the fan (calls, pressures, power) is moved along where it keeps the fan's time rather than
    the air's. Which of the two clocks is wrong cannot be told; all else is kept by the air's.
    """
    fan = found.fan
    in_time = shifted(fan, steps)

    def moved(name: str, signal: GriddedSignal) -> GriddedSignal:
        others = name in _CALLS or name in _RESTS_WITH_THE_FAN
        goes_along = others and _alike(signal.values, fan) > _alike(signal.values, in_time)
        return replace(signal, values=shifted(signal.values, steps)) if name in _FAN or goes_along else signal

    minutes, side = 60.0 * abs(steps) * found.grid.step_h, "later" if steps > 0 else "earlier"
    remark = (
        f"the air follows the fan {minutes:.0f} min {side} than the stamps say: one of the two clocks is wrong; all "
        "figures move the fan's times by that, put the clock right"
    )
    signals = {name: moved(name, signal) for name, signal in found.signals.items()}
    return replace(found, signals=signals, remarks=(*found.remarks, remark))


def _alike(values: FloatArray, fan: FloatArray) -> float:
    """The correlation of a signal with the running of the fan; nought where either never changes."""
    known = np.isfinite(values) & np.isfinite(fan)
    if not known.any() or np.ptp(values[known]) == 0.0 or np.ptp(fan[known]) == 0.0:
        return 0.0
    return float(np.corrcoef(values[known], fan[known])[0, 1])


def _check_period(first_us: int, last_us: int) -> None:
    first, last = (f"{from_us(moment):%Y-%m-%dT%H:%M:%SZ}" for moment in (first_us, last_us))
    hours = (last_us - first_us) / _US_PER_H
    if hours < 0.0:
        raise AssessmentError(
            f"indoor.pm25 and outdoor.pm25: never known together, since one ends on {last}, before the other begins on "
            f"{first}; give readings of the same time"
        )
    if hours < _SHORTEST_PERIOD_H:
        raise AssessmentError(
            f"indoor.pm25 and outdoor.pm25: known together from {first} to {last} only; record at least an hour, "
            "better three days"
        )
    if hours > _LONGEST_PERIOD_H:
        raise AssessmentError(
            f"indoor.pm25 and outdoor.pm25: from {first} to {last} is more than three years; take out stray times, "
            "or assess a shorter time"
        )


def _usual_interval_h(time_h: FloatArray) -> float:
    return min(float(np.median(np.diff(time_h))), _SLOWEST_USUAL_H) if time_h.size > 1 else 0.0


def _gridded_signal(
    house: House,
    name: str,
    series: Series,
    origin_us: int,
    grid: TimeGrid,
    already: Mapping[str, GriddedSignal],
) -> GriddedSignal:
    signal, sensor = signal_named(name), house.sensor(name)
    time_h = (series.time_us - origin_us) / _US_PER_H
    hold_h = sensor.hold or max(signal.hold_h, 1.5 * _usual_interval_h(time_h))
    if signal.kind is Kind.STATE:
        return gridded_state(time_h, series.value, grid, hold_h=hold_h)
    if signal.kind is Kind.RUNTIME:
        return gridded_runtime(time_h, series.value, grid, hold_h=hold_h)
    if signal.kind is Kind.TOTAL:
        return gridded_total(time_h, series.value, grid, hold_h=hold_h)
    place = "outdoor" if name.startswith("outdoor.") else "indoor"
    humidity = already.get(f"{place}.humidity")
    # A pressure or a power that stays at nought while the fan rests is no stuck sensor.
    stuck_h = inf if name in _RESTS_WITH_THE_FAN or name.endswith("temperature") else 6.0
    # Nor is one that is read once in a short run, between two rests, a spike, or what it has grown to saturated.
    of_fan = {"spike_factor": inf, "saturation_factor": inf} if name in _RESTS_WITH_THE_FAN else {}
    try:
        found = gridded_level(
            time_h,
            series.value,
            grid,
            hold_h=hold_h,
            stamp=sensor.stamp,
            rule=FaultRule(signal.low, signal.high, stuck_h, usual=_USUAL_DUST if ".pm" in name else None, **of_fan),
            correction=Correction(sensor.gain, sensor.offset, sensor.humidity_growth),
            humidity_percent=None if humidity is None else humidity.values,
        )
    except ValueError as error:
        raise AssessmentError(f"{name}: {error}") from None
    # A declared correction may carry a reading past anything that the model knows.
    return replace(found, values=np.minimum(found.values, signal.high))
