"""Alarms: what is watched, and when it is raised and ends.

An alarm is raised once its condition has held without a break for as long as its rule says, and ends when the condition
no longer holds, with a margin for going back. Where the readings do not tell, nothing is raised and nothing ends.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from motemodel.units import INCH_POUND_UNIT, from_inside

from ..settings import AlarmRule, House, Units
from ..signals import Kind, signal_named
from ..store import Reading, from_us
from .assessment import Assessment, Document, Moment, Verdict

FAN_SIGNALS = ("fan.running", "heating.running", "cooling.running")

_OPEN_BELOW_PA = 5.0
"""Even a clean, large filter drops more than this while the fan runs (common practice, no source)."""

_BACK_SHARE = 0.05
_MANY_WRONG_TOKENS, _FEW_WRONG_TOKENS = 20, 5
"""In an hour; no source."""
_LEAST_SILENCE = timedelta(hours=1)
_WATCHED_FOR_SILENCE = ("indoor.pm25", "outdoor.pm25", "filter.pressure_drop", "duct.static_pressure")


class Phase(StrEnum):
    """Where an alarm stands."""

    CLEAR = "clear"
    PENDING = "pending"
    RAISED = "raised"


class Alarm(Document):
    """One alarm: `since` is when its phase began, `signal` what it watches, if one signal."""

    name: str
    phase: Phase
    since: Moment
    title: str
    text: str
    next_step: str
    worth_a_drive: bool
    signal: str | None = None
    acknowledged: Moment | None = None


@dataclass(frozen=True)
class Sight:
    """What can be seen at one moment; `running_since` is None while the fan rests or its state is not known.

    `store_trouble` says why the disk takes no readings, empty if it does; `wrong_tokens` is how many were shown in the
    last hour.
    """

    now: datetime
    latest: Mapping[str, Reading]
    assessment: Assessment | None = None
    running_since: datetime | None = None
    store_trouble: str = ""
    wrong_tokens: int = 0

    def fresh(self, signal: str) -> float | None:
        """The newest value of a signal, or None once it is too old to stand in for now, or from a clock ahead."""
        reading = self.latest.get(signal)
        if reading is None:
            return None
        age = self.now - from_us(reading.time_us)
        if not timedelta(minutes=-2) <= age <= timedelta(hours=signal_named(signal).hold_h):
            return None
        return reading.value


@dataclass(frozen=True)
class Finding:
    """Whether a condition holds (None: nobody can tell), and what is to be said of it."""

    holds: bool | None
    text: str = ""


class Watched:
    """One condition under watch; `judge` is asked with whether the alarm is raised, for the margin of going back."""

    name: str
    title: str
    next_step: str
    worth_a_drive = False
    lasting = timedelta(0)
    signal: str | None = None

    def judge(self, sight: Sight, *, raised: bool) -> Finding:
        """Whether the condition holds now."""
        raise NotImplementedError


class LimitWatch(Watched):
    """A signal beyond a limit."""

    def __init__(self, rule: AlarmRule, house: House, title: str = "") -> None:
        self._rule, self._house = rule, house
        self._limit, self._back_by = rule.limit, rule.back_by
        self.name, self.signal, self.next_step = rule.name, rule.signal, rule.next_step
        self.lasting, self.worth_a_drive = timedelta(hours=rule.lasting), rule.worth_a_drive
        side = "above" if rule.above is not None else "below"
        self.title = title or f"{rule.signal} is {side} {self._shown(self._limit)}"

    def judge(self, sight: Sight, *, raised: bool) -> Finding:
        """Whether the newest reading is beyond the limit, while the fan runs if the rule asks for that."""
        rule = self._rule
        if rule.only_while_running:
            since = sight.running_since
            if since is None or sight.now - since < timedelta(hours=rule.settle):
                return Finding(None)
        value = sight.fresh(rule.signal)
        if value is None:
            return Finding(None)
        back = self._back_by if raised else 0.0
        beyond = value > self._limit - back if rule.above is not None else value < self._limit + back
        side = "above" if rule.above is not None else "below"
        return Finding(
            beyond, f"{rule.signal} reads {self._shown(value)}, {side} the limit of {self._shown(self._limit)}."
        )

    def _shown(self, value: float) -> str:
        signal = signal_named(self._rule.signal)
        if signal.kind is Kind.STATE:
            return f"{value:g}"
        if self._house.units is Units.INCH_POUND:
            symbol = INCH_POUND_UNIT[signal.quantity]
            return f"{from_inside(value, symbol, signal.quantity):.3g} {symbol}"
        return f"{value:.3g} {signal.unit}"


class SilenceWatch(Watched):
    """A signal that used to come and has stopped."""

    next_step = "Check the sensor's power and its connection, then what brings its readings here."

    def __init__(self, signal: str) -> None:
        self.name, self.signal = f"silent-{signal.replace('.', '-').replace('_', '-')}", signal
        self.title = f"{signal} has fallen silent"

    def judge(self, sight: Sight, *, raised: bool) -> Finding:
        """Whether the newest reading no longer stands in for now."""
        newest = sight.latest.get(self.signal or "")
        if newest is None:
            return Finding(None)
        at = from_us(newest.time_us)
        hold = max(timedelta(hours=signal_named(newest.signal).hold_h), _LEAST_SILENCE)
        return Finding(sight.now - at > hold, f"The last reading of {newest.signal} is of {at:%Y-%m-%d %H:%M} UTC.")


class DeliveryWatch(Watched):
    """The assembly delivers less than it should."""

    name, title = "delivery-short", "The filter assembly delivers less clean air than it should"
    next_step = "Look at the likely causes, the first one first; the fan-off / fan-on test tells more."
    lasting, worth_a_drive = timedelta(days=1), True

    def judge(self, sight: Sight, *, raised: bool) -> Finding:
        """Whether the newest verdict is `short`; one that cannot tell ends nothing."""
        if sight.assessment is None:
            return Finding(None)
        delivery = sight.assessment.delivery
        if delivery.verdict is Verdict.CANNOT_TELL and raised:
            return Finding(None)
        return Finding(delivery.verdict is Verdict.SHORT, delivery.reason)


class FilterDueWatch(Watched):
    """The filter's day has come."""

    name, title = "filter-due", "The filter is due"
    next_step = "Change it, and say so on the filter's card, so that its new life is counted."

    def __init__(self, house: House) -> None:
        self._house = house

    def judge(self, sight: Sight, *, raised: bool) -> Finding:
        """Whether the day to change it is today or past, by the house's calendar."""
        if sight.assessment is None or sight.assessment.filter.change_on is None:
            return Finding(None)
        today = sight.now.astimezone(self._house.zone).date()
        return Finding(sight.assessment.filter.change_on <= today, sight.assessment.filter.reason)


class StoreWatch(Watched):
    """The disk takes no readings."""

    name, title = "store-not-written", "Readings cannot be kept"
    next_step = "Make room on the disk of the service, or see why it refuses; what sends readings should keep them."

    def judge(self, sight: Sight, *, raised: bool) -> Finding:
        """Whether the last that was to be kept was refused, or something was within the last minute."""
        return Finding(bool(sight.store_trouble), f"The store: {sight.store_trouble}." if sight.store_trouble else "")


class WrongTokensWatch(Watched):
    """Somebody, or a forgotten program, goes on showing tokens that open nothing."""

    name, title = "wrong-tokens", "Tokens that open nothing are shown again and again"
    next_step = "The service's log names the addresses; stop what asks there, or give it a new token."

    def judge(self, sight: Sight, *, raised: bool) -> Finding:
        """Whether more were shown in the last hour than a person who mistypes would."""
        return Finding(
            sight.wrong_tokens >= (_FEW_WRONG_TOKENS if raised else _MANY_WRONG_TOKENS),
            f"{sight.wrong_tokens} in the last hour were wrong, had ended or were revoked.",
        )


_OF_THE_SERVICE = frozenset({StoreWatch.name, WrongTokensWatch.name})


def is_told_with(alarm: Alarm, signals: frozenset[str]) -> bool:
    """Whether somebody who may see only these signals is told of an alarm: of none on others, nor on the service."""
    return alarm.signal in signals or (alarm.signal is None and alarm.name not in _OF_THE_SERVICE)


def watched_of(house: House) -> tuple[Watched, ...]:
    """Everything that is watched in a house: what every house has, and the rules of its own file."""
    own = tuple(LimitWatch(rule, house) for rule in house.alarm)
    return (
        StoreWatch(),
        WrongTokensWatch(),
        *_of_pressure(house),
        *(SilenceWatch(signal) for signal in _WATCHED_FOR_SILENCE),
        DeliveryWatch(),
        FilterDueWatch(house),
        *own,
    )


def _of_pressure(house: House) -> tuple[Watched, ...]:
    missing = AlarmRule(
        name="filter-open",
        signal="filter.pressure_drop",
        below=f"{_OPEN_BELOW_PA} Pa",
        back="2 Pa",
        only_while_running=True,
        next_step="See that the filter is in and whole, its door shut, and both hoses on their ports.",
        worth_a_drive=True,
    )
    opened = LimitWatch(missing, house, "The filter hardly resists: it is missing or torn, or a hose is off")
    final = None if house.filter is None else house.filter.final_drop
    if final is None:
        return (opened,)
    spent = AlarmRule(
        name="filter-drop",
        signal="filter.pressure_drop",
        above=f"{final} Pa",
        back=f"{_BACK_SHARE * final} Pa",
        only_while_running=True,
        next_step="Change the filter; a drop that came at once speaks of something lying against it.",
        worth_a_drive=True,
    )
    return (opened, LimitWatch(spent, house, "The filter's drop is beyond its budget"))


def stepped(watched: Watched, before: Alarm | None, sight: Sight) -> Alarm:
    """The alarm after one look.

    A clock that was set back starts a delay anew; an alarm that is pending needs its condition to be seen all along.
    """
    raised = before is not None and before.phase is Phase.RAISED
    phase = before.phase if before is not None else Phase.CLEAR
    since = min(before.since, sight.now) if before is not None else sight.now
    finding = watched.judge(sight, raised=raised)
    if finding.holds is None:
        after = Phase.RAISED if raised else Phase.CLEAR
    elif not finding.holds:
        after = Phase.CLEAR
    elif raised or (sight.now - (since if phase is Phase.PENDING else sight.now) >= watched.lasting):
        after = Phase.RAISED
    else:
        after = Phase.PENDING
    kept_text = before.text if before is not None else ""
    return Alarm(
        name=watched.name,
        phase=after,
        since=since if after is phase else sight.now,
        title=watched.title,
        text=finding.text if finding.holds is not None else kept_text,
        next_step=watched.next_step,
        worth_a_drive=watched.worth_a_drive,
        signal=watched.signal,
        acknowledged=before.acknowledged if before is not None and after is Phase.RAISED and raised else None,
    )
