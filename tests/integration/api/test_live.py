"""The live stream, read as the HTML Standard says (section 9.2.6, "Interpreting an event stream")."""

import asyncio
import json
import socket
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer
from hypothesis import given, settings
from hypothesis import strategies as st

from moteledger.api import broadcast, create_app, live
from moteledger.api.auth import GRANT, Grant
from moteledger.api.broadcast import Broadcaster, Position
from moteledger.store import Reading, Store, to_us
from moteledger.store.tokens import Scope

START = datetime(2026, 1, 31, 14, 5, tzinfo=UTC)
START_US = to_us(START)
STATIC = "duct.static_pressure"


@dataclass
class Event:
    type: str
    data: str
    last_id: str

    @property
    def json(self) -> Any:
        return json.loads(self.data)


@dataclass
class StrictReader:
    """Interprets a stream of bytes, line for line as the standard has it, and refuses whatever it would ignore."""

    buffer: bytes = b""
    data: list[str] = field(default_factory=list)
    type: str = ""
    id_buffer: str = ""
    last_id: str = ""
    retry_ms: int | None = None
    comments: int = 0

    def feed(self, more: bytes) -> Iterator[Event]:
        self.buffer += more
        assert b"\r" not in self.buffer, "lines end in LF alone here"
        *lines, self.buffer = self.buffer.split(b"\n")
        for line in lines:
            yield from self.line(line.decode("utf-8"))

    def line(self, line: str) -> Iterator[Event]:
        if not line:
            self.last_id = self.id_buffer
            if self.data:
                yield Event(self.type or "message", "\n".join(self.data), self.last_id)
            self.data, self.type = [], ""
            return
        name, colon, value = line.partition(":")
        value = value.removeprefix(" ")
        if not name and colon:
            self.comments += 1
        elif name == "data":
            self.data.append(value)
        elif name == "event":
            self.type = value
        elif name == "id":
            assert "\0" not in value
            self.id_buffer = value
        elif name == "retry":
            assert value.isascii() and value.isdecimal()
            self.retry_ms = int(value)
        else:
            raise AssertionError(f"{line!r} has no field that the standard knows")


@dataclass
class Watching:
    """A stream that is open, and what has come of it."""

    response: aiohttp.ClientResponse
    reader: StrictReader = field(default_factory=StrictReader)
    events: list[Event] = field(default_factory=list)

    async def until(self, count: int, kind: str = "reading") -> list[Event]:
        """All events of a kind as soon as there are `count`."""
        async with asyncio.timeout(60):
            while len(self.of(kind)) < count:
                more = await self.response.content.readany()
                assert more, "the stream ended"
                self.events += self.reader.feed(more)
        return self.of(kind)

    async def to_its_end(self) -> None:
        async with asyncio.timeout(60):
            while more := await self.response.content.readany():
                self.events += self.reader.feed(more)

    async def begun(self) -> None:
        """Until it has told its place."""
        async with asyncio.timeout(60):
            while not self.reader.last_id:
                self.events += self.reader.feed(await self.response.content.readany())

    def of(self, kind: str) -> list[Event]:
        return [event for event in self.events if event.type == kind]

    def values(self) -> list[float]:
        return [event.json["value"] for event in self.of("reading")]


@dataclass
class Clock:
    now: datetime = START

    def __call__(self) -> datetime:
        return self.now


@dataclass
class Source:
    assessment: Any = None

    def current(self) -> Any:
        return self.assessment


class House:
    """A service whose store is at hand; a second one may follow on the same store, as after a restart."""

    def __init__(self, store: Store) -> None:
        self.store, self.clock, self.source = store, Clock(), Source()
        self.client: TestClient
        self.grant: Grant | None = None

    async def start(self) -> None:
        app = create_app(self.store, self.source, clock=self.clock)

        @web.middleware
        async def as_somebody(request: web.Request, handler: Any) -> web.StreamResponse:
            if self.grant is not None:
                request[GRANT] = self.grant
            return await handler(request)

        app.middlewares.append(as_somebody)
        self.client = TestClient(TestServer(app))
        await self.client.start_server()

    async def restart(self) -> None:
        await self.client.close()
        await self.start()

    @property
    def broadcaster(self) -> Broadcaster:
        return self.client.app[live.BROADCASTER]

    async def take(self, second: int, value: float, signal: str = STATIC) -> None:
        """Have a reading arrive, and be told before the next one comes."""
        last = self.broadcaster.position.number
        await asyncio.to_thread(self.store.append, [Reading(START_US + second * 1_000_000, signal, value)])
        async with asyncio.timeout(60):
            await self.broadcaster.news(last)

    @asynccontextmanager
    async def watch(self, last_id: str | None = None, query: str = "") -> AsyncIterator[Watching]:
        headers = {} if last_id is None else {"Last-Event-ID": last_id}
        async with self.client.get(f"/v1/live{query}", headers=headers) as response:
            assert response.status == 200
            assert response.content_type == "text/event-stream"
            yield Watching(response)


@pytest.fixture
async def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[House]:
    monkeypatch.setattr(broadcast, "TICK_S", 0.01)
    with Store.open(tmp_path / "house.sqlite") as store:
        house = House(store)
        await house.start()
        yield house
        await house.client.close()


async def test_a_stream_begins_with_the_newest_of_each_signal_and_goes_on_with_what_comes(house: House) -> None:
    house.store.append([Reading(START_US - 9, STATIC, 99.0), Reading(START_US, STATIC, 100.0)])
    house.store.append([Reading(START_US, "indoor.pm25", 7.5)])
    async with house.watch() as watching:
        await watching.begun()
        assert {event.json["signal"]: event.json["value"] for event in watching.events} == {
            STATIC: 100.0,
            "indoor.pm25": 7.5,
        }
        await house.take(1, 101.0)
        event = (await watching.until(3))[-1]
        assert event.json == {"signal": STATIC, "time": "2026-01-31T14:05:01Z", "value": 101.0, "unit": "Pa"}
        assert watching.reader.retry_ms


async def test_only_the_signals_asked_for_are_sent(house: House) -> None:
    async with house.watch(query="?signals=indoor.pm25,filter.pressure_drop") as watching:
        await watching.begun()
        await house.take(1, 101.0)
        await house.take(1, 3.0, "indoor.pm25")
        assert [event.json["signal"] for event in await watching.until(1)] == ["indoor.pm25"]


@pytest.mark.parametrize("query", ["?signals=", "?signals=indoor.pm26", "?signals=indoor.pm25,,", "?other=1"])
async def test_a_query_that_means_nothing_is_refused(house: House, query: str) -> None:
    response = await house.client.get(f"/v1/live{query}")
    assert response.status == 400
    assert response.content_type == "application/problem+json"


async def test_who_may_see_little_is_sent_no_more(house: House) -> None:
    house.grant = Grant(frozenset({Scope.CONTRACTOR}), "abcd")
    house.store.append([Reading(START_US, "indoor.pm25", 7.5), Reading(START_US, STATIC, 100.0)])
    async with house.watch() as watching:
        await watching.begun()
        await house.take(1, 8.0, "indoor.pm25")
        await house.take(1, 101.0)
        assert {event.json["signal"] for event in await watching.until(2)} == {STATIC}
    assert (await house.client.get("/v1/live?signals=indoor.pm25")).status == 403


async def test_a_stream_that_a_token_opened_ends_so_that_the_token_is_shown_again(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "_LONGEST_S", 0.0)
    house.grant = Grant(frozenset({Scope.VIEW}), "abcd")
    async with house.watch() as watching:
        await watching.to_its_end()
        assert watching.reader.last_id


async def test_a_burst_is_told_by_its_newest_reading(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broadcast, "TICK_S", 0.3)
    async with house.watch() as watching:
        await watching.begun()
        await house.take(0, 0.0)
        for tenth in range(1, 11):
            house.store.append([Reading(START_US + tenth * 100_000, STATIC, float(tenth))])
        await watching.until(2)
        assert watching.values() == [0.0, 10.0]


async def test_a_late_reading_is_kept_and_not_told(house: House) -> None:
    async with house.watch() as watching:
        await watching.begun()
        await house.take(5, 5.0)
        house.store.append([Reading(START_US, STATIC, 1.0)])
        await house.take(6, 6.0)
        await watching.until(2)
        assert watching.values() == [5.0, 6.0]


async def test_a_reading_that_is_not_kept_is_not_told(house: House) -> None:
    house.store.append([Reading(START_US, STATIC, 1.0)])
    async with house.watch() as watching:
        await watching.begun()
        house.store.append([Reading(START_US, STATIC, 2.0)])
        await house.take(1, 3.0)
        await watching.until(2)
        assert watching.values() == [1.0, 3.0]


@pytest.mark.parametrize("missed", [0, 1, 7])
async def test_who_comes_back_gets_all_that_was_missed_and_nothing_twice(house: House, missed: int) -> None:
    async with house.watch() as watching:
        await watching.begun()
        await house.take(0, 0.0)
        await watching.until(1)
    for second in range(1, 1 + missed):
        await house.take(second, float(second))
    async with house.watch(watching.reader.last_id) as again:
        await house.take(100, 100.0)
        await again.until(missed + 1)
        assert again.values() == [*map(float, range(1, 1 + missed)), 100.0]


async def test_each_event_names_a_place_to_come_back_to(house: House) -> None:
    async with house.watch() as watching:
        await watching.begun()
        for second in range(5):
            await house.take(second, float(second))
        events = await watching.until(5)
    for place, event in enumerate(events):
        async with house.watch(event.last_id) as again:
            await again.until(4 - place)
            assert again.values() == [float(second) for second in range(place + 1, 5)]


async def test_after_a_restart_what_was_missed_comes_from_the_store(house: House) -> None:
    async with house.watch() as watching:
        await watching.begun()
        await house.take(0, 0.0)
        await watching.until(1)
    for second in range(1, 200):
        house.store.append([Reading(START_US + second * 1_000_000, STATIC, float(second))])
    house.store.append([Reading(START_US - 3_600_000_000, "outdoor.pm25", 12.0)])
    house.clock.now += timedelta(seconds=200)
    await house.restart()
    async with house.watch(watching.reader.last_id) as again:
        await again.begun()
        assert set(map(float, range(1, 200))) | {12.0} <= set(again.values())
        assert not again.of("reset")
        # Whether an alarm turned meanwhile is not kept: whoever follows them is told to look.
        assert len(again.of("alarm")) == 1
        await house.take(300, 300.0)
        await again.until(len(again.of("reading")) + 1)
        assert again.values()[-1] == 300.0


async def test_a_clock_that_was_ahead_for_a_while_silences_nothing(house: House) -> None:
    year_s = 365 * 24 * 3600
    house.clock.now += timedelta(seconds=year_s)
    await house.take(year_s, 99.0)
    async with house.watch() as before:
        await before.begun()
        house.clock.now -= timedelta(seconds=year_s)
        await house.take(1, 1.0)
        await before.until(2)
        async with house.watch() as after:
            await after.begun()
            await house.take(2, 2.0)
            await after.until(2)
            await before.until(3)
    assert before.values() == [99.0, 1.0, 2.0]
    assert after.values() == [1.0, 2.0]
    newest = await (await house.client.get("/v1/readings/newest")).json()
    assert newest["readings"][STATIC]["value"] == 2.0


async def test_what_the_ring_no_longer_holds_comes_from_the_store(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(broadcast, "RING_SIZE", 3)
    await house.restart()
    async with house.watch() as watching:
        await watching.begun()
        await house.take(0, 0.0)
        await watching.until(1)
    for second in range(1, 10):
        await house.take(second, float(second))
    async with house.watch(watching.reader.last_id) as again:
        await again.begun()
        assert set(map(float, range(1, 10))) <= set(again.values())


async def test_after_too_long_an_absence_the_stream_says_so_and_begins_anew(house: House) -> None:
    async with house.watch() as watching:
        await watching.begun()
    await house.restart()
    house.store.append([Reading(START_US, STATIC, 1.0)])
    house.clock.now += timedelta(hours=2)
    async with house.watch(watching.reader.last_id) as again:
        await again.begun()
        assert [event.type for event in again.events] == ["reset", "reading"]
        assert "/v1/readings" in again.events[0].json["reason"]


@settings(max_examples=60, deadline=None)
@given(text=st.text(max_size=40) | st.from_regex(r"[0-9a-f]{8}-[0-9]{1,20}-[0-9]{1,20}", fullmatch=True))
def test_an_id_is_read_or_refused_and_never_fails(text: str) -> None:
    position = Position.read(text)
    assert position is None or Position.read(str(position)) == position


@pytest.mark.parametrize("last_id", ["", "1", "-", "a-b-c", "00000000-9999-99999999999", "%00", "x" * 3000])
async def test_an_id_that_is_none_of_ours_begins_anew(house: House, last_id: str) -> None:
    async with house.watch(last_id) as watching:
        await watching.begun()
        assert [event.type for event in watching.events] == ["reset"]


async def test_an_id_from_the_future_of_this_run_begins_anew(house: House) -> None:
    here = house.broadcaster.position
    async with house.watch(f"{here.run}-{here.number + 5}-{here.time_ms + 10_000_000}") as watching:
        await watching.begun()
        assert watching.of("reset")


async def test_a_new_assessment_is_told(house: House, assessment) -> None:
    async with house.watch() as watching:
        await watching.begun()
        house.source.assessment = assessment
        house.broadcaster.tell_alarm("hose", {"name": "hose", "state": "raised"})
        assert (await watching.until(1, "assessment"))[0].json == {"time": "2026-01-31T14:05:00Z"}
        assert (await watching.until(1, "alarm"))[0].json == {"name": "hose", "state": "raised"}


async def test_silence_is_broken_by_comments(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "HEARTBEAT_S", 0.05)
    async with house.watch() as watching, asyncio.timeout(60):
        while watching.reader.comments < 3:
            watching.events += watching.reader.feed(await watching.response.content.readany())
    assert not watching.events


async def test_a_slow_viewer_is_shown_the_newest_then_dropped_and_holds_up_nobody(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "PATIENCE_S", 0.5)
    monkeypatch.setattr(broadcast, "TICK_S", 0.001)
    names = ",".join(f"room:{'x' * 30}{i}.pm25" for i in range(100)).split(",")
    loop = asyncio.get_running_loop()
    slow = socket.socket()
    slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    slow.setblocking(False)
    await loop.sock_connect(slow, ("127.0.0.1", house.client.port))
    await loop.sock_sendall(slow, b"GET /v1/live HTTP/1.1\r\nHost: localhost\r\n\r\n")
    async with house.watch() as watching:
        await watching.begun()
        longest_s = 0.0
        for second in range(200):
            began = time.monotonic()
            batch = [Reading(START_US + second * 1_000_000, name, float(second)) for name in names]
            await asyncio.to_thread(house.store.append, batch)
            longest_s = max(longest_s, time.monotonic() - began)
            if house.broadcaster.viewers == 1:
                break
            await asyncio.sleep(0.02)
        assert house.broadcaster.viewers == 1, "the slow one is still there"
        await house.take(1000, 1.0)
        async with asyncio.timeout(60):
            while 1.0 not in watching.values()[-1:]:
                watching.events += watching.reader.feed(await watching.response.content.readany())
    slow.close()


async def test_no_more_viewers_than_can_be_served_are_let_in(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "MOST_VIEWERS", 2)
    async with house.watch() as one, house.watch() as two:
        await one.begun()
        await two.begun()
        assert (await house.client.get("/v1/live")).status == 503
    await house.take(1, 1.0)
    await house.take(2, 2.0)
    async with asyncio.timeout(60):
        while house.broadcaster.viewers:  # noqa: ASYNC110  it looks now and then whether they have left
            await asyncio.sleep(0.01)
    async with house.watch() as three:
        await three.begun()


async def test_two_hundred_viewers_all_see_each_reading(house: House) -> None:
    async with asyncio.timeout(120):
        connector = aiohttp.TCPConnector(limit=0)
        async with aiohttp.ClientSession(connector=connector) as session:
            url = house.client.make_url("/v1/live")
            responses = await asyncio.gather(*(session.get(url) for _ in range(200)))
            watching = [Watching(response) for response in responses]
            await asyncio.gather(*(one.begun() for one in watching))
            for second in range(5):
                await house.take(second, float(second))
                await asyncio.gather(*(one.until(second + 1) for one in watching))
            assert all(one.values() == [0.0, 1.0, 2.0, 3.0, 4.0] for one in watching)
            for response in responses:
                response.close()


async def test_shutting_down_ends_every_stream_at_once(house: House) -> None:
    async with house.watch() as one, house.watch() as two:
        await one.begun()
        await two.begun()
        began = time.monotonic()
        closing = asyncio.create_task(house.client.server.close())
        await one.to_its_end()
        await two.to_its_end()
        await closing
        assert time.monotonic() - began < 20.0, "it waited for the viewers to leave, not they for it"


async def test_a_head_of_the_stream_ends(house: House) -> None:
    response = await house.client.head("/v1/live")
    assert (response.status, response.content_type) == (200, "text/event-stream")


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ("?other=1", "other is no parameter of this path; known"),
        ("?{name}=indoor.pm26", "{name}: 'indoor.pm26' is not a signal"),
        ("?{name}=indoor.pm25&{name}=fan.running", "{name} stands twice; give it once"),
    ],
)
async def test_a_wrong_query_is_told_in_the_same_words_everywhere(house: House, query: str, told: str) -> None:
    for path, name in (("/v1/live", "signals"), ("/v1/readings", "signal")):
        response = await house.client.get(path + query.format(name=name))
        problem = await response.json()
        assert response.status == 400
        assert told.format(name=name) in problem["detail"]
        assert problem["place"] == query.format(name=name).strip("?").partition("=")[0]


async def test_a_viewer_that_leaves_makes_room_though_there_is_nothing_to_send(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(live, "_SEEN_EVERY_S", 0.02)
    broadcaster = house.client.app[live.BROADCASTER]
    async with house.watch() as watching:
        await watching.begun()
        assert broadcaster.viewers == 1
    async with asyncio.timeout(60):
        while broadcaster.viewers:  # noqa: ASYNC110  what it waits for is behind a socket
            await asyncio.sleep(0.01)
