"""A service on loopback with a store of its own and a clock that stands still."""

from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import create_app
from moteledger.engine.assessment import Assessment
from moteledger.engine.fan_control import FanControl
from moteledger.store import Store

NOW = datetime(2026, 1, 31, 14, 5, tzinfo=UTC)


@dataclass
class Source:
    """Holds the assessment that the service is to serve."""

    assessment: Assessment | None = None

    def current(self) -> Assessment | None:
        return self.assessment


@dataclass
class Running:
    """A running service, and what it runs on."""

    client: TestClient
    store: Store
    source: Source
    fan: FanControl

    def __post_init__(self) -> None:
        self.get = self.client.get
        self.post = self.client.post
        self.request = self.client.request


@pytest.fixture
async def service(tmp_path: Path) -> AsyncIterator[Running]:
    source = Source()
    with Store.open(tmp_path / "house.sqlite") as store:
        fan = FanControl(store, lambda: NOW)
        async with TestClient(TestServer(create_app(store, source, fan=fan, clock=lambda: NOW))) as client:
            yield Running(client, store, source, fan)
