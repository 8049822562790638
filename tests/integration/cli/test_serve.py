"""The service as it is started by hand: its address, its answers to good and bad requests, and how it ends."""

import asyncio
import html
import json
import re
import signal
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.message import Message
from pathlib import Path
from typing import Any

import pytest

from moteledger.cards import CARDS
from moteledger.cli.listening import every

Start = Callable[..., subprocess.Popen[str]]


@dataclass(frozen=True)
class Reply:
    """A reply of the service, whatever its status."""

    status: int
    headers: Message
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass(frozen=True)
class Service:
    """A running service and where it is."""

    process: subprocess.Popen[str]
    address: str

    def get(self, path: str) -> Reply:
        return self.ask(urllib.request.Request(self.address + path))

    def post(self, body: bytes, media_type: str = "application/senml+json") -> Reply:
        request = urllib.request.Request(f"{self.address}/v1/readings", body, {"Content-Type": media_type})
        return self.ask(request)

    def ask(self, request: urllib.request.Request) -> Reply:
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return Reply(answer.status, answer.headers, answer.read())
        except urllib.error.HTTPError as error:
            with error:
                return Reply(error.code, error.headers, error.read())

    def stop(self, number: signal.Signals = signal.SIGTERM) -> tuple[int, str, str]:
        self.process.send_signal(number)
        out, err = self.process.communicate(timeout=60)
        return self.process.returncode, out, err


def started(process: subprocess.Popen[str]) -> Service:
    assert process.stdout is not None
    line = process.stdout.readline()
    address = re.search(r"http://127\.0\.0\.1:\d+", line)
    assert address is not None, line
    return Service(process, address[0])


@pytest.fixture(scope="module")
def store_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("served") / "rook.sqlite"


@pytest.fixture(scope="module")
def service(start_command: Start, house_file: Path, store_file: Path) -> Iterator[Service]:
    running = started(start_command("serve", "--house", house_file, "--store", store_file, "--port", "0"))
    yield running
    if running.process.poll() is None:
        running.stop()


def pack(now: datetime, minutes: range) -> bytes:
    """SenML (RFC 8428) of some minutes before now, indoors and outdoors."""
    records = []
    for minute in minutes:
        moment = (now - timedelta(minutes=minute)).timestamp()
        records += [
            {"n": "indoor.pm25", "u": "ug/m3", "t": moment, "v": 5.0 + minute % 7},
            {"n": "outdoor.pm25", "u": "ug/m3", "t": moment, "v": 15.0 + minute % 11},
        ]
    return json.dumps(records).encode()


def test_before_any_reading_the_page_and_every_card_say_what_they_wait_for(service: Service) -> None:
    page = service.get("/")
    assert page.status == 200
    assert page.headers["Content-Type"] == "text/html; charset=utf-8"
    for name, card in CARDS.items():
        alone = service.get(f"/cards/{name}")
        assert alone.status == 200
        for body in (alone.body, page.body):
            assert card.waits_for in html.unescape(body.decode())
    assert "simulated" not in page.body.decode()


def test_every_answer_carries_what_keeps_strange_pages_out(service: Service) -> None:
    for path in ("/", "/cards/air", "/static/cards.css", "/v1/air", "/cards/none"):
        headers = service.get(path).headers
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert "default-src 'none'" in headers["Content-Security-Policy"]
        assert "frame-ancestors 'self'" in headers["Content-Security-Policy"]
        # A form sent from a page without any referrer would name no origin, and be refused.
        has_forms = headers["Content-Type"].startswith("text/html")
        assert headers["Referrer-Policy"] == ("same-origin" if has_forms else "no-referrer")
        assert headers["Access-Control-Allow-Origin"] is None


def test_an_unknown_card_is_a_problem_that_names_those_there_are(service: Service) -> None:
    reply = service.get("/cards/weather")
    assert reply.status == 404
    assert reply.headers["Content-Type"].startswith("application/problem+json")
    for name in ("weather", *CARDS):
        assert name in reply.json["detail"]


def test_a_section_before_there_is_any_assessment_asks_for_patience(service: Service) -> None:
    reply = service.get("/v1/air")
    assert reply.status == 503
    assert int(reply.headers["Retry-After"]) > 0
    assert "no assessment yet" in reply.json["detail"]


def test_ten_megabytes_are_refused_with_the_limit_and_the_way_round_it(service: Service) -> None:
    reply = service.post(b"[" + b" " * 10_000_000 + b"]")
    assert reply.status == 413
    assert reply.headers["Content-Type"].startswith("application/problem+json")
    assert "1048576 bytes" in reply.json["detail"]
    assert "several requests" in reply.json["detail"]


@pytest.mark.parametrize(
    ("body", "status", "words"),
    [
        (b'{"n": "indoor.pm25", "v": 5}', 422, ["the body", "SenML is a list of records", "put them in [ ]"]),
        (b"[]", 422, ["the body", "is an empty list"]),
        (b"pm25=5&place=indoor", 400, ["the body", "is not JSON at line 1 column 1"]),
    ],
)
def test_a_body_that_is_no_senml_is_a_problem_that_names_the_place_and_the_fix(
    body: bytes, status: int, words: list[str], service: Service
) -> None:
    reply = service.post(body)
    assert reply.status == status
    assert reply.headers["Content-Type"].startswith("application/problem+json")
    assert reply.json["place"] == ""
    for word in words:
        assert word in reply.json["detail"]


def test_records_that_are_no_senml_are_refused_each_at_its_place(service: Service) -> None:
    reply = service.post(b'[{"n": "indoor.pm25", "v": "five"}, 7, {"n": "indoor.pm52", "v": 5}]')
    assert reply.status == 422
    told = [(each["place"], each["reason"]) for each in reply.json["refusals"]]
    assert [place for place, _ in told] == ["/0/v", "/1", "/2/n"]
    assert "did you mean 'indoor.pm25'" in told[2][1]


def test_readings_are_kept_at_once_and_assessed_within_seconds(service: Service) -> None:
    readings = pack(datetime.now(UTC).replace(microsecond=0), range(150))
    taken = service.post(readings)
    assert taken.status == 200
    assert taken.json["accepted"] == 300
    assert taken.json["refused"] == 0
    given = service.get("/v1/readings?signal=indoor.pm25").json
    assert given["unit"] == "ug/m3"
    assert given["value"][-1] == 5.0
    assert len(given["value"]) == 150
    assert service.post(readings).json["repeated"] == 300

    deadline = time.monotonic() + 60.0
    reply = service.get("/v1/air")
    while reply.status == 503 and time.monotonic() < deadline:
        time.sleep(0.2)
        reply = service.get("/v1/air")
    assert reply.status == 200
    assert reply.json["house"] == "Rook House"
    assert reply.json["air"]["indoor_pm25"]["value"] is not None
    assert "PM2.5" in service.get("/cards/air").body.decode()


def test_a_port_that_is_taken_ends_in_one_line_that_names_it_and_the_way_out(
    service: Service, start_command: Start, house_file: Path, tmp_path: Path
) -> None:
    port = service.address.rpartition(":")[2]
    other = start_command("serve", "--house", house_file, "--store", tmp_path / "other.sqlite", "--port", port)
    out, err = other.communicate(timeout=60)
    assert (other.returncode, out) == (1, "")
    assert err == f"moteledger serve: port {port} on 127.0.0.1: address already in use; choose another with --port\n"


def test_it_ends_on_request_without_complaint_and_a_new_start_knows_it_all(
    service: Service, start_command: Start, house_file: Path, store_file: Path
) -> None:
    code, out, err = service.stop(signal.SIGTERM)
    assert (code, out) == (0, "")
    # Before its first readings it has told, once, that it cannot assess yet.
    assert [line for line in err.splitlines() if "no new assessment" not in line] == []
    assert err.count("\n") <= 1

    again = started(start_command("serve", "--house", house_file, "--store", store_file, "--port", "0"))
    try:
        assert len(again.get("/v1/readings?signal=outdoor.pm25").json["value"]) == 150
    finally:
        code, _, err = again.stop(signal.SIGINT)
    assert (code, err) == (0, "")


async def test_periodic_work_that_fails_is_told_once_and_tried_again(caplog: pytest.LogCaptureFixture) -> None:
    tried: list[int] = []
    again = asyncio.Event()
    loop = asyncio.get_running_loop()

    def work() -> None:
        tried.append(len(tried))
        if len(tried) == 4:
            loop.call_soon_threadsafe(again.set)
        raise OverflowError

    working = asyncio.create_task(every(0.0, work, "no watch is kept: %s"))
    async with asyncio.timeout(60):
        await again.wait()
    assert not working.done()
    working.cancel()
    assert [record.getMessage() for record in caplog.records] == ["no watch is kept: OverflowError"]
