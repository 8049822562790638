"""The course of the simulated house: from tick to tick of 10 s the heating, from spell to spell the air."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .aerosol import Array
from .outdoor import Stretch
from .people import TICKS_PER_DAY, TICKS_PER_HOUR, Day, Meal, day
from .plant import DUST_AT_START_G, Running, Thermostat, running
from .room import Conditions, Room
from .truth import TRACE_EVERY, Trace

Flags = NDArray[np.bool_]
Ticks = NDArray[np.int64]

_MOST_PARTS = 100
_AT_REST = Running(airflow_m3h=0.0, drop_pa=0.0, static_pa=0.0, gap_share=0.0)


@dataclass(frozen=True, eq=False)
class Lived:
    """What a stretch of living left: states at every tick from `first_tick`, and at `stamps` what sensors can see."""

    first_tick: int
    temperature: Array
    heating: Flags
    fan: Flags
    window_open: Flags
    stamps: Ticks
    pm25: Array
    drop_pa: Array
    static_pa: Array


@dataclass(frozen=True)
class _Spell:
    """Ticks `begin` to before `end`, within one hour, in which nothing is switched."""

    begin: int
    end: int
    temperature: float
    fan: bool
    window_open: bool
    emission_ug_h: float


class Course:
    """The house from tick `clock` on; its calendar counts from the local midnight `origin`.

    A spell lasts from one change of fan, windows or stove to the next and at most to the end of the hour. Airflow and
    the share of the gaps are those of the filter as it stands when the spell begins.
    """

    def __init__(self, seed: int, clock: int, origin: int, stretch: Stretch, room: Room) -> None:
        self._seed, self.clock, self._origin = seed, clock, origin
        self._stretch, self._room = stretch, room
        self._thermostat = Thermostat()
        outdoor_now = stretch.hour((clock - origin) // TICKS_PER_HOUR).pm25[-1]
        self._state = room.at_rest(outdoor_now, DUST_AT_START_G)
        self._traces: list[Trace] = []

    def trace(self) -> Trace:
        """The true course so far, once a minute; the settling in before the start makes sure that there is some."""
        self._traces = [Trace.joined(self._traces)]
        return self._traces[0]

    def meals(self, first: int, end: int) -> list[Meal]:
        """The meals whose cooking begins between two ticks."""
        return [meal for today in self._days(first, end) for meal in today.meals if first <= meal.start < end]

    def run(self, end: int, every: int) -> Lived:
        """Live to before tick `end`, with a stamp at every whole `every` ticks since 1970 UTC."""
        first = self.clock
        circulate, window_open, emission = self._people(first, end)
        temperature, heating, fan = self._thermostat.run(
            first - self._origin, self._outdoor_temperature(first, end), window_open, circulate
        )
        switched = (np.diff(fan) | np.diff(window_open) | (np.diff(emission) != 0.0)).nonzero()[0] + 1
        whole_hours = np.arange((self._origin - first) % TICKS_PER_HOUR, end - first, TICKS_PER_HOUR)
        breaks = np.unique(np.concatenate([[0], switched, whole_hours, [end - first]])).tolist()
        traces = [
            self._live(
                _Spell(
                    first + begin,
                    first + finish,
                    float(temperature[begin]),
                    bool(fan[begin]),
                    bool(window_open[begin]),
                    float(emission[begin]),
                ),
                every,
            )
            for begin, finish in pairwise(breaks)
        ]
        self.clock = end
        seen = Trace.joined(traces)
        self._remember(seen.every(TRACE_EVERY))
        return Lived(first, temperature, heating, fan, window_open, seen.tick, seen.pm25, seen.drop_pa, seen.static_pa)

    def _remember(self, lived: Trace) -> None:
        """Add to the trace; many small steps are joined now and then, so that a house may live on for months."""
        if len(lived.tick):
            self._traces.append(lived)
        if len(self._traces) > _MOST_PARTS:
            self._traces = [Trace.joined(self._traces)]

    def _days(self, first: int, end: int) -> list[Day]:
        """The local days that touch the ticks from `first` to before `end`."""
        midnight = self._origin + (first - self._origin) // TICKS_PER_DAY * TICKS_PER_DAY
        return [day(self._seed, tick) for tick in range(midnight, end, TICKS_PER_DAY)]

    def _people(self, first: int, end: int) -> tuple[Flags, Flags, Array]:
        """Whether the fan circulates and windows are open, and what the stove gives off (ug/h), at every tick."""
        circulate, window_open = np.zeros(end - first, np.bool_), np.zeros(end - first, np.bool_)
        emission = np.zeros(end - first)

        def within(start: int, finish: int) -> slice:
            return slice(max(start - first, 0), max(finish - first, 0))

        for today in self._days(first, end):
            for span in today.circulation:
                circulate[within(*span)] = True
            for span in today.windows_open:
                window_open[within(*span)] = True
            for meal in today.meals:
                emission[within(meal.start, meal.end)] = meal.emission_ug_h
        return circulate, window_open, emission

    def _outdoor_temperature(self, first: int, end: int) -> Array:
        hours = (np.arange(first, end) - self._origin) / TICKS_PER_HOUR
        measured = self._stretch.temperature
        return np.interp(hours, np.arange(len(measured)), measured, period=len(measured))

    def _live(self, spell: _Spell, every: int) -> Trace:
        """Take the air through one spell; returns what was true at its stamps."""
        index, into_hour = divmod(spell.begin - self._origin, TICKS_PER_HOUR)
        work = running(self._room.dust_g(self._state)) if spell.fan else None
        conditions = Conditions(
            self._stretch.hour(index), spell.temperature, spell.window_open, spell.emission_ug_h, work
        )
        stamps = np.arange(spell.begin + -spell.begin % every, spell.end, every)
        ticks = np.concatenate([[spell.begin], stamps, [spell.end]])
        fractions = (ticks - spell.begin + into_hour) / TICKS_PER_HOUR
        states = self._room.follow(self._state, conditions, fractions)
        self._state = states[-1]
        moments = self._room.moments(states[1:-1], conditions, fractions[1:-1])
        shown = work or _AT_REST
        same = np.ones(len(stamps))
        return Trace(
            tick=stamps,
            pm25=moments.pm25,
            account=moments.account,
            infiltration_m3h=moments.infiltration_m3h,
            deposition_per_h=moments.deposition_per_h,
            one_pass_efficiency=moments.one_pass_efficiency,
            airflow_m3h=shown.airflow_m3h * same,
            drop_pa=shown.drop_pa * same,
            static_pa=shown.static_pa * same,
            window_open=spell.window_open * same,
        )
