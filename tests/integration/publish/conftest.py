"""Two services with an unreliable link between them: a house's store, a contractor's collector, and the line."""

import asyncio
import random
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from aiohttp.test_utils import TestServer

from moteledger.api import create_collector
from moteledger.engine.standing import Standing
from moteledger.intake import Arrivals, Pace, Source
from moteledger.publish import Forwarder
from moteledger.settings import Collecting, Collector
from moteledger.store import Store, outbox, to_us
from moteledger.store.houses import HouseStores
from moteledger.store.tokens import Scope, Tokens

NOON = datetime(2026, 1, 31, 12, tzinfo=UTC)
AT_ONCE = Pace(first_s=0.001, longest_s=0.002)
MOST_BYTES = 1 << 16


class Line:
    """A line between two services that does to each connection what the next of `faults` says, then none of it.

    `pass` lets it through; `refuse` closes it at once; `stall` takes what comes and says nothing; `cut` breaks off
    within the request; `lose` lets the request through and swallows the answer; `half` breaks off within the answer;
    anything else is answered in the place of the collector.
    """

    def __init__(self, port: int) -> None:
        self._port = port
        self.faults: Iterator[str] = iter(())
        self.seen: list[str] = []
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._chance = random.Random(3)

    async def open(self) -> str:
        self._server = await asyncio.start_server(self._take, "127.0.0.1", 0)
        return f"http://127.0.0.1:{self._server.sockets[0].getsockname()[1]}"

    async def close(self) -> None:
        assert self._server is not None
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        fault = next(self.faults, "pass")
        self.seen.append(fault)
        try:
            # Ended from outside, it ends quietly: the library would log a cancelled task as an error of its own.
            with suppress(OSError, asyncio.IncompleteReadError, asyncio.CancelledError):
                await self._misbehave(fault, reader, writer)
        finally:
            writer.close()
            self._tasks.discard(task)

    async def _misbehave(self, fault: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if fault == "refuse":
            return
        if fault == "stall":
            while await reader.read(MOST_BYTES):
                pass
            return
        if fault not in ("pass", "cut", "lose", "half"):
            await _whole_request(reader)
            writer.write(fault.encode())
            await writer.drain()
            return
        inner_reader, inner_writer = await asyncio.open_connection("127.0.0.1", self._port)
        try:
            if fault == "pass":
                await _both(_pump(reader, inner_writer), _pump(inner_reader, writer))
                return
            request = await _whole_request(reader)
            if fault == "cut":
                inner_writer.write(request[: self._chance.randrange(len(request))])
                await inner_writer.drain()
                return
            inner_writer.write(request)
            answer = await inner_reader.read(MOST_BYTES)
            assert answer
            if fault == "half":
                writer.write(answer[: self._chance.randrange(len(answer))])
                await writer.drain()
        finally:
            inner_writer.close()


async def _whole_request(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readuntil(b"\r\n\r\n")
    length = next(
        int(line.split(b":")[1]) for line in head.lower().split(b"\r\n") if line.startswith(b"content-length")
    )
    return head + await reader.readexactly(length)


async def _pump(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while some := await reader.read(MOST_BYTES):
        writer.write(some)
        await writer.drain()


async def _both(*pumps) -> None:
    tasks = [asyncio.ensure_future(pump) for pump in pumps]
    try:
        await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


@dataclass
class Office:
    """The contractor's side."""

    houses: HouseStores
    tokens: Tokens
    server: TestServer
    clock: Callable[[], datetime]

    def token(self, house: str = "tern-cottage", scope: Scope = Scope.CONTRIBUTE) -> str:
        return self.tokens.new(house, [scope], to_us(self.clock()))[1]

    def told(self, kind: str) -> tuple[int, str] | None:
        """What Tern Cottage told last of itself."""
        with self.houses.using("tern-cottage") as store:
            return store.latest_snapshot(kind)

    def kept(self, signal: str, house: str = "tern-cottage") -> list[tuple[int, float]]:
        if not self.houses.has(house):
            return []
        with self.houses.using(house) as store:
            series = store.series(signal, -(2**62), 2**62)
        return list(zip(series.time_us.tolist(), series.value.tolist(), strict=True))


@dataclass
class Link:
    """A house whose readings are forwarded over a line."""

    store: Store
    office: Office
    line: Line
    settings: Collector
    state: Source
    now: list[datetime]
    standing: list[Standing] = field(default_factory=lambda: [Standing(house="Tern Cottage")])

    def forwarder(self, patience_s: float = 5.0) -> Forwarder:
        """As after a restart of the service."""

        def standing(waits: outbox.Forwarding) -> Standing:
            return self.standing[-1].model_copy(update={"waiting": waits.waiting})

        return Forwarder(self.settings, self.store, self.state, standing, lambda: self.now[0], patience_s=patience_s)

    async def until_sent(self, patience_s: float = 5.0) -> None:
        """Let it try until nothing waits."""
        running = asyncio.ensure_future(self.forwarder(patience_s).run(AT_ONCE))
        try:
            async with asyncio.timeout(30):
                while outbox.forwarding(self.store).waiting:
                    await asyncio.sleep(0.005)
                    if running.done():
                        running.result()
        finally:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)

    def goes_by(self, span: timedelta) -> None:
        self.now[0] += span


@pytest.fixture
def now() -> list[datetime]:
    return [NOON]


@pytest.fixture
async def office(tmp_path: Path, now) -> AsyncIterator[Office]:
    (tmp_path / "houses").mkdir()
    settings = Collecting(name="Saltmere Air", folder=tmp_path)
    with Store.open(tmp_path / "collector.sqlite") as store, HouseStores(tmp_path / "houses", most_open=8) as houses:
        tokens = Tokens(store)
        app = create_collector(tokens, houses, settings, lambda: now[0])
        async with TestServer(app) as server:
            yield Office(houses, tokens, server, lambda: now[0])


@pytest.fixture
async def link(tmp_path: Path, office: Office, now, monkeypatch) -> AsyncIterator[Link]:
    monkeypatch.setenv("OFFICE_TOKEN", office.token())
    line = Line(office.server.port)
    settings = Collector.model_validate({"address": await line.open(), "token": {"environment": "OFFICE_TOKEN"}})
    with Store.open(tmp_path / "house.sqlite") as store:
        outbox.forward(store, settings.signals, to_us(NOON))
        state = Arrivals().source("collector", "collector", settings.shown_address)
        yield Link(store, office, line, settings, state, now)
        await line.close()
