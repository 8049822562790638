"""A hub that can misbehave, and a store to fill."""

import asyncio
import tomllib
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from aiohttp import web
from aiohttp.test_utils import TestServer

from moteledger.intake import Arrivals, Pace, run_sources
from moteledger.settings import House
from moteledger.store import Store

NOW_US = 1_769_868_300_000_000  # 2026-01-31T14:05:00Z
QUICK = Pace(first_s=0.02, longest_s=0.1)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "house.sqlite") as store:
        yield store


@pytest.fixture
def house() -> Callable[[str], House]:
    """A house file with the given sources."""

    def of(sources: str, folder: Path = Path()) -> House:
        text = 'name = "Wren House"\n[house]\nfloor_area = "120 m2"\n'
        return House.model_validate(tomllib.loads(text + sources), context={"folder": folder})

    return of


@pytest.fixture
async def hub() -> AsyncIterator[Callable[..., Awaitable[TestServer]]]:
    """Start a hub that answers at /air by the given handler; `ssl` makes it speak TLS."""
    servers = []

    async def start(handler: Callable[[web.Request], Awaitable[web.StreamResponse]], ssl: Any = None) -> TestServer:
        app = web.Application()
        app.router.add_get("/air", handler)
        server = TestServer(app, scheme="https" if ssl else "http")
        await server.start_server(ssl=ssl)
        servers.append(server)
        return server

    yield start
    for server in servers:
        await server.close()


class Running:
    """Sources at work; `until` waits for something to come true of them."""

    def __init__(self, arrivals: Arrivals, store: Store) -> None:
        self.arrivals, self.store = arrivals, store

    def __getitem__(self, name: str) -> Any:
        return next(source for source in self.arrivals.sources() if source.name == name)

    async def until(self, true: Callable[[], Any], patience_s: float = 60.0) -> None:
        async with asyncio.timeout(patience_s):
            await asyncio.sleep(0)
            while not true():  # noqa: ASYNC110  what it waits for is behind a socket and a disk
                await asyncio.sleep(0.01)

    def values(self, signal: str) -> list[float]:
        return list(self.store.series(signal, 0, 2**62).value)


@pytest.fixture
async def run(store: Store) -> AsyncIterator[Callable[[House], Running]]:
    """Run the sources of a house along with the test; the clock stands still unless one is given."""
    tasks: list[asyncio.Task[None]] = []

    def start(house: House, clock: Callable[[], int] = lambda: NOW_US) -> Running:
        arrivals = Arrivals()
        tasks.append(asyncio.create_task(run_sources(house, store, arrivals, clock, pace=QUICK)))
        return Running(arrivals, store)

    yield start
    for task in tasks:
        assert not task.done(), "a failing source has stopped the others"
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
