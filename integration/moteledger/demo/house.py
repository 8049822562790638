"""The simulated house as a source of readings."""

from datetime import datetime

import numpy as np

from ..store import Reading, from_us, to_us
from . import sensors
from .course import Course, Lived
from .outdoor import local_midnight, measured_stretch
from .people import TICKS_PER_HOUR
from .room import Room
from .truth import Event, Truth, truth_of

_HISTORY_EVERY = 6
_LIVE_EVERY = 1
_TEMPERATURE_EVERY = 30
_SETTLING_IN = 12 * TICKS_PER_HOUR


class SimulatedHouse:
    """A house that lives: `readings` makes its history, `advance` lets it go on from there.

    Everything is drawn from `seed` (a whole number from 0); the same seed and start give the same readings.
    `size_classes` and the relative `tolerance` are those of the integration.

    >>> from datetime import UTC, datetime
    >>> house = SimulatedHouse(seed=1)
    >>> history = house.readings(datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 1, 2, tzinfo=UTC))
    >>> news = house.advance(datetime(2026, 1, 2, 0, 0, 10, tzinfo=UTC))
    >>> sorted(reading.signal for reading in news)[:3]
    ['duct.static_pressure', 'fan.running', 'filter.pressure_drop']
    """

    def __init__(self, seed: int = 1, *, size_classes: int = 24, tolerance: float = 1e-6) -> None:
        if seed < 0:
            raise ValueError(f"seed {seed} is negative; give a whole number from 0")
        if not 1e-12 <= tolerance <= 1e-2:
            raise ValueError(f"tolerance {tolerance} is not within 1e-12 to 1e-2; give for example 1e-6")
        self._seed = seed
        self._room = Room(size_classes, tolerance)
        self._stretch = measured_stretch()
        self._course: Course | None = None
        self._origin = self._begun = 0
        self._told: dict[str, bool] = {}

    def readings(self, start: datetime, end: datetime) -> list[Reading]:
        """Begin anew at `start` and live to before `end`; readings by rising time.

        Indoor PM2.5 and the pressures every minute, indoor temperature every five, outdoors every hour, a state when it
        changes and every hour. An hourly PM2.5 is stamped with the start of its hour and told when the hour is over.
        Raises ValueError for a time without zone and for an end that is not after the start.
        """
        first, last = _tick_from(start), _tick_from(end)
        if last <= first:
            raise ValueError(f"end {end.isoformat()} is not after start {start.isoformat()}; give a later end")
        self._begun, self._origin = first, to_us(local_midnight(start)) // sensors.US_PER_TICK
        self._told = {}
        self._course = Course(self._seed, first - _SETTLING_IN, self._origin, self._stretch, self._room)
        self._course.run(first, _HISTORY_EVERY)
        return self._told_of(self._course.run(last, _HISTORY_EVERY))

    def advance(self, to: datetime) -> list[Reading]:
        """Go on from where it stopped to before `to`, indoor PM2.5 and pressures every 10 s; readings by rising time.

        Empty while `to` is no later than where it stopped. Raises ValueError before `readings` has begun a run.
        """
        course, last = self._living(), _tick_from(to)
        return self._told_of(course.run(last, _LIVE_EVERY)) if last > course.clock else []

    def truth(self, start: datetime | None = None, end: datetime | None = None) -> Truth:
        """What was true between `start` and `end`, or of the whole run; raises ValueError if nothing lies between."""
        course = self._living()
        first = self._begun if start is None else max(_tick_from(start), self._begun)
        last = course.clock if end is None else min(_tick_from(end), course.clock)
        events = tuple(
            Event(_moment(meal.start), _moment(meal.end), meal.emitted_mg) for meal in course.meals(first, last)
        )
        period = course.trace().between(first, last)
        return truth_of(period, _moment(first), _moment(last), events, self._room.pm25_penetration, sensors.INDOOR_GAIN)

    def _living(self) -> Course:
        if self._course is None:
            raise ValueError("the house has not begun to live; call readings(start, end) first")
        return self._course

    def _told_of(self, lived: Lived) -> list[Reading]:
        """Everything that the sensors and the weather station tell of a stretch of living."""
        seed, first = self._seed, lived.first_tick
        told = sensors.indoor_pm25(seed, lived.stamps, lived.pm25)
        told += sensors.pressure(seed, "filter.pressure_drop", lived.stamps, lived.drop_pa)
        told += sensors.pressure(seed, "duct.static_pressure", lived.stamps, lived.static_pa)
        ticks = np.arange(first + -first % _TEMPERATURE_EVERY, first + len(lived.temperature), _TEMPERATURE_EVERY)
        told += sensors.level("indoor.temperature", ticks, lived.temperature[ticks - first], 1)
        for signal, values in (
            ("fan.running", lived.fan),
            ("heating.running", lived.heating),
            ("window.open", lived.window_open),
        ):
            told += sensors.state(signal, first, values, self._told.get(signal), TICKS_PER_HOUR)
            self._told[signal] = bool(values[-1])
        told += self._weather_station(first, first + len(lived.fan))
        return sorted(told)

    def _weather_station(self, first: int, end: int) -> list[Reading]:
        """Temperature and wind of the moment and PM2.5 of the hour just over, where it was measured."""
        ticks = np.arange(first + (self._origin - first) % TICKS_PER_HOUR, end, TICKS_PER_HOUR)
        hours = (ticks - self._origin) // TICKS_PER_HOUR % len(self._stretch)
        over = ticks - TICKS_PER_HOUR
        pm25 = self._stretch.pm25[hours - 1]
        measured = np.isfinite(pm25) & (over >= self._begun)
        return [
            *sensors.level("outdoor.temperature", ticks, self._stretch.temperature[hours], 1),
            *sensors.level("outdoor.wind_speed", ticks, self._stretch.wind[hours], 2),
            *sensors.level("outdoor.pm25", over[measured], pm25[measured], 1),
        ]


def _tick_from(moment: datetime) -> int:
    """The first tick at or after `moment`."""
    return -(-to_us(moment) // sensors.US_PER_TICK)


def _moment(tick: int) -> datetime:
    return from_us(tick * sensors.US_PER_TICK)
