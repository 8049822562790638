"""Least run and rest times of the fan, counted by the monotonic clock alone."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import inf

from motemodel.plan import Dwell

from ..settings import House
from .assessment import Action
from .fan_answer import ReasonCode
from .fan_outlook import STEP
from .fan_wish import UNTIL_THE_NEXT_DECISION, Wish

_RUNS_SOON_AFTER = STEP + UNTIL_THE_NEXT_DECISION
"""A plan is made in whole steps, and its wish stands until a decision after the next change."""


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
class Watch:
    """What was last asked, when a run last began and ended, in seconds of the monotonic clock, and its last speed."""

    action: Action = "leave"
    run_began_s: float = -inf
    run_ended_s: float = -inf
    speed: str | None = None

    def then(self, action: Action, tick_s: float, speed: str | None = None) -> "Watch":
        """The watch once `action`, a run at `speed`, is asked at `tick_s`."""
        began = tick_s if action == "run" and self.action != "run" else self.run_began_s
        ended = tick_s if action != "run" and self.action == "run" else self.run_ended_s
        return Watch(action, began, ended, speed if action == "run" else self.speed)

    def run_left(self, least: LeastTimes, tick_s: float) -> timedelta:
        """How much is left of the least time of the last run."""
        return _left(least.run, tick_s - self.run_began_s)

    def rest_left(self, least: LeastTimes, tick_s: float) -> timedelta:
        """How much is left of the least rest after the last run; nothing while it goes on."""
        return timedelta(0) if self.action == "run" else _left(least.rest, tick_s - self.run_ended_s)


def _left(least: timedelta, passed_s: float) -> timedelta:
    return timedelta(seconds=max(least.total_seconds() - passed_s, 0.0))


def permitted(wish: Wish, watch: Watch, least: LeastTimes, now: datetime, tick_s: float) -> Wish:
    """The wish as least times let it be.

    A run that is not over yet goes on, at its speed, for the plan's sake while its data are good; a person's wish is
    never turned into its opposite, but waits as `leave`. `leave` itself is always free: it stops nothing. A run keeps
    the speed that it began with for its least time, so that the blower does not hunt. What waits for a least time is
    not good for much longer than that, lest an automation that asks again only then wait the longer. A planned rest
    that only waits so for the run after it says so.
    """
    run_left, rest_left = watch.run_left(least, tick_s), watch.rest_left(least, tick_s)
    if wish.action == "run" and rest_left:
        waits: Action = "rest" if watch.action == "rest" and wish.code is not ReasonCode.PERSON else "leave"
        return _until_rested(replace(wish, action=waits), least, now + rest_left)
    if wish.action == "rest" and watch.action != "rest" and run_left:
        goes_on = watch.action == "run" and wish.code is not ReasonCode.PERSON
        least_min = _minutes(least.run)
        kept = (
            f"Once asked to, the fan runs at least {least_min} min."
            if goes_on
            else f"The fan is not told to rest within {least_min} min of being asked to run; "
            "until then it is left to its thermostat."
        )
        return replace(
            wish,
            action="run" if goes_on else "leave",
            code=ReasonCode.LEAST_RUN_TIME,
            until=min(wish.until, now + run_left + UNTIL_THE_NEXT_DECISION),
            reason=f"{kept} After that: {wish.reason}",
            speed=watch.speed if goes_on else None,
        )
    if wish.code is ReasonCode.PLANNED_REST and rest_left and wish.until <= now + rest_left + _RUNS_SOON_AFTER:
        return _until_rested(wish, least, now + rest_left)
    if wish.action == watch.action == "run" and run_left and wish.code is not ReasonCode.PERSON and watch.speed:
        return replace(wish, speed=watch.speed)
    return wish


def _until_rested(wish: Wish, least: LeastTimes, rested: datetime) -> Wish:
    least_min = _minutes(least.rest)
    kept = (
        f"The fan is not told to run within {least_min} min of its last run; until then it is left to its thermostat."
        if wish.action == "leave"
        else f"The fan rests at least {least_min} min between two runs."
    )
    return replace(
        wish,
        code=ReasonCode.LEAST_REST_TIME,
        reason=f"{kept} After that: {wish.reason}",
        until=min(wish.until, rested + UNTIL_THE_NEXT_DECISION),
    )


def _minutes(least: timedelta) -> str:
    return f"{least.total_seconds() / 60.0:g}"
