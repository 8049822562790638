"""How a house's air handler does, for whoever looks after it: what its house tells, and what is seen of it from afar.

It holds what a contractor's link may show and nothing of the rooms.
"""

from collections.abc import Iterable
from datetime import date, datetime, timedelta
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime, BaseModel, ConfigDict, Field

from ..settings import printable
from ..signals import AIR_HANDLER_SIGNALS
from .alarms import Alarm, is_told_with
from .assessment import Assessment, Known, Moment, Verdict

SILENT_AFTER = timedelta(hours=1)
"""A house that works is heard of every few minutes, if only to say that nothing is new."""

_CLOCK_STEP = timedelta(minutes=5)
_LONGEST_TEXT = 2000

_FIRST_YEAR, _LAST_YEAR = 1990, 2100


def _on_the_calendar(moment: datetime) -> datetime:
    if not _FIRST_YEAR <= moment.year <= _LAST_YEAR:
        raise ValueError(f"is not between {_FIRST_YEAR} and {_LAST_YEAR}; set the sender's clock")
    return moment


ShortText = Annotated[str, Field(max_length=_LONGEST_TEXT)]
ToldMoment = Annotated[AwareDatetime, AfterValidator(_on_the_calendar)]
ToldNumber = Annotated[float, Field(ge=-1e6, le=1e6)]


class FromAfar(BaseModel):
    """Base of what another version of this service may have sent: what it does not know it passes over."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class Share(FromAfar):
    """An estimated number and the interval that holds it with 90 % confidence."""

    value: ToldNumber
    low: ToldNumber
    high: ToldNumber


class AlarmTold(FromAfar):
    """An alarm that stands."""

    name: Annotated[str, Field(max_length=60)]
    title: ShortText
    since: ToldMoment
    text: ShortText = ""
    next_step: ShortText = ""
    worth_a_drive: bool = False


class Standing(FromAfar):
    """What a house tells of its air handler; what it cannot tell is null."""

    house: Annotated[str, Field(min_length=1, max_length=80)] = Field(description="What the house is called.")
    verdict: Verdict | None = None
    reason: ShortText | None = None
    share_of_expected: Share | None = None
    drop_at_reference_pa: Share | None = None
    drop_limit_pa: ToldNumber | None = None
    change_on: date | None = None
    alarms: Annotated[tuple[AlarmTold, ...], Field(max_length=300)] = ()
    waiting: Annotated[int, Field(ge=0, le=10**12)] = Field(0, description="Readings that were still to be sent.")
    put_aside: Annotated[int, Field(ge=0, le=10**12)] = Field(0, description="Readings that this collector refused.")


class Newest(FromAfar):
    """The newest reading of a signal, in its own unit."""

    signal: str
    unit: str
    value: float
    time: Moment
    is_fresh: bool = Field(description="Whether it may stand in for now.")


class Client(FromAfar):
    """A house as its contractor's collector sees it; `problem` says why its store cannot be read or written."""

    id: str = Field(description="The name of the house's token, and its place under /v1/houses.")
    last_heard: Moment | None = Field(description="When it last sent anything, by the collector's clock.")
    is_silent: bool
    newest: tuple[Newest, ...] = Field(description="The newest readings of the pressures and of the fan.")
    standing: Standing | None = Field(description="What the house told last.")
    problem: str | None = None

    @property
    def name(self) -> str:
        """What it is called, in characters that can be seen; without any, its id."""
        told = self.standing.house if self.standing is not None else ""
        return " ".join(printable(told).split()) or self.id


def standing_of(
    house: str, assessment: Assessment | None, alarms: Iterable[Alarm], *, waiting: int, put_aside: int
) -> Standing:
    """What a house tells of its air handler; alarms that watch anything else are left out."""
    told = tuple(
        AlarmTold(
            name=alarm.name,
            title=alarm.title,
            since=alarm.since,
            text=alarm.text[:_LONGEST_TEXT],
            next_step=alarm.next_step,
            worth_a_drive=alarm.worth_a_drive,
        )
        for alarm in alarms
        if is_told_with(alarm, AIR_HANDLER_SIGNALS)
    )
    if assessment is None:
        return Standing(house=house, alarms=told, waiting=waiting, put_aside=put_aside)
    delivery, advice = assessment.delivery, assessment.filter
    return Standing(
        house=house,
        verdict=delivery.verdict,
        reason=delivery.reason[:_LONGEST_TEXT],
        share_of_expected=_share(delivery.share_of_expected),
        drop_at_reference_pa=_share(advice.drop_at_reference_pa),
        drop_limit_pa=advice.drop_limit_pa,
        change_on=advice.change_on,
        alarms=told,
        waiting=waiting,
        put_aside=put_aside,
    )


def is_silent(last_heard: datetime | None, now: datetime) -> bool:
    """Whether a house should have been heard of since; what lies ahead was stamped before the clock was set back."""
    return last_heard is None or not -_CLOCK_STEP <= now - last_heard <= SILENT_AFTER


def slipped_first(clients: Iterable[Client]) -> list[Client]:
    """Those whose delivery has slipped furthest, then those worth a drive, those not heard of, and the rest by name."""
    return sorted(clients, key=_slipped)


def _slipped(client: Client) -> tuple[int, float, str, str]:
    told = client.standing
    share = told.share_of_expected.value if told is not None and told.share_of_expected is not None else 1.0
    if told is not None and told.verdict is Verdict.SHORT:
        rank = 0
    elif told is not None and any(alarm.worth_a_drive for alarm in told.alarms):
        rank = 1
    elif client.problem is not None or client.is_silent:
        rank = 2
    else:
        rank = 3
    return rank, share if rank == 0 else 1.0, client.name, client.id


def _share(figure: object) -> Share | None:
    return Share(value=figure.value, low=figure.low, high=figure.high) if isinstance(figure, Known) else None
