"""What is told of a house that is still being learnt: what is missing, and how long it will take."""

from datetime import datetime, timedelta

from ..engine.assessment import Period
from ..settings import House
from .beside import Arrived
from .figures import clock, day_name, duration, when

NEEDED = {"indoor.pm25": "PM2.5 indoors", "outdoor.pm25": "PM2.5 outdoors"}
FIRST_AFTER = timedelta(hours=1)
"""How long both must be known together before there is an assessment; the engine asks as much."""
LEARNT_AFTER = timedelta(days=3)


def not_yet(arrived: Arrived, house: House, now: datetime) -> str:
    """What has come so far, what is missing, and when the first figures are due."""
    missing = [name for signal, name in NEEDED.items() if signal not in arrived.signals]
    if arrived.since is None:
        return "No reading has come yet. Push readings to /v1/readings, or declare a hub or a broker in the house file."
    since = f"Readings come since {when(arrived.since, now, house.zone, house.clock)}."
    if missing:
        return f"{since} Still missing: {' and '.join(missing)}. An hour of both is needed to begin."
    due = arrived.since + FIRST_AFTER
    if due > now:
        return f"{since} The first figures are due at about {clock(due, house.zone, house.clock)}."
    return f"{since} The first figures come once both have been known together for an hour."


def still_learning(period: Period, house: House) -> str:
    """What a young account still lacks, and until when; empty once it is old enough."""
    span = period.end - period.start
    if span >= LEARNT_AFTER:
        return ""
    until = (period.start + LEARNT_AFTER).astimezone(house.zone).date()
    return (
        f"Still learning: {duration(span)} are recorded. About three days in which the fan both runs and rests "
        f"are wanted; that is around {day_name(until)}."
    )
