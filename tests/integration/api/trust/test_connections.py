"""What comes over the wire before it is a request: bad HTTP, heads that never end, readers that never read, crowds."""

import asyncio
import json
import logging
import random
import re
import socket
from contextlib import suppress

import pytest

from moteledger.store import Reading, to_us
from moteledger.store.tokens import Scope

GOOD = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n"
LAST = GOOD + b"Connection: close\r\n\r\n"


async def said(port: int, *parts: bytes, pause_s: float = 0.0, leave: bool = False) -> bytes:
    """All that is answered until the service closes."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    answer = b""
    try:
        for part in parts:
            writer.write(part)
            await writer.drain()
            await asyncio.sleep(pause_s)
        if leave:
            with suppress(OSError):  # Refused already, and gone.
                writer.write_eof()
        async with asyncio.timeout(60):
            while more := await reader.read(65_536):
                answer += more
    except ConnectionError:
        pass
    finally:
        writer.close()
    return answer


MALFORMED = [
    b"GET / HTTP/9.9\r\n\r\n",
    b"GET\r\n\r\n",
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",
    b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer mote_secret\x00word\r\n\r\n",
    b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nmote_secret word: x\r\n\r\n",
    b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nCookie: moteledger=mote_secret" + b"x" * 9000 + b"\r\n\r\n",
    b"GET /" + b"mote_secret" * 2000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
    b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n" + b"X-A: mote_secret\r\n" * 500 + b"\r\n",
    b"POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Length: mote_secret\r\n\r\n",
    b"POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Length: 4\r\nTransfer-Encoding: chunked\r\n\r\n0",
    b"POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\n[]",
    b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nHost: rebound.example\r\n\r\n",
]


@pytest.mark.parametrize("request_bytes", MALFORMED, ids=range(len(MALFORMED)))
async def test_what_is_no_http_is_refused_without_quoting_or_logging_it(
    listening, request_bytes: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    port = await listening()
    answer = await said(port, request_bytes)
    head, _, body = answer.partition(b"\r\n\r\n")
    assert head.split()[1] == b"400"
    problem = json.loads(body)
    assert problem["status"] == 400
    assert b"Content-Type: application/problem+json" in head
    for header in (b"X-Content-Type-Options: nosniff", b"Content-Security-Policy: default-src 'none'"):
        assert header in head
    told = answer + caplog.text.encode()
    for inside in (b"mote_secret", b"aiohttp/", b"Python/", b"Traceback", b'.py"'):
        assert inside not in told
    assert (await said(port, LAST)).startswith(b"HTTP/1.1 200 ")


async def test_a_body_in_a_coding_that_is_not_known_is_told_the_known_ones(listening) -> None:
    # RFC 9110 section 15.5.16; the HTTP library itself finds no words for it.
    port = await listening()
    head = b"POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 2\r\n"
    for coding in (b"br", b"zstd", b"compress"):
        answer = await said(port, head + b"Connection: close\r\nContent-Encoding: " + coding + b"\r\n\r\n[]")
        assert answer.split()[1] == b"415"
        assert b"Accept-Encoding: gzip, deflate\r\n" in answer


async def test_a_body_that_cannot_be_unpacked_or_breaks_off_is_no_error_of_ours(listening, caplog) -> None:
    # The library notices what is left of such a body when the handler is through with it, and logs that as an error.
    port = await listening()
    head = b"POST /v1/readings HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
    packed = head + b"Content-Encoding: gzip\r\nContent-Length: 8\r\n\r\n"
    assert (await said(port, packed, b"no gzip!")).split()[1] == b"400"
    assert (await said(port, packed.replace(b"/v1/readings", b"/healthz"), b"no gzip!")).split()[1] == b"405"
    answer = await said(port, head + b"Transfer-Encoding: chunked\r\n\r\nZZ\r\n\r\n")
    assert answer.split()[1] == b"400"
    await said(port, head + b"Transfer-Encoding: chunked\r\n\r\n5\r\nab", leave=True)
    assert [record for record in caplog.records if record.levelno > logging.INFO] == []


async def test_a_token_stands_in_no_log_whatever_becomes_of_the_request(
    listening, guard, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    port = await listening(tokens_required=True)
    _, text = guard.new(Scope.VIEW)
    token, secret = text.encode(), text.split("_", 2)[2].encode()
    entering = json.dumps({"token": text}).encode()
    door = b"POST /enter HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Type: application/json\r\n"
    requests = [
        LAST.replace(b"\r\n\r\n", b"\r\nAuthorization: Bearer " + token + b"\r\n\r\n"),
        LAST.replace(b"\r\n\r\n", b"\r\nAuthorization: Bearer x" + token + b"\r\n\r\n"),
        LAST.replace(b"\r\n\r\n", b"\r\nAuthorization: " + token + b"\r\n\r\n"),
        LAST.replace(b"\r\n\r\n", b"\r\nCookie: moteledger=" + token + b"\r\n\r\n"),
        LAST.replace(b"/healthz", b"/v1/readings?signal=fan.power&token=" + token),
        LAST.replace(b"/healthz", b"/v1/air?access_token=" + token),
        door + b"Content-Length: %d\r\n\r\n" % len(entering) + entering,
        door + b"Content-Length: %d\r\n\r\n" % (len(entering) + 1) + b"[" + entering,
    ]
    statuses = []
    for request in requests:
        answer = await said(port, request)
        statuses.append(int(answer.split()[1]))
        assert secret not in answer
    assert statuses[0] == 200 and statuses[6] == 200
    assert secret.decode() not in caplog.text


async def test_a_head_that_never_ends_is_not_waited_for(listening) -> None:
    port = await listening(head_patience_s=0.2)
    slow, silent, dripping, _ = await asyncio.gather(
        said(port, GOOD, b"X-Slow: "),
        said(port),
        said(port, *[b"X"] * 40, pause_s=0.02),
        said(port, LAST),
    )
    assert slow == silent == dripping == b"", "closed without an answer, and not by us"
    patient = await listening(head_patience_s=60.0)
    assert (await said(patient, GOOD, b"Connection: close\r\n\r\n", pause_s=0.05)).startswith(b"HTTP/1.1 200 ")


async def test_a_connection_may_rest_between_requests_but_the_next_head_is_timed_too(listening) -> None:
    port = await listening(head_patience_s=0.2)
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    for _ in range(2):
        writer.write(GOOD + b"\r\n")
        assert (await reader.readline()).startswith(b"HTTP/1.1 200 ")
        await reader.readuntil(b"}")
        await asyncio.sleep(0.4)
    writer.write(GOOD)
    async with asyncio.timeout(60):
        assert await reader.read() == b""
    writer.close()


async def test_a_client_that_takes_nothing_of_what_it_asked_for_is_let_go(listening, guard) -> None:
    # One place: whoever else comes is told that there are too many, until it is free again.
    port, elsewhere = await listening(reader_patience_s=0.3, connections_per_client=1), await listening()
    start_us = to_us(guard.now)
    guard.store.append([Reading(start_us - 1_000_000 * n, "duct.airflow", n / 7) for n in range(9_000)])
    ask = b"GET /v1/readings?signal=duct.airflow HTTP/1.1\r\nHost: localhost\r\n\r\n"
    whole = len(await said(elsewhere, ask.replace(b"\r\n\r\n", b"\r\nConnection: close\r\n\r\n")))
    assert whole > 200_000
    with socket.socket() as client:
        # Small, so that the system does not take it all in the client's place.
        client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        client.connect(("127.0.0.1", port))
        client.settimeout(60)
        client.sendall(ask * 30)
        async with asyncio.timeout(60):
            while not (await said(port, LAST)).startswith(b"HTTP/1.1 200 "):  # noqa: ASYNC110  it tells by letting us in
                await asyncio.sleep(0.02)
        got = await asyncio.to_thread(all_of, client)
    assert 0 < got < 30 * whole


def all_of(client: socket.socket) -> int:
    """How much comes until the other side goes."""
    got = 0
    with suppress(ConnectionError):
        while more := client.recv(65_536):
            got += len(more)
    return got


async def test_pipelined_requests_are_answered_in_order_and_bounded(listening) -> None:
    port = await listening()
    answer = await said(port, (GOOD + b"\r\n") * 50, LAST)
    assert answer.count(b"HTTP/1.1 200 ") == 51
    answer = await said(port, GOOD + b"\r\n", b"nonsense\r\n\r\n", GOOD + b"\r\n", pause_s=0.05)
    assert re.findall(rb"HTTP/1\.[01] (\d+) ", answer) == [b"200", b"400"]


async def test_more_connections_than_allowed_are_told_so_and_make_room_when_they_go(listening) -> None:
    port = await listening(connections=6, connections_per_client=4)
    held = [await asyncio.open_connection("127.0.0.1", port) for _ in range(4)]
    await asyncio.sleep(0.05)
    answer = await said(port)
    assert answer.startswith(b"HTTP/1.1 503 ")
    head, _, body = answer.partition(b"\r\n\r\n")
    assert b"Retry-After: 10" in head and json.loads(body)["detail"].startswith("too many connections")
    # Others than this client still get in, up to the number of all.
    for _, writer in held:
        writer.close()
    async with asyncio.timeout(60):
        while not (answer := await said(port, LAST)).startswith(b"HTTP/1.1 200 "):
            assert answer.startswith(b"HTTP/1.1 503 ") or not answer


async def test_no_bytes_get_more_than_a_problem(listening) -> None:
    """A head put together from right and wrong pieces is a request or refused, and tells nothing of what is inside."""
    port = await listening()
    chance = random.Random(5)
    right = [b"GET ", b"/healthz", b" HTTP/1.1\r\n", b"Host: localhost\r\n", b"\r\n", b":", b"\x00", b"\xff", b"\n"]
    for _ in range(300):
        pieces = [chance.choice([*right, chance.randbytes(6)]) for _ in range(chance.randrange(12))]
        answer = await said(port, b"".join(pieces), leave=True)
        assert answer == b"" or int(answer.split()[1]) in (200, 400, 404, 405, 421)
        assert b"aiohttp" not in answer and b"Python" not in answer
