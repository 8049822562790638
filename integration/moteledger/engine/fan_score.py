"""What came of the fan's decisions: the air and the fan while each stood, beside what was expected."""

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta

import numpy as np

from motemodel.measure import FaultRule, TimeGrid, find_faults, level_means, state_fractions

from ..signals import Kind, signal_named
from ..store import Series, to_us
from .assessment import Document, Moment
from .fan_answer import FanAnswer

_US_PER_H = 3_600_000_000
_SHORTEST = timedelta(minutes=1)
_MOSTLY = 0.8
_AIR = "indoor.pm25"
_BEFORE = timedelta(days=1)

ReadSeries = Callable[[str, int, int], Series]


class Outcome(Document):
    """What came of one decision up to the next one, or up to now.

    `expected_pm25` is the mean indoors that the plan expected for these hours, `indoor_pm25` the mean that was read
    (ug/m3, uncorrected), `fan_ran` the share of the time that the fan ran, `followed` whether a `run` was carried out;
    None where the readings, or the plan, do not tell.
    """

    until: Moment
    expected_pm25: float | None = None
    indoor_pm25: float | None = None
    fan_ran: float | None = None
    followed: bool | None = None


class Decision(Document):
    """One change of the answer: when it was made, all that it said, and what came of it."""

    time: Moment
    answer: FanAnswer
    outcome: Outcome


class Score(Document):
    """What the decisions came to together, each weighed by the time that it stood.

    `hours` are those of which the plan's expectation and the reading are both known, with their means (ug/m3);
    `runs` how often a run was asked for and the fan's state is known, `followed` how often it was carried out.
    """

    hours: float = 0.0
    expected_pm25: float | None = None
    indoor_pm25: float | None = None
    runs: int = 0
    followed: int = 0


def score_of(decisions: Sequence[Decision]) -> Score:
    """The score of some decisions and their outcomes."""
    both = [
        ((each.outcome.until - each.time) / timedelta(hours=1), each.outcome.expected_pm25, each.outcome.indoor_pm25)
        for each in decisions
    ]
    known = [(h, expected, read) for h, expected, read in both if expected is not None and read is not None]
    hours = sum(h for h, _, _ in known)
    runs = [each.outcome.followed for each in decisions if each.outcome.followed is not None]
    return Score(
        hours=hours,
        expected_pm25=sum(h * expected for h, expected, _ in known) / hours if known else None,
        indoor_pm25=sum(h * read for h, _, read in known) / hours if known else None,
        runs=len(runs),
        followed=sum(runs),
    )


def scored(decisions: Sequence[tuple[datetime, FanAnswer]], read: ReadSeries, now: datetime) -> tuple[Decision, ...]:
    """The decisions, the newest first as given, with their outcomes; `read` gives readings from and to microseconds."""
    if not decisions:
        return ()
    ends = [now, *(made for made, _ in decisions)]
    # A fault is seen by what the sensor told before it, so they are looked for in all the time at once.
    read = _without_faults(_AIR, read, to_us(decisions[-1][0] - _BEFORE), to_us(now) + 1)
    return tuple(
        Decision(time=made, answer=answer, outcome=_outcome(made, end, answer, read))
        for (made, answer), end in zip(decisions, ends, strict=False)
    )


def _without_faults(name: str, read: ReadSeries, start_us: int, end_us: int) -> ReadSeries:
    """The same reader, but that of one signal no impossible, stuck or saturated readings are given in that time."""
    signal, whole = signal_named(name), read(name, start_us, end_us)
    hours = (whole.time_us - start_us) / _US_PER_H
    usable = ~find_faults(hours, whole.value, FaultRule(signal.low, signal.high)).unusable
    sound = Series(whole.time_us[usable], whole.value[usable])

    def read_sound(asked: str, from_us: int, until_us: int) -> Series:
        if asked != name:
            return read(asked, from_us, until_us)
        part = slice(*np.searchsorted(sound.time_us, (max(from_us, start_us), until_us)))
        return Series(sound.time_us[part], sound.value[part])

    return read_sound


def _outcome(made: datetime, end: datetime, answer: FanAnswer, read: ReadSeries) -> Outcome:
    if end - made < _SHORTEST:
        return Outcome(until=end)
    ran = _mean_between("fan.running", made, end, read)
    return Outcome(
        until=end,
        expected_pm25=_expected(answer.expected_pm25_by_hour, (end - made) / timedelta(hours=1)),
        indoor_pm25=_mean_between(_AIR, made, end, read),
        fan_ran=ran,
        followed=None if ran is None or answer.action != "run" else ran >= _MOSTLY,
    )


def _expected(by_hour: Sequence[float], hours: float) -> float | None:
    """Mean of hourly values over the first `hours`; None beyond their end."""
    if not 0.0 < hours <= len(by_hour):
        return None
    weights = np.clip(hours - np.arange(len(by_hour)), 0.0, 1.0)
    return float(np.average(by_hour, weights=weights))


def _mean_between(name: str, start: datetime, end: datetime, read: ReadSeries) -> float | None:
    """Time-weighted mean of a signal as it was read; None where less than half of the time is known."""
    signal = signal_named(name)
    start_us, end_us, hold_us = to_us(start), to_us(end), round(signal.hold_h * _US_PER_H)
    series = read(name, start_us - hold_us, end_us + 1)
    times = (series.time_us - start_us) / _US_PER_H
    span = TimeGrid(0.0, (end_us - start_us) / _US_PER_H, 1)
    means = state_fractions if signal.kind is Kind.STATE else level_means
    mean = float(means(times, series.value, span, hold_h=signal.hold_h)[0])
    return mean if np.isfinite(mean) else None
