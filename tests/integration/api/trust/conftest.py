"""The whole service, pages and all, with tokens required, and a token of each scope."""

from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import WatchedRunner, add_pages, create_app
from moteledger.engine import Engine
from moteledger.engine.assessment import Assessment
from moteledger.engine.fan_control import FanControl
from moteledger.metrics import add_metrics
from moteledger.settings import House, Network
from moteledger.store import Store, to_us
from moteledger.store.tokens import Scope, Token, Tokens

NOW = datetime(2026, 1, 31, 14, 5, tzinfo=UTC)
DAY_US = 86_400_000_000


@dataclass
class Guarded:
    """A service that asks for tokens; its clock is set by hand."""

    store: Store
    tokens: Tokens
    now: datetime = NOW
    made: dict[Scope, tuple[Token, str]] = field(default_factory=dict)
    assessment: Assessment | None = None
    client: TestClient = field(init=False)

    def clock(self) -> datetime:
        return self.now

    def current(self) -> Assessment | None:
        return self.assessment

    def app(self, network: Network) -> web.Application:
        house = House.model_validate({"name": "Mill Cottage", "house": {"floor_area": "120 m2"}})
        fan = FanControl(self.store, self.clock)
        app = create_app(self.store, self, fan=fan, clock=self.clock, network=network)
        add_pages(app, house)
        add_metrics(app, Engine(house, self.store, self.clock))
        return app

    def bearer(self, scope: Scope) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.made[scope][1]}"}

    def new(self, *scopes: Scope, lasts: timedelta | None = None, browsers: int | None = None) -> tuple[Token, str]:
        now_us = to_us(self.now)
        expires_us = None if lasts is None else now_us + to_us(datetime(1970, 1, 1, tzinfo=UTC) + lasts)
        return self.tokens.new("test", scopes, now_us, expires_us=expires_us, browsers=browsers)


@pytest.fixture
def guard(tmp_path: Path) -> Guarded:
    store = Store.open(tmp_path / "house.sqlite")
    return Guarded(store, Tokens(store))


@pytest.fixture
async def guarded(guard: Guarded) -> AsyncIterator[Guarded]:
    with guard.store:
        guard.made = {scope: guard.new(scope, lasts=timedelta(days=1)) for scope in Scope}
        async with TestClient(TestServer(guard.app(Network(tokens_required=True)))) as guard.client:
            yield guard


@pytest.fixture
async def serving(guard: Guarded) -> AsyncIterator[Callable]:
    """Serve with other settings of the network."""
    opened: list[TestClient] = []

    async def serve(**network: object) -> TestClient:
        client = TestClient(TestServer(guard.app(Network.model_validate(network))))
        await client.start_server()
        opened.append(client)
        return client

    with guard.store:
        yield serve
        for client in opened:
            await client.close()


@pytest.fixture
async def listening(guard: Guarded) -> AsyncIterator[Callable]:
    """Serve as the command does, with watched connections; answers with the port."""
    runners: list[WatchedRunner] = []

    async def listen(*, head_patience_s: float = 5.0, reader_patience_s: float = 5.0, **network: object) -> int:
        settings = Network.model_validate(network)
        runner = WatchedRunner(
            guard.app(settings),
            settings,
            head_patience_s=head_patience_s,
            reader_patience_s=reader_patience_s,
            shutdown_timeout_s=0.2,
        )
        await runner.setup()
        runners.append(runner)
        await web.TCPSite(runner, "127.0.0.1", 0).start()
        return int(runner.addresses[0][1])

    with guard.store:
        yield listen
        for runner in runners:
            await runner.cleanup()
