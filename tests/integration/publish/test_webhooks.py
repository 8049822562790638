"""Webhooks: signed as RFC 9421 has it, sent until taken, put aside where refused, and never lost by an outage."""

import asyncio
import base64
import hashlib
import json
import re
import ssl
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from aiohttp import web
from aiohttp.test_utils import TestServer

from moteledger.engine.alarm_watch import HISTORY
from moteledger.engine.fan_control import DECISION
from moteledger.intake import Arrivals, SourceError
from moteledger.publish.webhooks import Sender, signature
from moteledger.settings import Webhook
from moteledger.store import Store, from_us, to_us
from moteledger.store.dead_letters import DeadLetter, DeadLetters

NOON = datetime(2026, 1, 31, 12, tzinfo=UTC)
SECRET = "a secret of the house"


def test_the_signature_is_that_of_the_standards_own_example() -> None:
    # RFC 9421, appendix B.2.5 "Signing a Request Using hmac-sha256", with the shared secret of B.1.5 (from memory; a
    # key or a text remembered wrongly could not give the published signature).
    secret = base64.b64decode(
        "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ=="
    )
    components = {
        "date": "Tue, 20 Apr 2021 02:07:55 GMT",
        "@authority": "example.com",
        "content-type": "application/json",
    }
    parameters = '("date" "@authority" "content-type");created=1618884473;keyid="test-shared-secret"'
    assert signature(secret, components, parameters) == "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8="


class Office:
    """An address that takes messages, and checks them as a receiver should."""

    def __init__(self) -> None:
        self.statuses: list[int] = []
        self.taken: list[str] = []
        self.asked = 0

    async def take(self, request: web.Request) -> web.Response:
        self.asked += 1
        body = await request.read()
        digest = base64.b64encode(hashlib.sha256(body).digest()).decode()
        assert request.headers["Content-Digest"] == f"sha-256=:{digest}:"
        named, parameters = request.headers["Signature-Input"].split("=", 1)
        assert named == "house"
        values = {
            "@method": request.method,
            "@target-uri": str(request.url),
            "content-digest": request.headers["Content-Digest"],
            "moteledger-message": request.headers["Moteledger-Message"],
        }
        covered = re.findall(r'"([^"]+)"', parameters.split(")")[0])
        assert set(covered) == set(values)
        expected = signature(SECRET.encode(), {name: values[name] for name in covered}, parameters)
        assert request.headers["Signature"] == f"house=:{expected}:"
        status = self.statuses.pop(0) if self.statuses else 204
        if status == 204:
            self.taken.append(json.loads(body)["id"])
        headers = {302: {"Location": "/elsewhere"}, 429: {"Retry-After": "90"}}.get(status, {})
        return web.Response(status=status, headers=headers)


@pytest.fixture
async def office():
    office = Office()
    app = web.Application()
    app.router.add_post("/air", office.take)
    async with TestServer(app) as server:
        office.address = str(server.make_url("/air"))
        yield office


@pytest.fixture
def store(tmp_path: Path):
    with Store.open(tmp_path / "house.sqlite") as store:
        yield store


def clock_of(store: Store) -> Callable[[], datetime]:
    """A clock that shows noon, or when the last thing happened."""

    def now() -> datetime:
        found = [store.latest_snapshot(kind) for kind in (HISTORY, DECISION)]
        return max([NOON, *(from_us(each[0]) for each in found if each is not None)])

    return now


@pytest.fixture
def sender(office: Office, store: Store, monkeypatch):
    monkeypatch.setenv("OFFICE_SECRET", SECRET)
    hook = Webhook.model_validate(
        {
            "name": "office",
            "address": office.address,
            "events": ["alarm", "fan"],
            "secret": {"environment": "OFFICE_SECRET"},
        }
    )

    def make(clock: Callable[[], datetime] | None = None) -> Sender:
        return Sender(hook, store, Arrivals().source("office", "webhook", ""), clock or clock_of(store))

    return make


def happened(store: Store, minute: int, kind: str = HISTORY) -> str:
    time_us = to_us(NOON + minute * timedelta(minutes=1))
    store.keep_snapshot(kind, time_us, json.dumps({"name": "filter-drop", "minute": minute}))
    return f"{'alarm' if kind == HISTORY else 'fan'}-{time_us}"


async def test_what_happens_is_told_once_and_in_its_order(sender, office, store) -> None:
    happened(store, -5)
    await sender().once()
    expected = [happened(store, 1), happened(store, 2, DECISION), happened(store, 3)]
    await sender().once()
    await sender().once()
    assert office.taken == expected, "what was before the webhook is not told, the rest is, once"


async def test_what_reaches_the_disk_after_a_later_event_of_another_kind_is_told_too(sender, office, store) -> None:
    sending = sender()
    await sending.once()
    expected = [happened(store, 5, DECISION)]
    await sending.once()
    expected.append(happened(store, 4))
    await sending.once()
    assert office.taken == expected


@pytest.mark.parametrize("restarted", [False, True])
async def test_what_happens_after_the_clock_was_set_back_is_told(sender, office, store, restarted: bool) -> None:
    clock = [NOON]
    sending = sender(lambda: clock[0])
    await sending.once()
    clock[0] += timedelta(minutes=60)
    before = happened(store, 60)
    await sending.once()
    clock[0] = NOON
    if restarted:
        sending = sender(lambda: clock[0])
    for minute in (1, 2):
        clock[0] = NOON + timedelta(minutes=minute)
        after = happened(store, minute)
        await sending.once()
        assert office.taken.count(after) == 1
    assert office.taken.count(before) == (2 if restarted else 1), "its id tells that it came before"
    await sending.once()
    assert len(office.taken) == (4 if restarted else 3)


@pytest.mark.parametrize("status", [302, 429, 500, 503])
async def test_an_address_that_cannot_take_it_now_is_asked_again(sender, office, store, status) -> None:
    await sender().once()
    expected = [happened(store, 1), happened(store, 2)]
    office.statuses = [204, status]
    with pytest.raises(SourceError, match=str(status)) as caught:
        await sender().once()
    assert caught.value.wait_s == (90.0 if status == 429 else 0.0), "Retry-After (RFC 6585 section 4) is heeded"
    await sender().once()
    assert office.taken == expected


async def test_an_outage_and_a_restart_lose_nothing(sender, office, store) -> None:
    await sender().once()
    expected = [happened(store, minute) for minute in range(1, 40)]
    office.statuses = [500, 204, 500, 204, 204, 500]
    while len(office.taken) < len(expected):
        try:
            await sender().once()
        except SourceError:
            await asyncio.sleep(0)
    assert office.taken == expected


async def test_what_is_refused_for_good_is_put_aside_and_holds_up_nothing(sender, office, store) -> None:
    await sender().once()
    refused, taken = happened(store, 1), happened(store, 2)
    office.statuses = [410]
    await sender().once()
    assert office.taken == [taken]
    (letter,) = DeadLetters(store).all()
    assert (letter.webhook, letter.status, f"alarm-{letter.happened_us}") == ("office", 410, refused)
    assert json.loads(letter.document) == {"name": "filter-drop", "minute": 1}


async def test_a_dead_letter_is_sent_again_only_when_a_person_says_so_and_stays_one_if_refused_again(
    sender, office, store
) -> None:
    await sender().once()
    refused = happened(store, 1)
    office.statuses = [422]
    sending = sender()
    await sending.once()
    await sending.once()
    assert office.asked == 1
    letters = DeadLetters(store)
    (letter,) = letters.all()
    office.statuses = [403]
    assert letters.send_again("office", "alarm", letter.happened_us).again
    await sending.once()
    (letter,) = letters.all()
    assert (letter.status, letter.again) == (403, False)
    letters.send_again("office", "alarm", letter.happened_us)
    office.statuses = [500]
    with pytest.raises(SourceError):
        await sending.once()
    assert letters.all()[0].again, "it waits as any other does"
    later = happened(store, 2)
    await sending.once()
    assert office.taken == [refused, later]
    assert letters.all() == ()


def to(address: str, store: Store, **more: object) -> Sender:
    secret = {"environment": "OFFICE_SECRET"}
    hook = Webhook.model_validate({"name": "office", "address": address, "secret": secret, **more})
    return Sender(hook, store, Arrivals().source("office", "webhook", ""), clock_of(store))


async def test_an_address_that_misbehaves_is_left_soon_and_never_followed_elsewhere(store, monkeypatch) -> None:
    monkeypatch.setenv("OFFICE_SECRET", SECRET)
    monkeypatch.setattr("moteledger.publish.webhooks._PATIENCE_S", 0.3)
    asked: list[str] = []

    async def endless(request: web.Request) -> web.StreamResponse:
        """More than anybody wants to read, though the message is taken."""
        response = web.StreamResponse()
        await response.prepare(request)
        with suppress(ConnectionError):
            while True:
                await response.write(bytes(65_536))
        return response

    async def slow(request: web.Request) -> web.StreamResponse:
        await asyncio.sleep(5)
        return web.Response()

    async def cut(request: web.Request) -> web.StreamResponse:
        request.transport.abort()
        return web.Response()

    async def elsewhere(request: web.Request) -> web.StreamResponse:
        raise web.HTTPTemporaryRedirect("/inside")

    async def inside(request: web.Request) -> web.StreamResponse:
        asked.append(request.path)
        return web.Response()

    app = web.Application()
    for handler in (endless, slow, cut, elsewhere, inside):
        app.router.add_post(f"/{handler.__name__}", handler)
    async with TestServer(app) as server:
        await to(str(server.make_url("/endless")), store).once()
        happened(store, 1)
        await to(str(server.make_url("/endless")), store).once()
        assert json.loads(store.latest_snapshot("webhook:office")[1])["alarm"] > to_us(NOON), "taken, and not read on"
        happened(store, 2)
        for path, told in (("slow", "TimeoutError"), ("cut", "Disconnected"), ("elsewhere", "answers 307")):
            with pytest.raises(SourceError, match=told):
                await to(str(server.make_url(f"/{path}")), store).once()
    assert asked == [], "a redirect could lead anywhere in the house"


async def test_an_address_that_is_not_who_it_says_is_told_nothing(store, monkeypatch, certificates) -> None:
    monkeypatch.setenv("OFFICE_SECRET", SECRET)
    taken: list[bytes] = []

    async def take(request: web.Request) -> web.StreamResponse:
        taken.append(await request.read())
        return web.Response()

    def server_of(name: str) -> tuple[TestServer, ssl.SSLContext]:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificates / f"{name}.pem", certificates / f"{name}.key")
        app = web.Application()
        app.router.add_post("/air", take)
        return TestServer(app, scheme="https"), context

    tls = {"ca_file": str(certificates / "authority.pem")}
    servers = [server_of("hub"), server_of("elsewhere"), server_of("stranger")]
    try:
        for server, context in servers:
            await server.start_server(ssl=context)
        right, misnamed, stranger = (str(server.make_url("/air")) for server, _ in servers)
        await to(right, store, tls=tls).once()
        happened(store, 1)
        for address in (misnamed, stranger):
            with pytest.raises(SourceError, match="CertificateError"):
                await to(address, store, tls=tls).once()
        with pytest.raises(SourceError, match="CertificateError"):
            await to(right, store).once()
        assert taken == []
        await to(right, store, tls=tls).once()
        assert len(taken) == 1
    finally:
        for server, _ in servers:
            await server.close()


def test_the_oldest_dead_letters_make_room(store, monkeypatch) -> None:
    monkeypatch.setattr("moteledger.store.dead_letters.MOST_KEPT", 3)
    letters = DeadLetters(store)
    for number in range(6):
        letters.put_aside(DeadLetter("office", "alarm", number, "{}", 410, number))
    assert [letter.happened_us for letter in letters.all()] == [5, 4, 3]
    assert letters.discard("office", "alarm", 4).happened_us == 4
    assert letters.discard("office", "alarm", 4) is None
    assert letters.send_again("elsewhere", "alarm", 5) is None
    assert letters.wanted_again("office") == ()


@pytest.mark.parametrize("address", ["office", "ftp://office/air", "http://", "http://a:b@office/air", "http://o/#x"])
def test_what_is_no_address_to_send_to_is_refused(address: str) -> None:
    with pytest.raises(ValueError, match="address"):
        Webhook.model_validate({"name": "a", "address": address, "secret": {"environment": "A"}})
