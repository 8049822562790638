"""Readings in and out: `POST /v1/readings` and `GET /v1/readings`."""

import asyncio
import re
from datetime import datetime, timedelta
from http import HTTPStatus
from typing import Annotated, Any, Literal

import numpy as np
from aiohttp import web
from numpy.typing import NDArray
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, RootModel, WithJsonSchema

from ..engine.newest import newest_now
from ..intake import RecordsError, Rooms, Taken, accept, moment_us, read_records, text_of, what_became_of
from ..signals import Kind, signal_named
from ..store import Store, to_us
from .auth import GRANT
from .bodies import BODY_PROBLEMS, JSON_MEDIA_TYPE, read_body, unusable
from .problems import ProblemError
from .queries import read_query
from .routing import SERVICE, Route, Service, json_answer

MOST_POINTS = 10_000
SENML_MEDIA_TYPE = "application/senml+json"

_DAY_US = 24 * 3600 * 1_000_000
_END_STANDS_US = 300 * 1_000_000
"""The end that nobody named moves on only so often: an answer that is asked for again can be unchanged meanwhile."""

_RESOLUTION = re.compile(r"(\d{1,6})(s|min|h|d)", re.ASCII)
_UNIT_US = {"s": 1_000_000, "min": 60_000_000, "h": 3_600_000_000, "d": _DAY_US}


class PlainReading(BaseModel):
    """One reading; the unit may be left out if it is the signal's own."""

    model_config = ConfigDict(extra="forbid")

    time: Annotated[str, WithJsonSchema({"type": "string", "format": "date-time"})]
    signal: str = Field(examples=["indoor.pm25"])
    value: float | bool = Field(description="A number, or true or false for a state.")
    unit: str | None = Field(None, examples=["ug/m3"])


class PlainReadings(BaseModel):
    """Several readings."""

    model_config = ConfigDict(extra="forbid")

    readings: list[PlainReading] = Field(min_length=1)


class PlainReadingList(RootModel[Annotated[list[PlainReading], Field(min_length=1)]]):
    """Several readings, as they are."""


class SenmlRecord(BaseModel):
    """One SenML record (RFC 8428); base name and name together are the signal's."""

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bver: int | None = Field(None, ge=1, le=10)
    n: str | None = Field(None, examples=["indoor.pm25"])
    u: str | None = None
    v: float | None = None
    vb: bool | None = None
    t: float | None = Field(None, description="Seconds since 1970, or relative to now if below 2**28.")


class SenmlPack(RootModel[Annotated[list[SenmlRecord], Field(min_length=1)]]):
    """SenML is a list of records."""


class NewestReading(BaseModel):
    """The newest reading of a signal."""

    time: str
    value: float
    unit: str


class NewestReadings(BaseModel):
    """The newest reading of each signal that has any, by its name."""

    readings: dict[str, NewestReading]


def _moment(text: Any) -> int:
    # A plus sign that was not escaped in a query arrives as a space.
    return moment_us(re.sub(r" (\d\d:\d\d)$", r"+\1", str(text)))


def _resolution(text: Any) -> int:
    match = _RESOLUTION.fullmatch(str(text))
    if match is None or int(match[1]) == 0:
        raise ValueError("is not a duration; write a whole number and s, min, h or d, such as 5min")
    return int(match[1]) * _UNIT_US[match[2]]


def _signal_name(text: Any) -> str:
    return signal_named(str(text)[:100]).name


QueryMoment = Annotated[int, BeforeValidator(_moment), WithJsonSchema({"type": "string", "format": "date-time"})]
QueryDuration = Annotated[
    int, BeforeValidator(_resolution), WithJsonSchema({"type": "string", "pattern": r"^\d{1,6}(s|min|h|d)$"})
]


class ReadingsQuery(BaseModel):
    """Which readings to give."""

    model_config = ConfigDict(extra="forbid")

    signal: Annotated[str, BeforeValidator(_signal_name)] = Field(description="The signal's name.")
    start_us: QueryMoment | None = Field(
        None, alias="from", description="The first time, RFC 3339 (default: a day before the end)."
    )
    end_us: QueryMoment | None = Field(
        None, alias="to", description="The end, not included, RFC 3339 (default: after all readings up to now)."
    )
    interval_us: QueryDuration | None = Field(
        None, alias="resolution", description="Mean, low and high per interval of this length instead of readings."
    )


class SignalReadings(BaseModel):
    """Readings of one signal, in order of time; the nth value belongs to the nth time."""

    signal: str
    unit: str
    start: str = Field(serialization_alias="from")
    end: str = Field(serialization_alias="to")
    time: list[str]
    value: list[float]


class ThinnedReadings(BaseModel):
    """One signal by intervals that have readings; `time` is where each starts, the nth of each list belong together.

    The mean of a state is weighted by time: the share of the interval for which it was on.
    """

    signal: str
    unit: str
    start: str = Field(serialization_alias="from")
    end: str = Field(serialization_alias="to")
    resolution_s: int
    time: list[str]
    mean: list[float]
    low: list[float]
    high: list[float]
    count: list[int]


async def take_readings(request: web.Request) -> web.StreamResponse:
    """Keep the readings of the body; answer once they are safe on the disk."""
    body = await read_body(request, JSON_MEDIA_TYPE, SENML_MEDIA_TYPE)
    service = request.app[SERVICE]
    senml = request.content_type == SENML_MEDIA_TYPE
    now_us = to_us(service.clock())
    loop = asyncio.get_running_loop()
    # Reading JSON and waiting for the disk both hold up a thread, never the loop.
    taken = await loop.run_in_executor(service.intake_threads, _take, service, body, now_us, senml)
    if taken.refused and not taken.accepted + taken.repeated + taken.differing + taken.too_late:
        [first, *others] = taken.refusals
        told = f"{first.place or 'the record'}: {first.value} {first.reason}"
        if others:
            told = f"none of the {taken.refused} records can be used, the first: {told}"
        raise ProblemError(HTTPStatus.UNPROCESSABLE_ENTITY, told, refusals=taken.refusals)
    return json_answer(taken)


async def give_readings(request: web.Request) -> web.StreamResponse:
    """The readings of one signal over a time, as they are or by intervals."""
    query = read_query(request, ReadingsQuery)
    readable = request[GRANT].readable_signals()
    if readable is not None and query.signal not in readable:
        raise ProblemError(
            HTTPStatus.FORBIDDEN,
            f"this token reads {', '.join(sorted(readable))} and not {query.signal}",
            place="signal",
        )
    service = request.app[SERVICE]
    return json_answer(await asyncio.to_thread(readings_answer, service.store, query, service.clock()))


def readings_answer(store: Store, query: ReadingsQuery, now: datetime) -> SignalReadings | ThinnedReadings:
    """What a store has of a query; raises ProblemError for a time that is turned round or holds too much."""
    end_us = query.end_us
    if end_us is None:
        end_us = -(-to_us(now + timedelta(minutes=5)) // _END_STANDS_US) * _END_STANDS_US
    start_us = query.start_us if query.start_us is not None else end_us - _DAY_US
    if start_us >= end_us:
        raise ProblemError(
            HTTPStatus.BAD_REQUEST, f"from {text_of(start_us)} is not before to {text_of(end_us)}", place="from"
        )
    if query.interval_us is None:
        return _as_they_are(store, query.signal, start_us, end_us)
    if (end_us - start_us) / query.interval_us > MOST_POINTS:
        raise _too_many(start_us, end_us, "intervals")
    return _by_intervals(store, query.signal, start_us, end_us, query.interval_us)


async def give_newest(request: web.Request) -> web.StreamResponse:
    """The newest reading of each signal that the asker may see."""
    service = request.app[SERVICE]
    latest = await asyncio.to_thread(newest_now, service.store, service.clock())
    readable = request[GRANT].readable_signals()
    readings = {
        name: NewestReading(time=text_of(reading.time_us), value=reading.value, unit=signal_named(name).unit)
        for name, reading in latest.items()
        if readable is None or name in readable
    }
    return json_answer(NewestReadings(readings=readings))


def _take(service: Service, body: bytes, now_us: int, senml: bool) -> Taken:
    try:
        records = read_records(body, now_us, senml=senml, rooms=Rooms(service.store.signals))
    except RecordsError as error:
        raise unusable(str(error), error.place, readable=error.readable) from None
    appended = accept(service.store, records.readings)
    service.arrivals.pushed.took_records(appended, records, now_us)
    return what_became_of(appended, records)


def _as_they_are(store: Store, signal: str, start_us: int, end_us: int) -> SignalReadings:
    series = store.series(signal, start_us, end_us, limit=MOST_POINTS + 1)
    if len(series) > MOST_POINTS:
        raise _too_many(start_us, end_us, "readings")
    return SignalReadings(
        signal=signal,
        unit=signal_named(signal).unit,
        start=text_of(start_us),
        end=text_of(end_us),
        time=_texts(series.time_us),
        value=series.value.tolist(),
    )


def _by_intervals(store: Store, signal: str, start_us: int, end_us: int, interval_us: int) -> ThinnedReadings:
    thinned = store.thinned(signal, start_us, end_us, interval_us)
    kind, mean = signal_named(signal), thinned.mean
    if kind.kind is Kind.STATE:
        # A state is told when it changes: the mean of its readings says nothing of how long it lasted.
        held = store.held(signal, start_us, end_us, interval_us, round(kind.hold_h * _UNIT_US["h"]))
        shares = dict(zip(held.start_us.tolist(), held.mean.tolist(), strict=True))
        pairs = zip(thinned.start_us.tolist(), mean.tolist(), strict=True)
        mean = np.array([shares.get(start, of_readings) for start, of_readings in pairs])
    return ThinnedReadings(
        signal=signal,
        unit=kind.unit,
        start=text_of(start_us),
        end=text_of(end_us),
        resolution_s=interval_us // 1_000_000,
        time=_texts(thinned.start_us),
        mean=mean.tolist(),
        low=thinned.low.tolist(),
        high=thinned.high.tolist(),
        count=thinned.count.tolist(),
    )


def _too_many(start_us: int, end_us: int, what: str) -> ProblemError:
    fitting_s = -(-(end_us - start_us) // (MOST_POINTS * 1_000_000))
    return ProblemError(
        HTTPStatus.BAD_REQUEST,
        f"these are more than {MOST_POINTS} {what}; ask for a shorter time or for resolution={fitting_s}s or coarser",
        place="resolution",
    )


def _texts(times_us: NDArray[np.int64]) -> list[str]:
    """Times as RFC 3339, to the second if all are whole seconds, else to the microsecond."""
    moments: NDArray[np.datetime64] = times_us.astype("datetime64[us]")
    unit: Literal["us", "s"] = "us" if (times_us % 1_000_000).any() else "s"
    texts: list[str] = np.datetime_as_string(moments, unit=unit, timezone="UTC").tolist()
    return texts


READINGS_ROUTES = (
    Route(
        "POST",
        "/v1/readings",
        take_readings,
        "Keep readings; answered once they are safe on the disk; repeating a reading changes nothing",
        Taken,
        takes={JSON_MEDIA_TYPE: (PlainReading, PlainReadings, PlainReadingList), SENML_MEDIA_TYPE: (SenmlPack,)},
        problems=BODY_PROBLEMS,
    ),
    Route(
        "GET",
        "/v1/readings",
        give_readings,
        "The readings of one signal over a time, as they are or by intervals",
        (SignalReadings, ThinnedReadings),
        parameters=ReadingsQuery,
        problems=(HTTPStatus.BAD_REQUEST,),
    ),
    Route("GET", "/v1/readings/newest", give_newest, "The newest reading of each signal", NewestReadings),
)
