"""The fan's answer over time: least run and rest times, a person's wish, and `leave` whenever anything is in doubt.

Two clocks are read. Moments (readings, validity) are of the wall clock, which may be set forward or back at any time.
Least times are counted by the clock that counts from the machine's start and that nobody can set. It goes on over a
restart of the service; over one of the machine it does not, so that nothing is known then but that a run has ended.

One thing cannot be known. The disk may take that a run began and refuse that it ended; a service that is killed then
and started within `_RECORDS_STAND_S` finds what it would find had it been killed during the run. It takes the run up.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf, isfinite
from threading import RLock
from typing import Protocol

from pydantic import ValidationError

from motemodel.plan import Dwell

from ..store import StoreError, to_us
from .assessment import Action, Document, FanAdvice, Moment
from .boot_clock import since_boot_s
from .fan_answer import FanAnswer, Override, ReasonCode
from .fan_least_times import LeastTimes, Watch, permitted
from .fan_wish import CLOCKS_AGREE, LEAVE_FOR, Wish, leaving, wish_of_person, wish_of_plan

_log = logging.getLogger(__name__)

LONGEST_VALIDITY = timedelta(minutes=15)
LONGEST_OVERRIDE = timedelta(hours=24)
DECISION = "fan_decision"

_KEPT = "fan_control"
_KEPT_AT_US = 0
"""What is kept has one place: by its own moment, one from before the clock was set back would pass for the newest."""
_RECORDS_STAND_S = 180.0
"""A run is decided on, and its record renewed, about every minute; one that was not may have ended."""
_CLOCK_JITTER = timedelta(seconds=2)


class Snapshots(Protocol):
    """The part of a store in which decisions are kept."""

    def keep_snapshot(self, kind: str, time_us: int, document: str) -> None:
        """Keep a document; returns once it is safe, raises StoreError if it cannot be."""

    def latest_snapshot(self, kind: str) -> tuple[int, str] | None:
        """The time and the document kept last of that kind."""


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
    """What outlives the process: the answer given last, with any override, and when, by both clocks.

    `boot` names the start of the machine since which `tick_s` and the times of the last run count, in seconds.
    """

    answer: FanAnswer
    at: Moment
    boot: str | None = None
    tick_s: float = 0.0
    run_began_s: float | None = None
    run_ended_s: float | None = None
    speed: str | None = None

    def watch(self) -> Watch:
        """The watch as it was then."""
        began, ended = (-inf if each is None else each for each in (self.run_began_s, self.run_ended_s))
        return Watch(self.answer.action, began, ended, self.speed)


class FanControl:
    """Keeps the answer of one house's fan; safe to use from many threads at once.

    `decide` is called with the newest advice every minute or so; `answer` tells what holds now. What
    was decided is on the disk before it is told, so that a restart neither cuts a run short nor starts one too soon.
    Where the disk refuses to renew a run, the run as it is on the disk stands to its end. `boot` names the start of the
    machine that `monotonic` counts from; without it no restart is taken to know how long it was away.
    """

    def __init__(
        self,
        store: Snapshots,
        clock: Callable[[], datetime],
        *,
        monotonic: Callable[[], float] = since_boot_s,
        boot: str | None = None,
        least: LeastTimes | None = None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._monotonic = monotonic
        self._boot = boot
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

    def called_off(self) -> None:
        """Others have been told `leave` in the meantime: a run has ended, and the next one is decided on anew."""
        with self._lock:
            if self._watch.action == "run":
                self._watch = self._watch.then("leave", self._monotonic())
                self._decide()

    def dwell(self, speeds: Sequence[str] = ()) -> Dwell:
        """What the fan is asked for and since when, and its least times, as a plan needs to know them.

        `speeds` are the names that the plan has for the fan's speeds, in its order.
        """
        with self._lock:
            running = self._watch.action == "run"
            since_s = self._watch.run_began_s if running else self._watch.run_ended_s
            run_h, rest_h = (least / timedelta(hours=1) for least in (self._least.run, self._least.rest))
            at = speeds.index(self._watch.speed) + 1 if self._watch.speed in speeds else 1
            return Dwell(run_h, rest_h, running, max(self._monotonic() - since_s, 0.0) / 3600.0, at)

    def stop(self) -> None:
        """Answer `leave` from now on, for good; the next start knows that a run has ended."""
        with self._lock:
            if self._stopped:
                return
            now, tick_s = self._clock(), self._monotonic()
            wish = leaving(now, ReasonCode.SHUTDOWN, _PLAIN_REASONS[ReasonCode.SHUTDOWN])
            self._give(wish, now, tick_s)
            self._stopped = True

    def _decide(self) -> FanAnswer:
        now, tick_s = self._clock(), self._monotonic()
        if self._stopped:
            return self._plain_leave(now, ReasonCode.SHUTDOWN)
        self._notice_lapse(now, tick_s)
        self._override = self._override_in_force(now)
        wish = wish_of_plan(self._advice, now) if self._override is None else wish_of_person(self._override)
        return self._give(permitted(wish, self._watch, self._least, now, tick_s), now, tick_s)

    def _give(self, wish: Wish, now: datetime, tick_s: float) -> FanAnswer:
        """Keep and give an answer; one that cannot be kept, or would hold for no time, becomes `leave`.

        A run that is on the disk and would go on stands as it is there when the disk takes no newer one: a `leave` in
        its place would be an end that a restart knows nothing of.
        """
        answer = self._answer_of(wish, now, tick_s)
        if answer.action != "leave" and answer.valid_until <= now:
            answer = self._plain_leave(now, ReasonCode.STALE_DATA)
        before = self._given.answer if self._given is not None else None
        if not self._keep(answer, now, tick_s):
            if answer.action == "run" and before is not None and before.action == "run":
                return before
            answer = self._plain_leave(now, ReasonCode.STORE)
        self._watch = self._watch.then(answer.action, tick_s, answer.speed)
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
            cautions=() if self._advice is None else self._advice.cautions,
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
            self._keep(answer, now, tick_s)
        self._watch = self._watch.then("leave", tick_s)
        self._given = _Given(answer, now, tick_s)
        self._log(answer, now)

    def _plain_leave(self, now: datetime, code: ReasonCode) -> FanAnswer:
        return FanAnswer(
            action="leave",
            reason_code=code,
            reason=_PLAIN_REASONS[code],
            since=now,
            valid_until=now + LEAVE_FOR,
            confidence=0.0,
            override=self._override_in_force(now),
        )

    def _override_in_force(self, now: datetime) -> Override | None:
        override = self._override
        if override is not None and not override.given - CLOCKS_AGREE <= now < override.until:
            return None
        return override

    def _keep(self, answer: FanAnswer, now: datetime, tick_s: float) -> bool:
        """Put an answer on the disk with the least times as they will stand once it is given."""
        watch = self._watch.then(answer.action, tick_s, answer.speed)
        began, ended = (each if isfinite(each) else None for each in (watch.run_began_s, watch.run_ended_s))
        kept = _Kept(
            answer=answer,
            at=now,
            boot=self._boot,
            tick_s=tick_s,
            run_began_s=began,
            run_ended_s=ended,
            speed=watch.speed,
        )
        try:
            self._store.keep_snapshot(_KEPT, _KEPT_AT_US, kept.model_dump_json())
        except StoreError as error:
            _log.warning("what is decided for the fan cannot be kept: %s", error)
            return False
        return True

    def _log(self, answer: FanAnswer, now: datetime) -> None:
        _log.info("fan: %s (%s) until %s: %s", answer.action, answer.reason_code, answer.valid_until, answer.reason)
        try:
            self._store.keep_snapshot(DECISION, to_us(now), answer.model_dump_json())
        except StoreError as error:
            _log.warning("a decision is not in the log: %s", error)

    def _take_up(self) -> None:
        """Go on where the last process ended, as far as this start of the machine knows when that was."""
        tick_s = self._monotonic()
        try:
            found = self._store.latest_snapshot(_KEPT)
            kept = None if found is None else _Kept.model_validate_json(found[1])
        except (StoreError, ValidationError) as error:
            _log.warning("what was last asked of the fan cannot be read: %s", error)
            self._watch = Watch("leave", tick_s, tick_s)
            return
        if kept is None:
            return
        now = self._clock()
        self._override = kept.answer.override
        given = _Given(kept.answer, kept.at, kept.tick_s)
        if self._boot is None or kept.boot != self._boot or tick_s < kept.tick_s:
            # How long it has been is not known: a run has ended, perhaps only now, and both least times begin here.
            self._watch = Watch("leave", tick_s, tick_s)
        elif kept.answer.reason_code is ReasonCode.SHUTDOWN and kept.run_ended_s == kept.tick_s:
            # Whoever asked last before that end has been told to run, and may have done so until now.
            latest_s = kept.tick_s + LONGEST_VALIDITY.total_seconds()
            self._watch = replace(kept.watch(), run_ended_s=min(tick_s, latest_s))
        elif given.lapsed(now, tick_s) or (kept.answer.action == "run" and tick_s - kept.tick_s >= _RECORDS_STAND_S):
            self._watch = kept.watch().then("leave", tick_s)
        else:
            self._watch = kept.watch()
            # That the last process was stopping is no answer of this one.
            self._given = None if kept.answer.reason_code is ReasonCode.SHUTDOWN else given


_PLAIN_REASONS = {
    ReasonCode.NO_ADVICE: "Nothing has been decided yet.",
    ReasonCode.STALE_DATA: "The readings behind the advice are too old.",
    ReasonCode.LAPSED: "The last decision has run out, and there is no newer one.",
    ReasonCode.CLOCK: "The clock was set back since the last decision; the next one comes within a minute or two.",
    ReasonCode.STORE: "The store does not take the decision, so the fan is left to its thermostat.",
    ReasonCode.SHUTDOWN: "The service is stopping.",
}
