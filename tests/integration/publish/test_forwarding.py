"""Readings sent to a contractor's collector over a line that fails in every way: all there, once, and no others."""

import asyncio
import random
import ssl
from datetime import timedelta
from pathlib import Path

import pytest
from aiohttp import web
from aiohttp.test_utils import TestServer
from pydantic import ValidationError

from moteledger.api import create_collector
from moteledger.engine.standing import Standing
from moteledger.intake import SourceError
from moteledger.publish import Forwarder
from moteledger.settings import Collecting, Collector
from moteledger.store import Reading, StoreError, outbox, tend, to_us

MINUTE_US = 60_000_000
DROP, STATIC = "filter.pressure_drop", "duct.static_pressure"
FAULTS = (
    "refuse",
    "cut",
    "lose",
    "half",
    "no HTTP at all",
    "HTTP/1.1 500 Oh\r\nContent-Length: 0\r\n\r\n",
    "HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{}",
    "HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nContent-Length: 13\r\n\r\n<html>sign in",
    "HTTP/1.1 302 Found\r\nLocation: http://portal/\r\nContent-Length: 0\r\n\r\n",
    "HTTP/1.1 204 No\r\n\r\n",
)


def some(start_us: int, count: int, signal: str = DROP) -> list[Reading]:
    return [Reading(start_us + n * MINUTE_US, signal, 40.0 + n / 8) for n in range(count)]


def of(readings: list[Reading], signal: str = DROP) -> list[tuple[int, float]]:
    return sorted((each.time_us, each.value) for each in readings if each.signal == signal)


async def test_what_comes_in_is_at_the_collector_and_waits_no_more(link) -> None:
    readings = some(to_us(link.now[0]), 2500) + some(to_us(link.now[0]), 3, STATIC)
    link.store.append(readings)
    assert outbox.forwarding(link.store).waiting == 2503
    await link.forwarder().once()
    assert link.office.kept(DROP) == of(readings)
    assert link.office.kept(STATIC) == of(readings, STATIC)
    assert outbox.forwarding(link.store).waiting == 0
    report = link.state.report()
    assert (report.state, report.accepted, report.refused, report.waiting) == ("good", 2503, 0, 0)


async def test_readings_of_the_rooms_stay_in_the_house(link) -> None:
    start_us = to_us(link.now[0])
    rooms = ("indoor.pm25", "outdoor.pm25", "indoor.co2", "window.open", "cooling.running", "room:bed.pm25")
    link.store.append([Reading(start_us, name, 1.0) for name in rooms] + some(start_us, 1))
    assert outbox.forwarding(link.store).waiting == 1
    await link.forwarder().once()
    assert all(link.office.kept(name) == [] for name in rooms)


@pytest.mark.parametrize("fault", FAULTS)
async def test_whatever_the_line_does_everything_is_there_once(link, fault) -> None:
    readings = some(to_us(link.now[0]), 1200)
    link.store.append(readings)
    link.line.faults = iter([fault] * 3)
    await link.until_sent()
    assert link.office.kept(DROP) == of(readings)
    assert link.line.seen.count(fault) == 3
    assert link.state.report().failures >= 3


async def test_a_line_that_stalls_is_given_up_and_tried_again(link) -> None:
    readings = some(to_us(link.now[0]), 5)
    link.store.append(readings)
    link.line.faults = iter(["stall"])
    await link.until_sent(patience_s=0.1)
    assert link.office.kept(DROP) == of(readings)


async def test_days_away_late_backfilled_and_thinned_meanwhile_nothing_is_lost(link) -> None:
    chance, readings = random.Random(5), []
    link.line.faults = iter(["refuse"] * 20)
    forwarder = link.forwarder()
    start_us = to_us(link.now[0])
    for day in range(8):
        hours = [Reading(start_us + (day * 24 + n) * 60 * MINUTE_US, DROP, float(n)) for n in range(24)]
        # Some come days late, some out of order, some twice, and a recording of last year is brought in.
        readings += hours + some(start_us - (365 - day) * 24 * 60 * MINUTE_US, 10)
        chance.shuffle(hours)
        link.store.append(hours[:12])
        link.store.append(readings)
        link.goes_by(timedelta(days=1))
        with pytest.raises(SourceError):
            await forwarder.once()
    tend(link.store, to_us(link.now[0]), keep_raw_us=24 * 60 * MINUTE_US)
    assert len(link.store.series(DROP, 0, 2**62)) < 30, "the house itself has thinned what waits"
    link.line.faults = iter(())
    await link.until_sent()
    assert link.office.kept(DROP) == of(readings)


async def test_an_answer_that_belongs_to_something_else_is_no_receipt(link) -> None:
    start_us = to_us(link.now[0])
    link.store.append(some(start_us, 4))
    swapped = (
        '{"accepted":4,"repeated":0,"differing":0,"too_late":0,"refused":0,"refusals":[],"digest":"' + "0" * 64 + '"}'
    )
    link.line.faults = iter([f"HTTP/1.1 200 OK\r\nContent-Length: {len(swapped)}\r\n\r\n{swapped}"])
    with pytest.raises(SourceError, match="receipt of something else"):
        await link.forwarder().once()
    assert outbox.forwarding(link.store).waiting == 4


async def test_a_collector_that_asks_to_be_left_alone_is(link) -> None:
    link.store.append(some(to_us(link.now[0]), 1))
    link.line.faults = iter(["HTTP/1.1 503 No\r\nRetry-After: 70\r\nContent-Length: 0\r\n\r\n"])
    with pytest.raises(SourceError) as told:
        await link.forwarder().once()
    assert told.value.wait_s == 70.0


async def test_a_house_without_the_collectors_token_says_so_and_keeps_all(link, monkeypatch) -> None:
    link.store.append(some(to_us(link.now[0]), 1))
    for wrong in ("mote_00000000_x", link.office.token("Tern Cottage!"), link.office.token("tern-cottage", "view")):
        monkeypatch.setenv("OFFICE_TOKEN", wrong)
        with pytest.raises(SourceError, match="token"):
            await link.forwarder().once()
    assert outbox.forwarding(link.store).waiting == 1
    monkeypatch.setenv("OFFICE_TOKEN", link.office.token())
    await link.forwarder().once()
    assert outbox.forwarding(link.store).waiting == 0


async def test_what_the_collector_refuses_is_put_aside_told_and_tried_again_by_the_next_start(link) -> None:
    start_us = to_us(link.now[0])
    good = some(start_us, 5)
    # A value that the collector's list of signals does not allow, as a newer house might send, and a time of no year.
    bad = [Reading(start_us + 7, DROP, 1e6), Reading(2**62, DROP, 3.0)]
    link.store.append(good + bad)
    await link.forwarder().once()
    assert link.office.kept(DROP) == of(good)
    stands = outbox.forwarding(link.store)
    assert (stands.waiting, stands.put_aside) == (0, 2)
    report = link.state.report()
    assert (report.refused, report.put_aside, report.state) == (2, 2, "good")
    assert "outside what filter.pressure_drop can be" in report.refusals[-1].reason
    outbox.try_again(link.store)
    assert outbox.forwarding(link.store).waiting == 2
    await link.forwarder().once()
    assert outbox.forwarding(link.store).put_aside == 2


async def test_how_the_air_handler_does_is_told_when_it_changes_and_every_few_minutes(link) -> None:
    forwarder = link.forwarder()
    await forwarder.once()
    asked = len(link.line.seen)
    first = link.office.told("heard")
    link.goes_by(timedelta(minutes=1))
    await forwarder.once()
    assert link.office.told("heard") == first, "nothing new is no reason to send"
    link.goes_by(timedelta(minutes=5))
    await forwarder.once()
    assert link.office.told("heard") != first
    link.standing.append(link.standing[-1].model_copy(update={"reason": "it slips"}))
    await forwarder.once()
    assert "it slips" in link.office.told("standing")[1]
    assert asked <= 1


@pytest.mark.parametrize("wrong", [lambda _: Standing.model_validate({}), lambda _: Path("/nowhere").stat()])
async def test_a_state_that_cannot_be_told_is_our_own_defect_and_no_trouble_of_the_line(link, wrong) -> None:
    readings = some(to_us(link.now[0]), 2)
    link.store.append(readings)
    forwarder = Forwarder(link.settings, link.store, link.state, wrong, lambda: link.now[0])
    with pytest.raises((ValidationError, FileNotFoundError)):
        await forwarder.once()
    assert link.office.kept(DROP) == of(readings)


async def test_a_state_that_an_older_collector_does_not_understand_holds_up_no_reading(link) -> None:
    link.standing.append(link.standing[-1].model_copy(update={"house": "A name of today" * 20}))
    forwarder = link.forwarder()
    for minute in range(3):
        readings = some(to_us(link.now[0]), 2 + minute)
        link.store.append(readings)
        await forwarder.once()
        assert link.office.kept(DROP) == of(readings)
    assert link.office.told("standing") is None
    (told,) = link.state.report().refusals
    assert (told.place, "answered 422" in told.reason) == ("/v1/state", True)


async def test_it_runs_until_it_is_ended_and_sends_what_comes(link) -> None:
    running = asyncio.ensure_future(link.forwarder().run())
    try:
        readings = some(to_us(link.now[0]), 3)
        link.store.append(readings)
        async with asyncio.timeout(10):
            while link.office.kept(DROP) != of(readings):  # noqa: ASYNC110  the other side tells nobody
                await asyncio.sleep(0.005)
    finally:
        running.cancel()
        await asyncio.gather(running, return_exceptions=True)


async def test_a_collector_that_is_not_who_it_says_learns_neither_token_nor_readings(link, certificates) -> None:
    link.store.append(some(to_us(link.now[0]), 1))
    asked: list[str] = []

    @web.middleware
    async def note(request: web.Request, handler) -> web.StreamResponse:
        asked.append(request.path)
        return await handler(request)

    async def serve(name: str) -> TestServer:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(certificates / f"{name}.pem", certificates / f"{name}.key")
        office = link.office
        app = create_collector(office.tokens, office.houses, Collecting(name="Saltmere Air"), lambda: link.now[0])
        app.middlewares.append(note)
        server = TestServer(app, scheme="https")
        await server.start_server(ssl=context)
        return server

    def to(server: TestServer, **tls: str) -> None:
        table = {"address": str(server.make_url("")).rstrip("/"), "token": {"environment": "OFFICE_TOKEN"}, "tls": tls}
        link.settings = Collector.model_validate(table)

    servers = [await serve(name) for name in ("hub", "elsewhere", "stranger")]
    authority = str(certificates / "authority.pem")
    try:
        for server, tls in (
            (servers[1], {"ca_file": authority}),
            (servers[2], {"ca_file": authority}),
            (servers[0], {}),
        ):
            to(server, **tls)
            with pytest.raises(SourceError, match="certificate is not trusted"):
                await link.forwarder().once()
        assert asked == []
        to(servers[0], ca_file=authority)
        await link.forwarder().once()
        assert asked == ["/v1/readings", "/v1/state"]
    finally:
        for server in servers:
            await server.close()


async def test_a_collector_whose_disk_is_full_acknowledges_nothing_and_is_asked_again(link, monkeypatch) -> None:
    readings = some(to_us(link.now[0]), 5)
    link.store.append(readings)
    with link.office.houses.using("tern-cottage") as store:
        pass  # It stays open.

    def full(_: object) -> None:
        raise StoreError(store.path, "its disk is full", disk_is_full=True)

    with monkeypatch.context() as patched:
        patched.setattr(store, "append", full)
        with pytest.raises(SourceError, match="answered 507") as told:
            await link.forwarder().once()
    assert told.value.wait_s == 10.0
    assert outbox.forwarding(link.store).waiting == 5
    await link.until_sent()
    assert link.office.kept(DROP) == of(readings)
