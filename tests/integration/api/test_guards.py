"""What every request must show and every answer carries."""

import asyncio
import json

import pytest
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import create_app
from moteledger.api.scopes import ANYONE, SCOPES
from moteledger.settings import Network

PATHS = ["/v1/air", "/healthz", "/openapi.json", "/v1/readings?signal=indoor.pm25", "/nowhere"]


@pytest.mark.parametrize(
    "host", ["localhost", "localhost:8080", "127.0.0.1:1", "[::1]:8080", "LOCALHOST", "localhost."]
)
async def test_loopback_names_are_answered(service, host: str) -> None:
    assert (await service.get("/healthz", headers={"Host": host})).status == 200


@pytest.mark.parametrize(
    "host",
    [
        "rebound.example",
        "localhost.rebound.example",
        "127.0.0.1.rebound.example:80",
        "169.254.169.254",
        "",
        "[::2]",
        "localhost:port",
        "user@localhost",
        "localhost:80:80",
        "0.0.0.0",
        "127.0.0.1]",
    ],
)
@pytest.mark.parametrize("path", ["/healthz", "/v1/readings", "/nowhere"])
async def test_any_other_name_is_refused_whatever_the_path(service, host: str, path: str) -> None:
    response = await service.get(path, headers={"Host": host})
    assert response.status == 421
    assert (await response.json())["detail"].startswith("this service answers only as 127.0.0.1, [::1], localhost")


async def test_a_request_without_host_is_refused(service) -> None:
    reader, writer = await asyncio.open_connection(service.client.host, service.client.port)
    writer.write(b"GET /healthz HTTP/1.0\r\n\r\n")
    assert b" 421 " in await reader.readline()
    writer.close()


async def test_a_whole_address_in_the_first_line_stands_above_the_host_header(service) -> None:
    # RFC 9112 section 3.2.2.
    for address, status in ((b"http://rebound.example", b" 421 "), (b"http://127.0.0.1:8467", b" 200 ")):
        reader, writer = await asyncio.open_connection(service.client.host, service.client.port)
        writer.write(b"GET " + address + b"/healthz HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert status in await reader.readline()
        writer.close()


async def test_the_names_may_be_chosen(service) -> None:
    app = create_app(service.store, service.source, network=Network(host_names=("ledger.home.arpa",)))
    async with TestClient(TestServer(app)) as client:
        assert (await client.get("/healthz", headers={"Host": "ledger.home.arpa:8443"})).status == 200
        assert (await client.get("/healthz", headers={"Host": "localhost"})).status == 200
        assert (await client.get("/healthz", headers={"Host": "other.home.arpa"})).status == 421


@pytest.mark.parametrize("path", PATHS)
async def test_every_answer_carries_the_security_headers_and_none_allows_other_origins(service, path: str) -> None:
    response = await service.get(path, headers={"Origin": "https://stranger.example"})
    policy = response.headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none';")
    assert "http" not in policy and "*" not in policy and "unsafe" not in policy
    assert response.headers["X-Content-Type-Options"] == "nosniff"
    assert not [name for name in response.headers if name.lower().startswith("access-control-")]
    assert response.headers["Server"] == "moteledger"


async def test_a_preflight_across_origins_is_not_granted(service) -> None:
    headers = {
        "Origin": "https://stranger.example",
        "Access-Control-Request-Method": "POST",
        "Access-Control-Request-Headers": "content-type",
    }
    response = await service.request("OPTIONS", "/v1/readings", headers=headers)
    assert response.status == 405
    assert not [name for name in response.headers if name.lower().startswith("access-control-")]


async def test_what_is_not_there_and_what_is_not_allowed_are_problems(service) -> None:
    response = await service.get("/v2/readings")
    assert (response.status, response.content_type) == (404, "application/problem+json")
    assert (await response.json())["detail"] == "there is nothing at /v2/readings; see /openapi.json"
    response = await service.request("DELETE", "/v1/readings")
    assert (response.status, response.content_type) == (405, "application/problem+json")
    assert response.headers["Allow"] == "GET, HEAD, POST"
    assert (await response.json())["detail"] == "DELETE is not for /v1/readings; use GET, HEAD, POST"
    assert (await service.request("HEAD", "/healthz")).status == 200


async def test_an_error_inside_is_told_without_the_inside(
    service, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    app = create_app(service.store, service.source)

    async def fail(_: web.Request) -> web.Response:
        raise RuntimeError("the secret is 1234")

    async def moved(_: web.Request) -> web.Response:
        raise web.HTTPSeeOther("/healthz")

    async def forbidden(_: web.Request) -> web.Response:
        raise web.HTTPForbidden

    for path in ("/fail", "/moved", "/forbidden"):
        monkeypatch.setitem(SCOPES, ("GET", path), ANYONE)
    app.router.add_get("/fail", fail)
    app.router.add_get("/moved", moved)
    app.router.add_get("/forbidden", forbidden)
    async with TestClient(TestServer(app)) as client:
        response = await client.get("/fail")
        assert (response.status, response.content_type) == (500, "application/problem+json")
        body = await response.text()
        assert "secret" not in body and "RuntimeError" not in body and "moteledger" not in body
        assert "the secret is 1234" in caplog.text
        assert (await client.get("/moved", allow_redirects=False)).status == 303
        response = await client.get("/forbidden")
        assert (response.status, response.content_type) == (403, "application/problem+json")


async def test_bytes_that_are_no_text_in_a_header_or_a_path_do_no_harm(service) -> None:
    async def first_line(request: bytes) -> bytes:
        reader, writer = await asyncio.open_connection(service.client.host, service.client.port)
        writer.write(request)
        head = await reader.readuntil(b"\r\n\r\n")
        length = int(head.lower().split(b"content-length:")[1].split(b"\r\n")[0])
        json.loads(await reader.readexactly(length))
        writer.close()
        return head.split(b"\r\n")[0]

    body = b"Host: localhost\r\nContent-Length: 2\r\nContent-Type: text/\xff\xfe\r\n\r\n{}"
    assert b" 415 " in await first_line(b"POST /v1/readings HTTP/1.1\r\n" + body)
    assert b" 404 " in await first_line(b"GET /%ff%fe%ed%a0%80 HTTP/1.1\r\nHost: localhost\r\n\r\n")
    assert b" 400 " in await first_line(b"GET /v1/readings?signal=%ed%a0%80 HTTP/1.1\r\nHost: localhost\r\n\r\n")
    assert b" 400 " in await first_line(b"GET /v1/readings?%ff=1&signal=fan.power HTTP/1.1\r\nHost: localhost\r\n\r\n")
