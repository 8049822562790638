"""The service as a process of its own, spoken to over a socket: strange requests, and being killed."""

import http.client
import json
import random
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moteledger.store import Store

SERVICE = """
import asyncio, sys
from aiohttp import web
from moteledger.api import create_app
from moteledger.store import Store

class Nothing:
    def current(self):
        return None

async def serve():
    store = Store.open(sys.argv[1])
    runner = web.AppRunner(create_app(store, Nothing()))
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    print(site._server.sockets[0].getsockname()[1], flush=True)
    await asyncio.Event().wait()

asyncio.run(serve())
"""


@contextmanager
def service(path: Path) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """The service on a store of its own and its port; it is killed at the end."""
    with subprocess.Popen([sys.executable, "-c", SERVICE, str(path)], stdout=subprocess.PIPE) as process:
        try:
            assert process.stdout is not None
            yield process, int(process.stdout.readline())
        finally:
            process.kill()


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    with service(tmp_path_factory.mktemp("wire") / "house.sqlite") as (process, number):
        yield number
        assert process.poll() is None, "the service ended"


methods = st.sampled_from(["GET", "POST", "PUT", "DELETE", "HEAD", "OPTIONS", "PATCH", "BREW"])
path_parts = st.sampled_from(
    ["/", "v1", "readings", "healthz", "air", "..", "%00", "%ff", "openapi.json", "?", "&", "="]
)
names = st.sampled_from(["signal", "from", "to", "resolution", "x"])
query_values = st.sampled_from(["indoor.pm25", "fan.running", "2026-01-31T14:00:00Z", "1h", "%ff", ""]) | st.text(
    alphabet="abc019-:+Z%&= ", max_size=12
).map(lambda text: text.replace(" ", "+"))
queries = st.lists(st.tuples(names, query_values), max_size=4).map(lambda pairs: "&".join(f"{n}={v}" for n, v in pairs))
targets = st.lists(path_parts, max_size=6).map(lambda parts: "/" + "".join(parts)) | queries.map(
    "/v1/readings?{}".format
)
header_names = st.sampled_from(
    ["Host", "Content-Type", "Content-Encoding", "Accept", "Range", "Origin", "X-Anything", "Content-Length"]
)
header_values = st.sampled_from(
    ["localhost", "application/json", "application/senml+json", "gzip", "br", "100-continue", "*/*", "-1", "9" * 30]
) | st.binary(max_size=20).map(lambda b: b.translate(None, b"\r\n\0").decode("latin-1"))
# An Expect header that is no text is answered by the HTTP library before it asks the application.
expectations = st.tuples(st.just("Expect"), st.sampled_from(["100-continue", "100-Continue", "a miracle"]))
bodies = st.binary(max_size=60) | st.sampled_from(
    [b"[]", b'{"time":"2026-01-31T14:00:00Z","signal":"indoor.pm25","value":1}', b'[{"n":"indoor.pm25","v":1}]']
)


@settings(max_examples=300, deadline=None)
@given(
    method=methods,
    target=targets,
    headers=st.lists(st.tuples(header_names, header_values) | expectations, max_size=4),
    body=bodies,
)
def test_no_request_makes_the_service_fail_or_hang(port: int, method: str, target: str, headers, body: bytes) -> None:
    lines = [f"{method} {target} HTTP/1.1", "Connection: close"]
    if not any(name == "Host" for name, _ in headers):
        lines.append("Host: localhost")
    if not any(name == "Content-Length" for name, _ in headers):
        lines.append(f"Content-Length: {len(body)}")
    lines += [f"{name}: {value}" for name, value in headers]
    answer = spoken(port, "\r\n".join(lines).encode("latin-1") + b"\r\n\r\n" + body)
    status = int(answer.removeprefix(b"HTTP/1.1 100 Continue\r\n\r\n").split(b" ")[1])
    # Without an assessment its sections say 503; a HEAD of one says so without a body.
    assert status < 500 or (status == 503 and (b"there is no assessment yet" in answer or method == "HEAD"))


@settings(max_examples=100, deadline=None)
@given(rubbish=st.binary(max_size=200))
def test_no_bytes_make_the_service_fail_or_hang(port: int, rubbish: bytes) -> None:
    assert not spoken(port, rubbish, then_leave=True).startswith((b"HTTP/1.1 5", b"HTTP/1.0 5"))


def spoken(port: int, request: bytes, *, then_leave: bool = False) -> bytes:
    """All that is answered to `request` before the service closes; fails if it takes longer than a minute."""
    with socket.create_connection(("127.0.0.1", port), timeout=60) as connection:
        answer = b""
        with suppress(ConnectionError):
            connection.sendall(request)
            if then_leave:
                with suppress(OSError):  # Refused already, and gone.
                    connection.shutdown(socket.SHUT_WR)
            while more := connection.recv(65_536):
                answer += more
        return answer


def test_a_client_that_leaves_in_the_middle_does_no_harm(port: int) -> None:
    for _ in range(20):
        with socket.create_connection(("127.0.0.1", port)) as connection:
            connection.sendall(b"POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n")
            connection.sendall(b"Content-Length: 1000\r\n\r\n[{")
    assert b"200 OK" in spoken(port, b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is a matter of POSIX")
def test_every_reading_that_was_answered_survives_kill_9(tmp_path: Path) -> None:
    path = tmp_path / "house.sqlite"
    moments = random.Random(11)
    answered: set[int] = set()
    sent: set[int] = set()
    for round_number in range(4):

        def send(client: int, number: int, first: int = round_number * 10_000_000) -> None:
            connection = http.client.HTTPConnection("127.0.0.1", number, timeout=60)
            try:
                for i in range(100_000):
                    second = 1_700_000_000 + first + 4 * i + client
                    sent.add(second)
                    pack = json.dumps([{"n": "indoor.co2", "t": second, "v": second % 30_000}])
                    connection.request("POST", "/v1/readings", pack, {"Content-Type": "application/senml+json"})
                    if json.load(connection.getresponse())["accepted"] == 1:
                        answered.add(second)
            except (OSError, http.client.HTTPException, ValueError):
                connection.close()

        with service(path) as (_, number):
            clients = [threading.Thread(target=send, args=(client, number)) for client in range(4)]
            for client in clients:
                client.start()
            until_answered = time.monotonic() + 60.0
            while len(answered) < 15 * (round_number + 1) and time.monotonic() < until_answered:
                time.sleep(0.01)
            time.sleep(moments.uniform(0.0, 0.3))
        for client in clients:
            client.join()
    with Store.open(path) as store:
        series = store.series("indoor.co2", 0, 2**62)
    kept = [time_us // 1_000_000 for time_us in series.time_us.tolist()]
    assert len(set(kept)) == len(kept)
    assert answered <= set(kept) <= sent
    assert series.value.tolist() == [second % 30_000 for second in kept]
    assert len(answered) > 50
