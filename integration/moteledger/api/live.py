"""A live stream: readings as they come, and word of a new assessment or an alarm, as server-sent events.

The stream follows the HTML Standard, section 9.2 "Server-sent events". It begins with the newest reading of each wanted
signal. A viewer that comes back with Last-Event-ID gets what it missed: from the ring of news; after a restart of the
service or a longer absence from the store, one reading a second and some of them perhaps a second time; and after more
than an hour a `reset`, upon which the stream begins anew. Each reading carries its time, so that a repeat does no harm.
"""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterable
from contextlib import suppress
from http import HTTPStatus
from typing import Annotated, Any

from aiohttp import web
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from ..engine.newest import newest_now, not_ahead_us
from ..intake import text_of
from ..signals import signal_named
from ..store import Reading, Store, StoreError, to_us
from .alarms import ALARM_WATCH
from .auth import GRANT
from .broadcast import Broadcaster, Kind, News, Position, assessment_text, event_text, reading_text
from .problems import ProblemError, not_now
from .queries import read_query
from .routing import SERVICE, Route

MEDIA_TYPE = "text/event-stream"
MOST_VIEWERS = 500
HEARTBEAT_S = 15.0
PATIENCE_S = 20.0
"""How long a viewer may take for what it was sent before it is dropped."""

_SEEN_EVERY_S = 1.0
"""How soon it is noticed that a viewer has left while there is nothing to send, so that its place becomes free."""

_RETRY_MS = 3000
_LONGEST_S = 300.0
"""A stream that a token opened ends after this; the viewer comes back by itself and shows the token again."""

_ABSENCE_US = 3600 * 1_000_000
_STAMPED_BEFORE_US = 120 * 1_000_000
"""A reading may be stamped this much before it arrives and still be found in the store when a viewer comes back."""

_SECOND_US = 1_000_000
_END_OF_TIME_US = 2**63 - 1
_SEND_BUFFER = 64 * 1024
_CHUNK = 200

BROADCASTER: web.AppKey[Broadcaster] = web.AppKey("broadcaster", Broadcaster)


def _signal_names(text: Any) -> frozenset[str]:
    return frozenset(signal_named(name.strip()[:100]).name for name in str(text).split(","))


class LiveQuery(BaseModel):
    """Which signals to stream."""

    model_config = ConfigDict(extra="forbid")

    signals: Annotated[frozenset[str] | None, BeforeValidator(_signal_names), WithJsonSchema({"type": "string"})] = (
        Field(None, description="Names of signals with commas between; without it, all.")
    )


async def stream(request: web.Request, broadcaster: Broadcaster) -> web.StreamResponse:
    """Send what comes, as it comes, until the viewer leaves, is too slow, or the service ends."""
    wanted = _wanted(request)
    headers = {"Content-Type": f"{MEDIA_TYPE}; charset=utf-8", "X-Accel-Buffering": "no"}
    if request.method == "HEAD":
        return web.Response(headers=headers)
    if broadcaster.viewers >= MOST_VIEWERS or broadcaster.closing:
        raise not_now(f"{MOST_VIEWERS} viewers look on already, or the service is ending")
    broadcaster.viewers += 1
    try:
        response = web.StreamResponse(headers=headers)
        response.force_close()
        # One that has left while its house's store was opened is no trouble either.
        with suppress(ConnectionError, StoreError):
            await response.prepare(request)
            _keep_buffers_small(request)
            await _Viewer(request, response, broadcaster, wanted).look_on()
        return response
    finally:
        broadcaster.viewers -= 1


class _Viewer:
    """One stream: what it was sent last, and which signals it wants (None: all)."""

    def __init__(
        self,
        request: web.Request,
        response: web.StreamResponse,
        broadcaster: Broadcaster,
        wanted: frozenset[str] | None,
    ) -> None:
        self._request = request
        self._response = response
        self._broadcaster = broadcaster
        self._store = broadcaster.store
        self._wanted = wanted
        self._loop = asyncio.get_running_loop()
        self._sent_at = self._loop.time()
        self._number = 0
        self._shown_us: dict[str, int] = {}

    async def look_on(self) -> None:
        """Begin, or go on where the last stream broke off, then follow."""
        ends = self._loop.time() + _LONGEST_S if self._request[GRANT].token is not None else float("inf")
        await self._send([f"retry: {_RETRY_MS}\n\n".encode()])
        await self._begin()
        while not self._broadcaster.closing and self._loop.time() < ends:
            with suppress(TimeoutError):
                async with asyncio.timeout_at(min(self._sent_at + HEARTBEAT_S, self._loop.time() + _SEEN_EVERY_S)):
                    await self._broadcaster.news(self._number)
            if self._broadcaster.closing or self._request.transport is None:
                break
            news = self._broadcaster.since(self._number)
            if news is None:
                # Slower than the ring is long, and yet not slow enough to be dropped.
                await self._begin_anew("you were too slow; what lies between is at /v1/readings")
            else:
                await self._send_news(_newest(news))
            if self._loop.time() >= self._sent_at + HEARTBEAT_S:
                # Even where nothing of it is wanted, the place in the stream moves on.
                await self._send([b": still here\n", _id_alone(self._broadcaster.position)])

    async def _begin(self) -> None:
        asked = self._request.headers.get("Last-Event-ID")
        if asked is None:
            await self._show_latest()
            return
        position = Position.read(asked)
        if position is not None and position.run == self._broadcaster.run:
            news = self._broadcaster.since(position.number)
            if news is not None:
                self._number = position.number
                await self._send_news(list(news))
                return
        now_us = to_us(self._broadcaster.clock())
        if position is None or not 0 <= now_us - position.time_ms * 1000 <= _ABSENCE_US:
            await self._begin_anew("you were away for more than an hour; what lies between is at /v1/readings")
            return
        await self._show_since(position.time_ms * 1000 - _STAMPED_BEFORE_US)

    async def _begin_anew(self, reason: str) -> None:
        await self._send([event_text(Kind.RESET, {"reason": reason})])
        self._shown_us.clear()
        await self._show_latest()

    async def _show_latest(self) -> None:
        here = self._broadcaster.position
        latest = await asyncio.to_thread(newest_now, self._store, self._broadcaster.clock())
        await self._show((reading for name, reading in latest.items() if self._wants(name)), here)

    async def _show_since(self, start_us: int) -> None:
        """What the store holds from `start_us` on, and the newest of the signals that have no such reading."""
        here = self._broadcaster.position
        latest = await asyncio.to_thread(newest_now, self._store, self._broadcaster.clock())
        for name in filter(self._wants, latest):
            readings = await asyncio.to_thread(_each_second, self._store, name, start_us)
            await self._show(readings or [latest[name]], None)
        current = self._broadcaster.source.current()
        told = [] if current is None else [assessment_text(current)]
        # Whether one was raised or ended meanwhile nobody knows any more; whoever follows them is to look.
        alarm = event_text(Kind.ALARM, {"time": text_of(start_us + _STAMPED_BEFORE_US)})
        await self._send([*told, alarm, _id_alone(here)])
        self._number = here.number

    async def _show(self, readings: Iterable[Reading], here: Position | None) -> None:
        texts = []
        for reading in readings:
            self._shown_us[reading.signal] = reading.time_us
            texts.append(reading_text(reading))
        if here is not None:
            texts.append(_id_alone(here))
            self._number = here.number
        await self._send(texts)

    async def _send_news(self, news: list[News]) -> None:
        await self._send([one.text for one in news if self._is_for_us(one)])
        self._number = news[-1].number if news else self._number

    def _is_for_us(self, news: News) -> bool:
        if news.kind is Kind.READING:
            shown_us = self._shown_us.get(news.key, news.time_us - 1)
            # What was shown of a time that is still to come was stamped by a clock that has been set right since.
            return self._wants(news.key) and (
                news.time_us > shown_us or shown_us > not_ahead_us(self._broadcaster.clock())
            )
        return True

    def _wants(self, signal: str) -> bool:
        return self._wanted is None or signal in self._wanted

    async def _send(self, texts: list[bytes]) -> None:
        """Send; a viewer that does not take it in time is dropped at once, with what waits for it."""
        for start in range(0, len(texts), _CHUNK):
            try:
                async with asyncio.timeout(PATIENCE_S):
                    await self._response.write(b"".join(texts[start : start + _CHUNK]))
                    await self._request.writer.drain()
            except TimeoutError:
                if self._request.transport is not None:
                    self._request.transport.abort()
                raise ConnectionResetError("too slow") from None
            self._sent_at = self._loop.time()


def _newest(news: Iterable[News]) -> list[News]:
    """Of each kind and key only the last, in order."""
    kept: dict[tuple[Kind, str], News] = {}
    for one in news:
        kept.pop((one.kind, one.key), None)
        kept[one.kind, one.key] = one
    return list(kept.values())


def _each_second(store: Store, signal: str, start_us: int) -> list[Reading]:
    """The readings from `start_us` on, of each second the last."""
    series = store.series(signal, start_us, _END_OF_TIME_US)
    last = {
        time_us // _SECOND_US: (time_us, value)
        for time_us, value in zip(series.time_us.tolist(), series.value.tolist(), strict=True)
    }
    return [Reading(time_us, signal, value) for time_us, value in last.values()]


def _id_alone(position: Position) -> bytes:
    """An event without data: a browser notes its id and dispatches nothing."""
    return f"id: {position}\n\n".encode()


def _wanted(request: web.Request) -> frozenset[str] | None:
    wanted = read_query(request, LiveQuery).signals
    readable = request[GRANT].readable_signals()
    if readable is None:
        return wanted
    if wanted is not None and wanted - readable:
        hidden = ", ".join(sorted(wanted - readable))
        raise ProblemError(HTTPStatus.FORBIDDEN, f"this token does not show {hidden}", place="signals")
    return readable if wanted is None else wanted


def _keep_buffers_small(request: web.Request) -> None:
    """What waits in buffers for a slow viewer is old news; with small ones it is coalesced here instead."""
    if request.transport is None:
        return
    request.transport.set_write_buffer_limits(high=_SEND_BUFFER)
    connection = request.transport.get_extra_info("socket")
    if connection is not None:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)


def broadcast_from(app: web.Application) -> None:
    """Have the application gather news while it runs, and end every stream at once when it shuts down."""

    async def gather(app: web.Application) -> AsyncIterator[None]:
        service = app[SERVICE]
        app[BROADCASTER] = Broadcaster(service.store, service.source, service.clock)
        # Which alarm it is stays untold here: not every viewer may know of each. The pages look for themselves.
        app[ALARM_WATCH].changed = lambda: app[BROADCASTER].tell_alarm("", {"time": text_of(to_us(service.clock()))})
        gathering = asyncio.create_task(app[BROADCASTER].gather())
        yield
        gathering.cancel()
        with suppress(asyncio.CancelledError):
            await gathering

    async def end_streams(app: web.Application) -> None:
        app[BROADCASTER].close()

    app.cleanup_ctx.append(gather)
    app.on_shutdown.append(end_streams)


async def _stream_of_service(request: web.Request) -> web.StreamResponse:
    return await stream(request, request.app[BROADCASTER])


LIVE_ROUTE = Route(
    "GET",
    "/v1/live",
    _stream_of_service,
    "Readings as they come, at most one a second of each signal, and word of assessments and alarms; goes on after "
    "the event named by Last-Event-ID",
    None,
    parameters=LiveQuery,
    problems=(HTTPStatus.BAD_REQUEST,),
    media_type=MEDIA_TYPE,
)
