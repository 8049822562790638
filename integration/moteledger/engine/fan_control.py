"""The fan's answer over time: least run and rest times, a person's wish, and `leave` whenever anything is in doubt.

Two clocks are read. Moments (readings, validity) are of the wall clock, which may be set forward or back at any time.
Least times are counted by the monotonic clock alone, and after a restart from the restart on, so that no step of the
wall clock shortens one.
"""

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf
from threading import RLock
from typing import Protocol

from pydantic import ValidationError

from motemodel.plan import Dwell

from ..settings import House
from ..store import StoreError, to_us
from .assessment import Action, DataBehind, Document, FanAdvice, Moment
from .fan_answer import FanAnswer, Override, ReasonCode

_log = logging.getLogger(__name__)

LONGEST_VALIDITY = timedelta(minutes=15)
LONGEST_OVERRIDE = timedelta(hours=24)
DECISION = "fan_decision"

_KEPT = "fan_control"
_KEPT_AT_US = 0
"""What is kept has one place: by its own moment, one from before the clock was set back would pass for the newest."""
_LEAVE_FOR = timedelta(minutes=1)
_UNTIL_THE_NEXT_DECISION = timedelta(seconds=90)
_RECORDS_STAND = timedelta(minutes=3)
"""A run is decided on, and its record renewed, about every minute; one that was not may have ended."""
_CLOCK_JITTER = timedelta(seconds=2)
_CLOCKS_AGREE = timedelta(minutes=5)
_LEAST_CONFIDENCE = 0.5


class Snapshots(Protocol):
    """The part of a store in which decisions are kept."""

    def keep_snapshot(self, kind: str, time_us: int, document: str) -> None:
        """Keep a document; returns once it is safe, raises StoreError if it cannot be."""

    def latest_snapshot(self, kind: str) -> tuple[int, str] | None:
        """The time and the document kept last of that kind."""


@dataclass(frozen=True)
class LeastTimes:
    """How long the fan runs at least once asked to, and rests at least once it is no longer asked to."""

    run: timedelta = timedelta(hours=Dwell().least_run_h)
    rest: timedelta = timedelta(hours=Dwell().least_rest_h)

    def __post_init__(self) -> None:
        for name, least in (("run", self.run), ("rest", self.rest)):
            if not timedelta(0) <= least <= timedelta(hours=2):
                raise ValueError(f"least {name}: {least}; give 0 to 2 hours")

    @classmethod
    def of(cls, house: House) -> "LeastTimes":
        """Those of a house file."""
        return cls(timedelta(hours=house.fan.least_run), timedelta(hours=house.fan.least_rest))


@dataclass(frozen=True)
class Wish:
    """What would be answered if there were no least times; `good_until` bounds it by the data behind it."""

    action: Action
    code: ReasonCode
    reason: str
    until: datetime
    good_until: datetime
    confidence: float = 0.0
    based_on: tuple[DataBehind, ...] = ()
    expected_pm25_by_hour: tuple[float, ...] = ()
    speed: str | None = None


@dataclass(frozen=True)
class Watch:
    """What was last asked, and when a run last began and ended, in seconds of the monotonic clock."""

    action: Action = "leave"
    run_began_s: float = -inf
    run_ended_s: float = -inf

    def then(self, action: Action, tick_s: float) -> "Watch":
        """The watch once `action` is asked at `tick_s`."""
        began = tick_s if action == "run" and self.action != "run" else self.run_began_s
        ended = tick_s if action != "run" and self.action == "run" else self.run_ended_s
        return Watch(action, began, ended)

    def run_left(self, least: LeastTimes, tick_s: float) -> timedelta:
        """How much is left of the least time of the last run."""
        return _left(least.run, tick_s - self.run_began_s)

    def rest_left(self, least: LeastTimes, tick_s: float) -> timedelta:
        """How much is left of the least rest after the last run; nothing while it goes on."""
        return timedelta(0) if self.action == "run" else _left(least.rest, tick_s - self.run_ended_s)


def _left(least: timedelta, passed_s: float) -> timedelta:
    return timedelta(seconds=max(least.total_seconds() - passed_s, 0.0))


@dataclass(frozen=True)
class _Given:
    """An answer and when it was given, by both clocks."""

    answer: FanAnswer
    at: datetime
    tick_s: float

    def lapsed(self, now: datetime, tick_s: float) -> ReasonCode | None:
        """Why the answer no longer holds, by whichever clock says so first."""
        if now < self.at - _CLOCK_JITTER:
            return ReasonCode.CLOCK
        valid_s = (self.answer.valid_until - self.at).total_seconds()
        if now >= self.answer.valid_until or tick_s - self.tick_s >= valid_s:
            return ReasonCode.LAPSED
        return None


class _Kept(Document):
    """What outlives the process: the answer given last, with any override, and when."""

    answer: FanAnswer
    at: Moment


def wish_of_plan(fan: FanAdvice | None, now: datetime) -> Wish:
    """What the newest advice would have the fan do now, or `leave` with the first reason not to act on it."""
    if fan is None:
        return _leave(now, ReasonCode.NO_ADVICE, "There is no advice yet: it takes an hour of readings and some time.")
    doubt = _doubt(fan, now)
    if doubt is not None:
        code, reason = doubt
        return _leave(now, code, reason, fan.based_on)
    good_until = min(behind.good_until for behind in fan.based_on)
    planned_until = fan.planned_until or fan.valid_until
    spans = [span for span in fan.schedule if span.start <= now < span.end]
    under_way = [span.end for span in spans]
    coming = [span.start for span in fan.schedule if span.start > now]
    action: Action = "run" if under_way else "rest"
    code = ReasonCode.PLANNED_RUN if under_way else ReasonCode.PLANNED_REST
    until = min([*under_way, *coming, planned_until]) + _UNTIL_THE_NEXT_DECISION
    return Wish(
        action,
        code,
        fan.reason,
        until,
        min(good_until, planned_until),
        confidence=fan.confidence,
        based_on=fan.based_on,
        expected_pm25_by_hour=fan.expected_pm25_by_hour,
        speed=spans[0].speed if spans else None,
    )


def _doubt(fan: FanAdvice, now: datetime) -> tuple[ReasonCode, str] | None:
    if fan.action_now == "leave":
        return ReasonCode.CANNOT_TELL, fan.reason
    if not fan.based_on:
        return ReasonCode.NO_ADVICE, "The advice does not say which readings it rests on, so it is not acted on."
    too_old = [doubt for doubt in (_doubt_of(behind, now) for behind in fan.based_on) if doubt is not None]
    if too_old:
        return too_old[0]
    if now >= (fan.planned_until or fan.valid_until):
        return ReasonCode.STALE_DATA, "The plan has run out, and there is no newer one."
    if fan.confidence < _LEAST_CONFIDENCE:
        return ReasonCode.DOUBT, "It is too uncertain whether that would be right now, so nothing is asked."
    return None


def _doubt_of(behind: DataBehind, now: datetime) -> tuple[ReasonCode, str] | None:
    if behind.newest > now + _CLOCKS_AGREE:
        clocks = "check the clocks of the sensor and of this computer"
        return ReasonCode.CLOCK, f"{behind.signal} is stamped in the future; {clocks}."
    if now >= behind.good_until:
        return ReasonCode.STALE_DATA, f"There is no reading of {behind.signal} since {behind.newest:%H:%M} UTC."
    return None


def _leave(now: datetime, code: ReasonCode, reason: str, based_on: tuple[DataBehind, ...] = ()) -> Wish:
    until = now + _LEAVE_FOR
    return Wish("leave", code, reason, until, until, based_on=based_on)


def wish_of_person(override: Override) -> Wish:
    """What a person asked for; it rests on no reading."""
    reason = {
        "run": "A person asked for the fan to run.",
        "rest": "A person asked for the fan to rest.",
        "leave": "A person asked to leave the fan to its thermostat.",
    }[override.action]
    return Wish(override.action, ReasonCode.PERSON, reason, override.until, override.until, confidence=1.0)


def permitted(wish: Wish, watch: Watch, least: LeastTimes, tick_s: float) -> Wish:
    """The wish as least times let it be.

    A run that is not over yet goes on for the plan's sake while its data are good; a person's wish is never turned into
    its opposite, but waits as `leave`. `leave` itself is always free: it stops nothing, it hands back.
    """
    run_left, rest_left = watch.run_left(least, tick_s), watch.rest_left(least, tick_s)
    if wish.action == "run" and rest_left:
        waits: Action = "rest" if watch.action == "rest" and wish.code is not ReasonCode.PERSON else "leave"
        return replace(
            wish,
            action=waits,
            code=ReasonCode.LEAST_REST_TIME,
            reason=f"The fan rests at least {_minutes(least.rest)} min between two runs. After that: {wish.reason}",
        )
    if wish.action == "rest" and watch.action != "rest" and run_left:
        goes_on = watch.action == "run" and wish.code is not ReasonCode.PERSON
        return replace(
            wish,
            action="run" if goes_on else "leave",
            code=ReasonCode.LEAST_RUN_TIME,
            reason=f"Once asked to, the fan runs at least {_minutes(least.run)} min. After that: {wish.reason}",
        )
    return wish


def _minutes(least: timedelta) -> str:
    return f"{least.total_seconds() / 60.0:g}"


class FanControl:
    """Keeps the answer of one house's fan; safe to use from many threads at once.

    `decide` is called with the newest advice every minute or so; `answer` tells what holds now. What
    was decided is on the disk before it is told, so that a restart neither cuts a run short nor starts one too soon.
    A run is taken up only from a record of the last minutes: had the disk refused its end, an older record would stand.
    """

    def __init__(
        self,
        store: Snapshots,
        clock: Callable[[], datetime],
        *,
        monotonic: Callable[[], float] = time.monotonic,
        least: LeastTimes | None = None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._monotonic = monotonic
        self._least = least or LeastTimes()
        self._lock = RLock()
        self._advice: FanAdvice | None = None
        self._override: Override | None = None
        self._watch = Watch()
        self._given: _Given | None = None
        self._stopped = False
        self._take_up()

    def decide(self, advice: FanAdvice | None) -> FanAnswer:
        """Decide anew on the newest advice; the answer is kept before it is given."""
        with self._lock:
            self._advice = advice
            return self._decide()

    def answer(self) -> FanAnswer:
        """What holds now: the last decision, or `leave` once that has lapsed."""
        with self._lock:
            now, tick_s = self._clock(), self._monotonic()
            if self._stopped:
                return self._plain_leave(now, ReasonCode.SHUTDOWN)
            self._notice_lapse(now, tick_s)
            return self._plain_leave(now, ReasonCode.NO_ADVICE) if self._given is None else self._given.answer

    def override(self, action: Action, lasting: timedelta, note: str = "") -> FanAnswer:
        """Let a person's wish stand in for the plan from now on; raises ValueError for a time not within a day."""
        if not timedelta(minutes=1) <= lasting <= LONGEST_OVERRIDE:
            raise ValueError(f"an override of {lasting} is not within 1 minute and 24 hours; give another time")
        with self._lock:
            now = self._clock()
            self._override = Override(action=action, given=now, until=now + lasting, note=note)
            return self._decide()

    def lift(self) -> FanAnswer:
        """Go back from a person's wish to the plan."""
        with self._lock:
            self._override = None
            return self._decide()

    def dwell(self) -> Dwell:
        """What the fan is asked for and since when, and its least times, as a plan needs to know them."""
        with self._lock:
            running = self._watch.action == "run"
            since_s = self._watch.run_began_s if running else self._watch.run_ended_s
            run_h, rest_h = (least / timedelta(hours=1) for least in (self._least.run, self._least.rest))
            return Dwell(run_h, rest_h, running, max(self._monotonic() - since_s, 0.0) / 3600.0)

    def stop(self) -> None:
        """Answer `leave` from now on, for good; the next start knows that a run has ended."""
        with self._lock:
            if self._stopped:
                return
            now, tick_s = self._clock(), self._monotonic()
            wish = _leave(now, ReasonCode.SHUTDOWN, _PLAIN_REASONS[ReasonCode.SHUTDOWN])
            self._give(wish, now, tick_s)
            self._stopped = True

    def _decide(self) -> FanAnswer:
        now, tick_s = self._clock(), self._monotonic()
        if self._stopped:
            return self._plain_leave(now, ReasonCode.SHUTDOWN)
        self._notice_lapse(now, tick_s)
        self._override = self._override_in_force(now)
        wish = wish_of_plan(self._advice, now) if self._override is None else wish_of_person(self._override)
        return self._give(permitted(wish, self._watch, self._least, tick_s), now, tick_s)

    def _give(self, wish: Wish, now: datetime, tick_s: float) -> FanAnswer:
        """Keep and give an answer; one that cannot be kept, or would hold for no time, becomes `leave`."""
        answer = self._answer_of(wish, now, tick_s)
        if answer.action != "leave" and answer.valid_until <= now:
            answer = self._plain_leave(now, ReasonCode.STALE_DATA)
        if not self._keep(answer, now):
            answer = self._plain_leave(now, ReasonCode.STORE)
        before = self._given.answer if self._given is not None else None
        self._watch = self._watch.then(answer.action, tick_s)
        self._given = _Given(answer, now, tick_s)
        if before is None or (before.action, before.reason_code) != (answer.action, answer.reason_code):
            self._log(answer, now)
        return answer

    def _answer_of(self, wish: Wish, now: datetime, tick_s: float) -> FanAnswer:
        until = wish.until
        if wish.action == "run":
            until = max(until, now + self._watch.then("run", tick_s).run_left(self._least, tick_s))
        until = min(until, wish.good_until, now + LONGEST_VALIDITY)
        given = None if self._given is None else self._given.answer
        goes_on = given is not None and given.action == self._watch.action == wish.action and given.since <= now
        return FanAnswer(
            action=wish.action,
            reason_code=wish.code,
            reason=wish.reason,
            since=given.since if given is not None and goes_on else now,
            valid_until=until.replace(microsecond=0),
            confidence=0.0 if wish.action == "leave" else wish.confidence,
            based_on=wish.based_on,
            override=self._override,
            expected_pm25_by_hour=wish.expected_pm25_by_hour,
            speed=wish.speed if wish.action == "run" else None,
        )

    def _notice_lapse(self, now: datetime, tick_s: float) -> None:
        """Put `leave` in the place of an answer that no longer holds: for good, though the clock be set back again.

        A run that it asked for has then ended, at the latest now.
        """
        lapsed = None if self._given is None else self._given.lapsed(now, tick_s)
        if lapsed is None:
            return
        answer = self._plain_leave(now, lapsed)
        if self._watch.action == "run":
            self._keep(answer, now)
        self._watch = self._watch.then("leave", tick_s)
        self._given = _Given(answer, now, tick_s)

    def _plain_leave(self, now: datetime, code: ReasonCode) -> FanAnswer:
        return FanAnswer(
            action="leave",
            reason_code=code,
            reason=_PLAIN_REASONS[code],
            since=now,
            valid_until=now + _LEAVE_FOR,
            confidence=0.0,
            override=self._override_in_force(now),
        )

    def _override_in_force(self, now: datetime) -> Override | None:
        override = self._override
        if override is not None and not override.given - _CLOCKS_AGREE <= now < override.until:
            return None
        return override

    def _keep(self, answer: FanAnswer, now: datetime) -> bool:
        kept = _Kept(answer=answer, at=now)
        try:
            self._store.keep_snapshot(_KEPT, _KEPT_AT_US, kept.model_dump_json())
        except StoreError as error:
            _log.warning("the fan is left to its thermostat: %s", error)
            return False
        return True

    def _log(self, answer: FanAnswer, now: datetime) -> None:
        _log.info("fan: %s (%s) until %s: %s", answer.action, answer.reason_code, answer.valid_until, answer.reason)
        try:
            self._store.keep_snapshot(DECISION, to_us(now), answer.model_dump_json())
        except StoreError as error:
            _log.warning("a decision is not in the log: %s", error)

    def _take_up(self) -> None:
        """Go on where the last process ended; times are counted from now, as what passed between is not known."""
        try:
            found = self._store.latest_snapshot(_KEPT)
            kept = None if found is None else _Kept.model_validate_json(found[1])
        except (StoreError, ValidationError) as error:
            _log.warning("what was last asked of the fan cannot be read: %s", error)
            self._watch = Watch("leave", self._monotonic(), self._monotonic())
            return
        if kept is None:
            return
        now, tick_s = self._clock(), self._monotonic()
        still_holds = kept.at - _CLOCK_JITTER <= now < kept.answer.valid_until
        if kept.answer.action == "run":
            still_holds = still_holds and now < kept.at + _RECORDS_STAND
        self._watch = Watch(kept.answer.action if still_holds else "leave", tick_s, tick_s)
        self._override = kept.answer.override
        if still_holds:
            self._given = _Given(kept.answer, now, tick_s)


_PLAIN_REASONS = {
    ReasonCode.NO_ADVICE: "Nothing has been decided yet.",
    ReasonCode.STALE_DATA: "The readings behind the advice are too old.",
    ReasonCode.LAPSED: "The last decision has run out, and there is no newer one.",
    ReasonCode.CLOCK: "The clock was set back since the last decision; the next one comes within a minute or two.",
    ReasonCode.STORE: "The store does not take the decision, so the fan is left to its thermostat.",
    ReasonCode.SHUTDOWN: "The service is stopping.",
}
