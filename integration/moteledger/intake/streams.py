"""Hubs that send their news as it comes: server-sent events, or JSON messages over a WebSocket."""

import asyncio
import json
import re
import time
from collections.abc import Awaitable
from typing import TypeVar

import aiohttp

from ..settings import Hub, Way
from ..store import Store, StoreError
from .accept import accept_converted
from .arrivals import Clock, Source
from .documents import DocumentError, message_document
from .event_stream import EventParser
from .hub_connection import LARGEST_DOCUMENT, headers_of, patience_s, refuse_status, session_to, told
from .mapping import converted
from .records import Refusal
from .retrying import PACE, Pace, SourceError, keep_trying

T = TypeVar("T")

_SECONDS = 3600.0
_REMEMBER_EVERY_S = 60.0
_LONGEST_ID = 1000
_NOT_IN_A_HEADER = re.compile(r"[\x00-\x08\x0a-\x1f\x7f]")
_LONGEST_PAUSE_S = 300.0
"""A stream may ask to be left alone before it is taken up again, and is, for so long at most."""


class Stream:
    """One hub's stream. The ID of the last event whose readings are safe is kept, and sent on the next connection.

    It is written to the store once a minute and when the service ends: after `kill -9` the hub may repeat up to a
    minute of events, which changes nothing where they bear their time.
    """

    def __init__(self, hub: Hub, store: Store, source: Source, clock: Clock) -> None:
        self._hub, self._store, self._source, self._clock = hub, store, source, clock
        self._kind = f"last event of {hub.name}"
        self._last_id: str | None = None
        self._remembered: str | None = None
        self._remembered_at = 0.0
        self._pause_s = 0.0

    async def once(self) -> None:
        """Connect and follow until it breaks; always raises, at the latest when the hub ends the stream."""
        if self._last_id is None:
            kept = await asyncio.to_thread(self._store.latest_snapshot, self._kind)
            self._last_id = self._remembered = _id_to_send(str(json.loads(kept[1]))) if kept else ""
        try:
            async with told(self._hub), session_to(self._hub.address, self._hub.tls, patience_s(self._hub)) as session:
                if self._hub.way is Way.EVENTS:
                    await self._events(session)
                else:
                    await self._websocket(session)
            raise SourceError("ended the stream; connecting again")
        except SourceError as error:
            error.wait_s = max(error.wait_s, self._pause_s)
            raise

    async def run(self, pace: Pace = PACE) -> None:
        """Follow for ever."""
        try:
            await keep_trying(self._source, self.once, self._clock, pace=pace)
        finally:
            self._remember()

    async def _events(self, session: aiohttp.ClientSession) -> None:
        headers = headers_of(self._hub, Accept="text/event-stream", **{"Cache-Control": "no-store"})
        if self._last_id:
            headers["Last-Event-ID"] = self._last_id.encode("utf-8").decode("latin-1")
        async with asyncio.timeout(patience_s(self._hub)):
            response = await session.get(self._hub.address, headers=headers, allow_redirects=False)
        async with response:
            refuse_status(response, 200)
            if response.content_type != "text/event-stream":
                raise SourceError(f"answered with {response.content_type[:60]}, no event stream; check its address")
            self._source.good(self._clock())
            parser = EventParser(self._last_id or "")
            while piece := await self._next(response.content.readany()):
                events = list(parser.feed(piece))
                self._pause_s = min(parser.retry_s, _LONGEST_PAUSE_S)
                for event in events:
                    await self._take(event.data.encode())
                    self._last_id = _id_to_send(event.last_id)
                    if time.monotonic() - self._remembered_at > _REMEMBER_EVERY_S:
                        await asyncio.to_thread(self._remember)

    async def _websocket(self, session: aiohttp.ClientSession) -> None:
        async with asyncio.timeout(patience_s(self._hub)):
            socket = await session.ws_connect(
                self._hub.address, headers=headers_of(self._hub), heartbeat=30.0, max_msg_size=LARGEST_DOCUMENT
            )
        async with socket:
            for message in self._hub.first_messages:
                await socket.send_str(message)
            self._source.good(self._clock())
            while True:
                news = await self._next(socket.receive())
                if news.type is aiohttp.WSMsgType.TEXT:
                    await self._take(news.data.encode())
                elif news.type is aiohttp.WSMsgType.BINARY:
                    await self._take(news.data)
                elif news.type is aiohttp.WSMsgType.ERROR:
                    raise SourceError(f"broke the WebSocket off ({str(news.data)[:100]}); connecting again")
                else:
                    return

    async def _next(self, waiting: Awaitable[T]) -> T:
        """What comes next, unless the hub is silent for too long."""
        silence_s = self._hub.silence * _SECONDS
        try:
            async with asyncio.timeout(silence_s):
                return await waiting
        except TimeoutError:
            raise SourceError(f"said nothing for {silence_s:g} s; connecting again") from None

    async def _take(self, payload: bytes) -> None:
        now_us = self._clock()
        try:
            document = message_document(payload)
        except DocumentError as error:
            self._source.refused_document(
                Refusal(place="", value=f"{len(payload)} bytes", reason=f"the message {error}")
            )
            return
        found = converted(self._hub.signals, document, now_us)
        # One message need not speak of every signal.
        found.absent.clear()
        await asyncio.to_thread(accept_converted, self._store, self._source, found, now_us)
        self._source.good(now_us)

    def _remember(self) -> None:
        self._remembered_at = time.monotonic()
        if self._last_id and self._last_id != self._remembered:
            try:
                self._store.keep_snapshot(self._kind, self._clock(), json.dumps(self._last_id), newest=1)
            except StoreError:
                return
            self._remembered = self._last_id


def _id_to_send(last_id: str) -> str:
    """The ID of an event as it may be sent back: none for one that no header can hold, or a hub that reads one."""
    return "" if len(last_id) > _LONGEST_ID or _NOT_IN_A_HEADER.search(last_id) else last_id
