"""What cards show besides the assessment: pressures as they come, alarms, what was recorded, and forms to act by."""

from dataclasses import dataclass
from datetime import date, datetime

from ..engine.fan_score import Decision


@dataclass(frozen=True)
class Watched:
    """The newest readings of one signal: moments and values in the signal's own unit, in order of time."""

    signal: str
    points: tuple[tuple[datetime, float], ...] = ()


@dataclass(frozen=True)
class AlarmShown:
    """One alarm that stands: what it is, since when, what to do next."""

    title: str
    text: str
    since: datetime
    next_step: str = ""


@dataclass(frozen=True)
class LetterShown:
    """A message that an address refused for good: of which webhook, what it tells, since when it is put aside."""

    webhook: str
    id: str
    told: str
    status: int
    refused: datetime
    again: bool = False


@dataclass(frozen=True)
class Arrived:
    """What has come of a house that is not assessed yet: which signals, the first reading since when."""

    signals: tuple[str, ...] = ()
    since: datetime | None = None


@dataclass(frozen=True)
class Forms:
    """The forms that the reader may send, each with the token that shows that it came from this page; empty: not."""

    change_filter: str = ""
    wish_for_fan: str = ""
    settle_letter: str = ""


@dataclass(frozen=True)
class Beside:
    """All that is shown besides the assessment."""

    watched: tuple[Watched, ...] = ()
    alarms: tuple[AlarmShown, ...] = ()
    letters: tuple[LetterShown, ...] = ()
    arrived: Arrived = Arrived()
    filter_changed_on: date | None = None
    decided: tuple[Decision, ...] = ()
    forms: Forms = Forms()


NOTHING_BESIDE = Beside()
