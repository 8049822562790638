"""Store and forward: readings sent to a contractor's collector, each kept here until it is safe there.

The store's outbox is the queue. A batch leaves it only on a receipt that accounts for each of its readings; whatever
else comes back, and whatever comes of the line, the batch waits and is sent again, which changes nothing at the other
end. What the collector refuses is put aside by its reason and holds up nothing. Beside readings the collector is told
how the air handler does, at least every few minutes, so that it knows silence from a house where nothing is new.
"""

import asyncio
import gzip
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from http import HTTPStatus
from types import MappingProxyType

import aiohttp

from ..engine.standing import Standing
from ..intake import PACE, Pace, Refusal, Source, SourceError, keep_trying
from ..intake.consignment import MOST_READINGS, ReceiptError, packed, read_receipt
from ..intake.hub_connection import asked_pause_s, body_of, session_to, told_within
from ..intake.mapping import Refused
from ..settings import Collector
from ..store import Appended, Reading, Store, from_us, outbox, to_us

PATIENCE_S = 30.0
TELLS_EVERY = timedelta(minutes=5)

_READINGS, _STATE, _HEALTH = "/v1/readings", "/v1/state", "/healthz"
_NOTHING: Mapping[str, str] = MappingProxyType({})
_REFUSED = frozenset({400, 413, 422})
_SECONDS = 3600.0


class Forwarder:
    """Sends what waits, in its order, and how the air handler does; `standing` is given the counts of what waits."""

    def __init__(
        self,
        settings: Collector,
        store: Store,
        state: Source,
        standing: Callable[[outbox.Forwarding], Standing],
        clock: Callable[[], datetime],
        *,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self._settings, self._store, self._state = settings, store, state
        self._standing, self._clock = standing, clock
        self._patience_s = patience_s
        self._told: tuple[datetime, Standing] | None = None
        self._has_tried_again = False

    async def run(self, pace: Pace = PACE) -> None:
        """Send until cancelled, however long the collector is away."""
        await keep_trying(self._state, self.follow, lambda: to_us(self._clock()), pace=pace)

    async def follow(self) -> None:
        """Send what waits and what comes, over one connection, until something fails; then raises SourceError.

        What was put aside before is tried once more, since either side may have been upgraded.
        """
        if not self._has_tried_again:
            await asyncio.to_thread(outbox.try_again, self._store)
            self._has_tried_again = True
        try:
            async with _line_to(self._settings, self._patience_s) as line:
                while True:
                    await self._send_all(line)
                    await asyncio.sleep(self._settings.every * _SECONDS)
        except SourceError:
            await self._count()
            raise

    async def once(self) -> None:
        """Send all that waits now; raises SourceError where that fails."""
        async with _line_to(self._settings, self._patience_s) as line:
            await self._send_all(line)

    async def _send_all(self, line: "_Line") -> None:
        while readings := await asyncio.to_thread(outbox.first_waiting, self._store, MOST_READINGS):
            await self._send(line, readings)
        await self._count()
        await self._tell(line)
        self._state.good(to_us(self._clock()))

    async def _send(self, line: "_Line", readings: Sequence[Reading]) -> None:
        sendable, refused = _sendable(readings)
        appended = Appended()
        if sendable:
            body = await asyncio.to_thread(packed, sendable)
            answer = await line.send("POST", _READINGS, body)
            try:
                receipt, named = read_receipt(answer, body, len(sendable))
            except ReceiptError as error:
                raise SourceError(f"{error}; the readings wait") from None
            refused |= {sendable[number]: refusal for number, refusal in named.items()}
            appended = receipt.appended
        now_us = to_us(self._clock())
        taken = [reading for reading in readings if reading not in refused]
        reasons = {reading: refusal.reason for reading, refusal in refused.items()}
        await asyncio.to_thread(outbox.settle, self._store, taken, reasons, now_us)
        told = [Refused(reading.signal, refusal) for reading, refusal in refused.items()]
        self._state.took(appended, now_us, refused=told)
        self._state.good(now_us)

    async def _tell(self, line: "_Line") -> None:
        """Tell how the air handler does, where that has changed or was told long ago."""
        now = self._clock()
        standing = await asyncio.to_thread(lambda: self._standing(outbox.forwarding(self._store)))
        if self._told is not None and self._told[1] == standing and timedelta(0) <= now - self._told[0] < TELLS_EVERY:
            return
        try:
            await line.send("PUT", _STATE, standing.model_dump_json().encode())
        except _RefusedError as error:
            # An older collector may not know all that is told; that must not hold up the readings.
            self._state.refused_document(Refusal(place=_STATE, value="", reason=str(error)))
        self._told = (now, standing)
        await asyncio.to_thread(outbox.settle, self._store, (), {}, to_us(now))

    async def _count(self) -> None:
        standing = await asyncio.to_thread(outbox.forwarding, self._store)
        self._state.waits(standing.waiting, standing.put_aside)


async def look_at(settings: Collector, state: Source, clock: Callable[[], datetime]) -> None:
    """Ask once whether the collector answers and takes this house's token, sending nothing; raises SourceError."""
    async with _line_to(settings, PATIENCE_S) as line:
        await line.ask("GET", _HEALTH)
    state.good(to_us(clock()))


class _RefusedError(SourceError):
    """The collector has read a body and will not have it."""


@dataclass(frozen=True)
class _Line:
    """An open connection to the collector."""

    session: aiohttp.ClientSession
    settings: Collector
    token: str
    patience_s: float

    async def send(self, method: str, path: str, body: bytes) -> bytes:
        """The answer to a body; raises SourceError for any but a good one."""
        whole = await asyncio.to_thread(gzip.compress, body, 6, mtime=0)
        return await self.ask(method, path, whole, {"Content-Type": "application/json", "Content-Encoding": "gzip"})

    async def ask(
        self, method: str, path: str, body: bytes | None = None, about: Mapping[str, str] = _NOTHING
    ) -> bytes:
        """The answer to a request; raises SourceError for any but a good one."""
        headers = {"User-Agent": "moteledger", "Authorization": f"Bearer {self.token}", **about}
        address = self.settings.address + path
        asking = self.session.request(method, address, data=body, headers=headers, allow_redirects=False)
        async with told_within(self.patience_s), asyncio.timeout(self.patience_s), asking as answer:
            if answer.status != HTTPStatus.OK:
                error = _RefusedError if answer.status in _REFUSED else SourceError
                raise error(_told(answer.status), wait_s=asked_pause_s(answer.headers))
            return await body_of(answer)


@asynccontextmanager
async def _line_to(settings: Collector, patience_s: float) -> AsyncIterator[_Line]:
    """A connection, for which the token is read anew."""
    token = settings.token.read()
    async with session_to(settings.address, settings.tls, patience_s) as session:
        yield _Line(session, settings, token, patience_s)


def _told(status: int) -> str:
    if status in (401, 403):
        why = "it does not take this house's token; ask the contractor for a new one"
    elif 300 <= status < 400:
        why = "it points elsewhere, which is not followed; correct its address"
    else:
        why = "it will be asked again"
    return f"answered {status}: {why}; what is to be sent waits"


def _sendable(readings: Sequence[Reading]) -> tuple[list[Reading], dict[Reading, Refusal]]:
    """Those that can be written down, and those that cannot: a time that no calendar shows."""
    good, bad = [], {}
    for reading in readings:
        try:
            from_us(reading.time_us)
        except OverflowError:
            reason = "is a time that no calendar shows"
            bad[reading] = Refusal(place="", value=str(reading.time_us), reason=reason)
        else:
            good.append(reading)
    return good, bad
