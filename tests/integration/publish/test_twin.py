"""The state at a real broker: retained, in step with the service, and `leave` whenever the service is lost.

MQTT 5.0 (OASIS, 2019), sections 3.1.2.5 (will) and 3.3.1.3 (retain), read at the broker by a client of its own.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from moteledger.api.sections import PUBLISHED_SECTIONS
from moteledger.engine.assessment import Assessment
from moteledger.engine.fan_control import FanControl
from moteledger.engine.fan_least_times import LeastTimes
from moteledger.intake import Arrivals, Pace
from moteledger.publish import Twin
from moteledger.settings import Mqtt
from moteledger.store import Store

QUICK = Pace(first_s=0.02, longest_s=0.1)
ROOT = "wren/ledger"


class Reader:
    """What a client of the broker sees below the root, the newest of each topic; None once a topic was emptied."""

    def __init__(self, port: int) -> None:
        self.seen: dict[str, dict[str, Any] | None] = {}
        self.retained: set[str] = set()
        self.client = mqtt.Client(
            mqtt.CallbackAPIVersion.VERSION2, client_id="reader", protocol=mqtt.MQTTProtocolVersion.MQTTv5
        )
        self.client.on_message = self._take
        self.client.connect("127.0.0.1", port)
        self.client.subscribe(f"{ROOT}/#", qos=1)
        self.client.loop_start()

    def _take(self, client: object, data: object, message: mqtt.MQTTMessage) -> None:
        name = message.topic.removeprefix(f"{ROOT}/")
        if message.retain:
            self.retained.add(name)
        self.seen[name] = json.loads(message.payload) if message.payload else None

    @property
    def action(self) -> str | None:
        answer = self.seen.get("answer/fan")
        return answer and answer["action"]


async def until(true: Callable[[], Any]) -> None:
    async with asyncio.timeout(60):
        while not true():  # noqa: ASYNC110  what it waits for is behind a socket
            await asyncio.sleep(0.01)


@pytest.fixture(scope="module")
def leaving() -> Iterator[list[Reader]]:
    """Those whose loops end by themselves, within the second in which they look whether there is more to do."""
    readers: list[Reader] = []
    yield readers
    for each in readers:
        each.client.loop_stop()


@pytest.fixture
def reader(broker, leaving: list[Reader]) -> Iterator[Callable[[], Reader]]:
    readers = []

    def read() -> Reader:
        readers.append(Reader(broker.port))
        return readers[-1]

    yield read
    for each in readers:
        each.client.disconnect()
    leaving += readers


class Line:
    """A line to the broker that can be cut as when a machine loses power: no farewell passes."""

    def __init__(self, broker_port: int) -> None:
        self._broker_port, self._whole = broker_port, True
        self._ends: list[asyncio.StreamWriter] = []

    async def __aenter__(self) -> "Line":
        self._server = await asyncio.start_server(self._carry, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        self.cut()
        self._server.close()

    async def _carry(self, near: asyncio.StreamReader, near_end: asyncio.StreamWriter) -> None:
        if not self._whole:
            near_end.transport.abort()
            return
        far, far_end = await asyncio.open_connection("127.0.0.1", self._broker_port)
        self._ends += [near_end, far_end]
        await asyncio.gather(self._pass(near, far_end), self._pass(far, near_end))

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError):
            while data := await reader.read(65536):
                writer.write(data)
        writer.close()

    def cut(self) -> None:
        self._whole = False
        for end in self._ends:
            end.transport.abort()

    def mend(self) -> None:
        self._whole, self._ends = True, []


class Assessments:
    newest: Assessment | None = None

    def current(self) -> Assessment | None:
        return self.newest


class Service:
    """A fan control and its twin at the broker."""

    def __init__(self, store: Store, port: int, version: str, least: LeastTimes) -> None:
        self.fan = FanControl(store, lambda: datetime.now(UTC), boot="one", least=least)
        self.assessments = Assessments()
        self.state = Arrivals().source("state", "mqtt", "")
        settings = Mqtt.model_validate({"host": "127.0.0.1", "port": port, "version": version, "keepalive": "1 s"})
        twin = Twin(settings, ROOT, self.fan, self.assessments, self.state, lambda: datetime.now(UTC))
        self.task = asyncio.create_task(twin.run(QUICK))

    async def stop(self) -> None:
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)


@pytest.fixture
async def serve(broker, tmp_path: Path) -> AsyncIterator[Callable[..., Service]]:
    running = []
    with Store.open(tmp_path / "house.sqlite") as store:

        def start(version: str = "5", port: int = broker.port, least: LeastTimes | None = None) -> Service:
            running.append(Service(store, port, version, least or LeastTimes()))
            return running[-1]

        yield start
        for each in running:
            await each.stop()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
async def test_what_the_fan_should_do_is_there_for_whoever_comes_later(serve, reader, version) -> None:
    service = serve(version)
    answer = service.fan.override("run", timedelta(hours=1))
    early = reader()
    await until(lambda: early.action == "run")
    late = reader()
    await until(lambda: late.action == "run")
    assert "answer/fan" in late.retained
    assert late.seen["answer/fan"] == json.loads(answer.model_dump_json())


async def test_it_is_the_same_document_as_over_http(serve, reader, assessment) -> None:
    service = serve()
    service.assessments.newest = assessment
    seen = reader()
    await until(lambda: set(PUBLISHED_SECTIONS) < set(seen.seen))
    for name, section in PUBLISHED_SECTIONS.items():
        assert seen.seen[name] == json.loads(section(assessment).model_dump_json())
    assert "events" not in seen.seen, "the broker's readers would learn when people are at home"


async def test_a_service_that_stops_hands_the_fan_back(serve, reader) -> None:
    service = serve()
    service.fan.override("run", timedelta(hours=1))
    seen = reader()
    await until(lambda: seen.action == "run")
    await service.stop()
    await until(lambda: seen.action == "leave")
    late = reader()
    await until(lambda: late.action == "leave")


async def test_a_service_that_is_lost_hands_the_fan_back_by_its_will(serve, reader, broker) -> None:
    async with Line(broker.port) as line:
        service = serve(port=line.port)
        service.fan.override("run", timedelta(hours=1))
        seen = reader()
        await until(lambda: seen.action == "run")
        line.cut()
        await until(lambda: seen.action == "leave")
        assert "cannot be reached" in seen.seen["answer/fan"]["reason"]


@pytest.mark.parametrize(("least_rest", "action"), [(timedelta(minutes=10), "leave"), (timedelta(0), "run")])
async def test_a_run_that_the_will_has_ended_rests_its_least_time_before_it_is_told_again(
    least_rest: timedelta, action: str, serve, reader, broker
) -> None:
    """Whoever listens was told `leave` and has let the fan stop: the next run is a new one, over HTTP too."""
    async with Line(broker.port) as line:
        service = serve(port=line.port, least=LeastTimes(rest=least_rest))
        begun = service.fan.override("run", timedelta(hours=1))
        seen = reader()
        await until(lambda: seen.action == "run")
        line.cut()
        await until(lambda: seen.action == "leave")
        line.mend()
        await until(lambda: service.fan.answer() != begun)
        answer = service.fan.answer()
        assert (answer.action, answer.since > begun.since) == (action, True)
        await until(lambda: seen.seen["answer/fan"] == json.loads(answer.model_dump_json()))


async def test_a_run_that_was_taken_up_after_a_kill_has_ended_where_the_will_has_spoken(serve, reader, broker) -> None:
    async with Line(broker.port) as line:
        killed = serve(port=line.port)
        killed.fan.override("run", timedelta(hours=1))
        seen = reader()
        await until(lambda: seen.action == "run")
        line.cut()
        await until(lambda: seen.action == "leave" and killed.state.report().state == "failing")
        await killed.stop()
    service = serve()
    assert service.fan.answer().action == "run"
    await until(lambda: service.fan.answer().action == "leave")
    await until(lambda: seen.seen["answer/fan"]["reason_code"] == "least_rest_time")


async def test_an_answer_that_has_lapsed_is_gone_from_a_broker_of_version_5(serve, reader, broker) -> None:
    service = serve()
    seen = reader()
    service.fan.override("run", timedelta(hours=1))
    await until(lambda: seen.action == "run")
    lasting = service.fan.answer().valid_until - datetime.now(UTC)
    expiry: list[int] = []

    def take(client: object, data: object, message: mqtt.MQTTMessage) -> None:
        expiry.append(message.properties.MessageExpiryInterval)

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTProtocolVersion.MQTTv5)
    client.on_message = take
    client.connect("127.0.0.1", broker.port)
    client.subscribe(f"{ROOT}/answer/fan")
    client.loop_start()
    await until(lambda: expiry)
    client.disconnect()
    client.loop_stop()
    assert 0 < expiry[0] <= lasting.total_seconds() + 1


async def test_a_broker_that_comes_back_with_nothing_is_told_all_of_it_again(serve, reader, broker) -> None:
    service = serve(least=LeastTimes(rest=timedelta(0)))
    service.fan.override("run", timedelta(hours=1))
    seen = reader()
    await until(lambda: seen.action == "run")
    broker.stop()
    await until(lambda: service.state.report().state == "failing")
    (broker.folder / "mosquitto.db").unlink()
    broker.start()
    late = reader()
    await until(lambda: late.action == "run")


@pytest.mark.parametrize("root", ["", "a/#", "a/+/b", "$SYS/x", "a/", "line\nbreak"])
def test_a_root_that_cannot_be_written_below_is_refused(root: str) -> None:
    with pytest.raises(ValueError, match="publish_below"):
        Mqtt.model_validate({"host": "broker.home.arpa", "publish_below": root})
