"""What the plan, a person or a doubt would have the fan do now, if there were no least times."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from .assessment import Action, DataBehind, FanAdvice
from .fan_answer import Override, ReasonCode

LEAVE_FOR = timedelta(minutes=1)
CLOCKS_AGREE = timedelta(minutes=5)
UNTIL_THE_NEXT_DECISION = timedelta(seconds=90)

_LEAST_CONFIDENCE = 0.5


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


def wish_of_plan(fan: FanAdvice | None, now: datetime) -> Wish:
    """What the newest advice would have the fan do now, or `leave` with the first reason not to act on it."""
    if fan is None:
        return leaving(now, ReasonCode.NO_ADVICE, "There is no advice yet: it takes an hour of readings and some time.")
    doubt = _doubt(fan, now)
    if doubt is not None:
        code, reason = doubt
        return leaving(now, code, reason, fan.based_on)
    good_until = min(behind.good_until for behind in fan.based_on)
    planned_until = fan.planned_until or fan.valid_until
    # A plan begins with the minute after its newest reading; what it begins with holds until then.
    at = max(now, fan.planned_from or now)
    spans = [span for span in fan.schedule if span.start <= at < span.end]
    under_way = [span.end for span in spans]
    coming = [span.start for span in fan.schedule if span.start > at]
    action: Action = "run" if under_way else "rest"
    early = fan.early_until is not None and at < fan.early_until
    run = ReasonCode.PLANNED_RUN_EARLY if early else ReasonCode.PLANNED_RUN
    code = run if under_way else ReasonCode.PLANNED_REST
    until = min([*under_way, *coming, planned_until]) + UNTIL_THE_NEXT_DECISION
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
    if behind.newest > now + CLOCKS_AGREE:
        clocks = "check the clocks of the sensor and of this computer"
        return ReasonCode.CLOCK, f"{behind.signal} is stamped in the future; {clocks}."
    if now >= behind.good_until:
        return ReasonCode.STALE_DATA, f"There is no reading of {behind.signal} since {behind.newest:%H:%M} UTC."
    return None


def leaving(now: datetime, code: ReasonCode, reason: str, based_on: tuple[DataBehind, ...] = ()) -> Wish:
    """The wish for nothing, with its reason, for a minute."""
    until = now + LEAVE_FOR
    return Wish("leave", code, reason, until, until, based_on=based_on)


def wish_of_person(override: Override) -> Wish:
    """What a person asked for; it rests on no reading."""
    reason = {
        "run": "A person asked for the fan to run.",
        "rest": "A person asked for the fan to rest.",
        "leave": "A person asked to leave the fan to its thermostat.",
    }[override.action]
    return Wish(override.action, ReasonCode.PERSON, reason, override.until, override.until, confidence=1.0)
