"""Asking a hub for its JSON every so often."""

import asyncio

import aiohttp

from ..settings import Hub
from ..store import Store
from .accept import accept_converted
from .arrivals import Clock, Source
from .documents import DocumentError, json_document
from .hub_connection import body_of, headers_of, patience_s, refuse_status, session_to, told
from .mapping import converted
from .retrying import PACE, Pace, SourceError, keep_trying

_SECONDS = 3600.0


class Poll:
    """The polling of one hub; remembers the last document and its entity tag."""

    def __init__(self, hub: Hub, store: Store, source: Source, clock: Clock) -> None:
        self._hub, self._store, self._source, self._clock = hub, store, source, clock
        self._tag: str | None = None
        self._document: object = None

    async def once(self) -> None:
        """Ask once and keep what it tells; raises SourceError, SecretError, TlsError or StoreError.

        An answer of 304 says that the last document still holds: it is converted again, so that what bears no time is
        known to hold now.
        """
        async with (
            told(self._hub),
            session_to(self._hub.address, self._hub.tls, patience_s(self._hub)) as session,
            asyncio.timeout(patience_s(self._hub)),
        ):
            await self._fetch(session)
        now_us = self._clock()
        found = converted(self._hub.signals, self._document, now_us)
        await asyncio.to_thread(accept_converted, self._store, self._source, found, now_us)
        self._source.good(now_us)

    async def _fetch(self, session: aiohttp.ClientSession) -> None:
        headers = headers_of(self._hub, Accept="application/json", **{"Accept-Encoding": "gzip, deflate"})
        if self._tag is not None:
            headers["If-None-Match"] = self._tag
        async with session.get(self._hub.address, headers=headers, allow_redirects=False) as response:
            if response.status == 304 and self._tag is not None:
                return
            refuse_status(response, 200)
            try:
                document = json_document(await body_of(response))
            except DocumentError as error:
                raise SourceError(f"its answer {error}; map an address that answers in JSON") from None
            self._document, self._tag = document, response.headers.get("ETag")

    async def run(self, pace: Pace = PACE) -> None:
        """Poll for ever."""
        every_s = self._hub.every * _SECONDS
        # A hub that is polled seldom need not be asked again within a second; one polled often is not left alone long.
        await keep_trying(self._source, self.once, self._clock, every_s=every_s, pace=pace)
