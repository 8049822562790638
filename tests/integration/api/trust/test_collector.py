"""A collector: a house's token writes into its own store alone and reads nothing; sending again adds nothing."""

import asyncio
import gzip
import json
import random
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import aiohttp
import pytest
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import WatchedRunner, broadcast, create_collector
from moteledger.api.scopes import ANYONE, SCOPES
from moteledger.api.watching import Watching
from moteledger.intake import MOST_ROOMS
from moteledger.settings import Collecting
from moteledger.store import Reading, Store, StoreError, to_us
from moteledger.store.houses import HouseStores, is_house_id
from moteledger.store.tokens import Scope, Tokens

NOW = datetime(2026, 1, 31, 14, 5, tzinfo=UTC)
STATIC = "duct.static_pressure"
STATE = {"house": "Tern Cottage", "verdict": "short", "share_of_expected": {"value": 0.6, "low": 0.5, "high": 0.7}}


@dataclass
class Office:
    """A collector, and the tokens of two houses and of the office's own people."""

    tokens: Tokens
    houses: HouseStores
    folder: Path
    now: list[datetime]
    made: dict[str, str] = field(default_factory=dict)
    client: TestClient = field(init=False)

    def new(self, label: str, *scopes: Scope, lasts: timedelta | None = None) -> dict[str, str]:
        now_us = to_us(self.now[0])
        expires_us = None if lasts is None else now_us + int(lasts.total_seconds() * 1e6)
        return {"Authorization": f"Bearer {self.tokens.new(label, scopes, now_us, expires_us=expires_us)[1]}"}

    def stored(self, house: str) -> list[tuple[int, float]]:
        if not self.houses.has(house):
            return []
        with self.houses.using(house) as store:
            series = store.series(STATIC, 0, 2**62)
        return list(zip(series.time_us.tolist(), series.value.tolist(), strict=True))

    async def send(self, headers: dict[str, str], *readings: tuple[datetime, float]):
        body = {"readings": [{"time": at.isoformat(), "signal": STATIC, "value": value} for at, value in readings]}
        return await self.client.post("/v1/readings", json=body, headers=headers)


@pytest.fixture
async def office(tmp_path: Path) -> AsyncIterator[Office]:
    now = [NOW]
    (tmp_path / "houses").mkdir()
    with Store.open(tmp_path / "collector.sqlite") as store, HouseStores(tmp_path / "houses", most_open=8) as houses:
        tokens = Tokens(store)
        office = Office(tokens, houses, tmp_path, now)
        app = create_collector(tokens, houses, Collecting(name="Saltmere Air"), lambda: now[0])
        async with TestClient(TestServer(app, access_log=None)) as office.client:
            yield office


def routes_of(app: web.Application) -> set[tuple[str, str]]:
    return {(route.method, route.resource.canonical) for route in app.router.routes() if route.method != "HEAD"}


async def test_every_scope_at_every_route_of_a_collector(office) -> None:
    @web.middleware
    async def reached(_: web.Request, handler) -> web.Response:
        return web.Response(status=204)

    app = create_collector(office.tokens, office.houses, Collecting(name="Saltmere Air"), lambda: NOW)
    app.middlewares.append(reached)
    routes = routes_of(app)
    assert len(routes) >= 10
    async with TestClient(TestServer(app)) as client:
        for scope in Scope:
            headers = office.new("tern-cottage", scope, lasts=timedelta(days=1))
            for method, path in sorted(routes):
                where = path.replace("{house}", "tern-cottage").replace("{name}", "other")
                needed = SCOPES[method, path]
                opens = needed == ANYONE or scope in needed
                found = (await client.request(method, where, headers=headers)).status
                assert found == (204 if opens else 403), (method, path, scope)
        for method, path in sorted(routes):
            status = (await client.request(method, path.replace("{house}", "a").replace("{name}", "other"))).status
            assert (status == 204) == (SCOPES[method, path] == ANYONE), (method, path)


async def test_a_house_writes_into_its_own_store_and_reads_nothing_not_even_its_own(office) -> None:
    houses = {name: office.new(name, Scope.CONTRIBUTE) for name in ("tern-cottage", "gull-row")}
    for number, headers in enumerate(houses.values()):
        assert (await office.send(headers, (NOW, float(number)))).status == 200
        assert (await office.client.put("/v1/state", json=STATE, headers=headers)).status == 200
    assert [value for _, value in office.stored("tern-cottage")] == [0.0]
    assert [value for _, value in office.stored("gull-row")] == [1.0]
    for headers in houses.values():
        for house in houses:
            for path in (
                f"/v1/houses/{house}",
                f"/v1/houses/{house}/readings?signal={STATIC}",
                "/v1/houses",
                "/",
                f"/houses/{house}",
            ):
                assert (await office.client.get(path, headers=headers)).status == 403, path
            for method in ("POST", "PUT", "DELETE", "PATCH"):
                status = (await office.client.request(method, f"/v1/houses/{house}/readings", headers=headers)).status
                assert status == 405


async def test_a_house_names_no_more_rooms_at_its_collector_than_a_house_can_have(office) -> None:
    headers = office.new("tern-cottage", Scope.CONTRIBUTE)
    readings = [{"time": NOW.isoformat(), "signal": f"room:r{n}.pm25", "value": 1.0} for n in range(MOST_ROOMS + 3)]
    told = await (await office.client.post("/v1/readings", json={"readings": readings}, headers=headers)).json()
    assert (told["accepted"], told["refused"]) == (MOST_ROOMS, 3)
    again = await (await office.client.post("/v1/readings", json={"readings": readings[-1:]}, headers=headers)).json()
    assert again["refused"] == 1
    assert (await office.client.post("/v1/readings", data=b"{", headers=headers)).status in (400, 415)


@pytest.mark.parametrize(
    "label", ["Tern Cottage", "../gull-row", "gull-row/..", "TERN", "-a", "a" * 61, "a.sqlite", "ä"]
)
async def test_a_token_that_is_called_as_no_house_can_be_makes_none(office, label: str) -> None:
    if len(label) > 60:
        assert not is_house_id(label)
        return
    assert (await office.send(office.new(label, Scope.CONTRIBUTE), (NOW, 1.0))).status == 403
    assert list((office.folder / "houses").iterdir()) == []
    assert office.houses.ids() == ()


async def test_the_offices_own_tokens_make_no_house(office) -> None:
    for scope in (Scope.ADMIN, Scope.VIEW):
        headers = office.new("tern-cottage", scope)
        assert (await office.send(headers, (NOW, 1.0))).status == 403
        assert (await office.client.put("/v1/state", json=STATE, headers=headers)).status == 403
    assert office.houses.ids() == ()


async def test_sending_again_adds_nothing_and_another_token_of_the_house_goes_on_where_the_first_was(office) -> None:
    first, second = (office.new("tern-cottage", Scope.CONTRIBUTE) for _ in range(2))
    receipts = [await (await office.send(headers, (NOW, 1.5))).json() for headers in (first, first, second)]
    assert [(each["accepted"], each["repeated"]) for each in receipts] == [(1, 0), (0, 1), (0, 1)]
    assert len({each["digest"] for each in receipts}) == 1
    assert office.stored("tern-cottage") == [(to_us(NOW), 1.5)]
    assert (await (await office.send(second, (NOW, 2.5))).json())["differing"] == 1
    assert office.stored("tern-cottage") == [(to_us(NOW), 1.5)]


async def test_the_houses_clock_is_the_houses_business(office) -> None:
    headers = office.new("tern-cottage", Scope.CONTRIBUTE)
    for at in (NOW + timedelta(days=400), NOW - timedelta(days=4000)):
        assert (await (await office.send(headers, (at, 1.0))).json())["accepted"] == 1
    view = office.new("desk", Scope.VIEW)
    told = await (await office.client.get("/v1/houses/tern-cottage", headers=view)).json()
    assert told["newest"][0]["is_fresh"] is False
    await office.send(headers, (NOW - timedelta(minutes=1), 140.0))
    told = await (await office.client.get("/v1/houses/tern-cottage", headers=view)).json()
    assert (told["newest"][0]["is_fresh"], told["newest"][0]["value"]) == (True, 140.0), "what is to come hides nothing"
    assert told["last_heard"] == "2026-01-31T14:05:00Z"


async def test_the_list_is_asked_for_again_only_when_it_has_changed(office) -> None:
    house, view = office.new("tern-cottage", Scope.CONTRIBUTE), office.new("desk", Scope.VIEW)
    await office.send(house, (NOW, 140.0))
    for path in ("/v1/houses", "/v1/houses/tern-cottage", f"/v1/houses/tern-cottage/readings?signal={STATIC}", "/"):
        answer = await office.client.get(path, headers=view)
        held = {"If-None-Match": answer.headers["ETag"], **view}
        assert (await office.client.get(path, headers=held)).status == 304
        office.now[0] += timedelta(minutes=1)
        await office.send(house, (office.now[0], 150.0))
        assert (await office.client.get(path, headers=held)).status == 200, path


async def test_the_list_tells_when_each_house_was_heard_of_its_pressures_and_what_it_told(office) -> None:
    tern, gull = (office.new(name, Scope.CONTRIBUTE) for name in ("tern-cottage", "gull-row"))
    await office.send(gull, (NOW, 90.0))
    office.now[0] += timedelta(minutes=61)
    await office.client.put("/v1/state", json={**STATE, "of_a_later_version": 1}, headers=tern)
    await office.send(tern, (office.now[0], 140.0))
    (office.folder / "houses" / "hurt-house.sqlite").write_bytes(b"not a store at all, and long enough to be read" * 9)
    view = office.new("desk", Scope.VIEW)
    first, second, third = (await (await office.client.get("/v1/houses", headers=view)).json())["houses"]
    assert (first["id"], first["standing"]["house"], first["is_silent"]) == ("tern-cottage", "Tern Cottage", False)
    assert first["standing"]["share_of_expected"]["value"] == 0.6
    assert (first["newest"][0]["value"], first["newest"][0]["unit"]) == (140.0, "Pa")
    assert (second["id"], second["is_silent"], second["last_heard"]) == ("gull-row", True, "2026-01-31T14:05:00Z")
    assert "no SQLite file" in third["problem"]
    readings = await office.client.get("/v1/houses/tern-cottage/readings", params={"signal": STATIC}, headers=view)
    assert (await readings.json())["value"] == [140.0]
    assert (await office.client.get("/v1/houses/no-house", headers=view)).status == 404
    health = await (await office.client.get("/healthz", headers=view)).json()
    assert (health["houses"], health["silent_houses"], health["failing_houses"]) == (3, 2, 1)
    of_a_house = await (await office.client.get("/healthz", headers=tern)).json()
    assert (of_a_house["status"], of_a_house["houses"], of_a_house["silent_houses"]) == ("ok", None, None)


async def test_what_a_house_told_in_another_version_hides_neither_it_nor_the_others(office) -> None:
    for name in ("tern-cottage", "gull-row"):
        await office.send(office.new(name, Scope.CONTRIBUTE), (NOW, 140.0))
    with office.houses.using("tern-cottage") as store:
        store.keep_snapshot("standing", 0, '{"house": 7}')
    view = office.new("desk", Scope.VIEW)
    clients = (await (await office.client.get("/v1/houses", headers=view)).json())["houses"]
    assert {client["id"]: client["problem"] is not None for client in clients} == {
        "tern-cottage": True,
        "gull-row": False,
    }
    assert (await office.client.get("/houses/tern-cottage", headers=view)).status == 200


async def test_a_house_whose_store_takes_nothing_is_told_though_it_was_heard_of_and_can_be_read(
    office, monkeypatch
) -> None:
    await office.send(office.new("tern-cottage", Scope.CONTRIBUTE), (NOW, 140.0))
    with office.houses.using("tern-cottage") as store:
        full = StoreError(store.path, "its disk is full; free some space", disk_is_full=True)
    monkeypatch.setattr(store, "trouble", lambda: full)
    view = office.new("desk", Scope.VIEW)
    assert (await (await office.client.get("/healthz", headers=view)).json())["failing_houses"] == 1
    for path in ("/", "/houses/tern-cottage"):
        assert "Its disk is full; free some space." in await (await office.client.get(path, headers=view)).text()


async def test_markup_in_what_a_house_tells_is_text_on_the_page(office) -> None:
    marked = "<script>alert(1)</script>"
    state = {**STATE, "house": marked, "alarms": [{"name": "a", "title": marked, "since": NOW.isoformat()}]}
    await office.client.put("/v1/state", json=state, headers=office.new("tern-cottage", Scope.CONTRIBUTE))
    page = await (await office.client.get("/", headers=office.new("desk", Scope.VIEW))).text()
    assert marked not in page
    assert page.count("&lt;script&gt;alert(1)&lt;/script&gt;") >= 2
    assert "1 delivers less than it should" in page
    view = office.new("desk", Scope.VIEW)
    assert marked not in await (await office.client.get("/houses/tern-cottage", headers=view)).text()
    assert (await office.client.get("/houses/no-house", headers=view)).status == 404


async def test_the_collector_describes_each_of_its_routes_and_what_stands_in_their_paths(office) -> None:
    view = office.new("desk", Scope.VIEW)
    described = await (await office.client.get("/openapi.json", headers=view)).json()
    paths = {(method.upper(), path) for path, item in described["paths"].items() for method in item}
    assert paths <= routes_of(office.client.app)
    assert {path for _, path in paths} >= {"/v1/readings", "/v1/state", "/v1/houses", "/v1/houses/{house}/readings"}
    parameters = described["paths"]["/v1/houses/{house}/readings"]["get"]["parameters"]
    assert {(each["name"], each["in"], each["required"]) for each in parameters} == {
        ("house", "path", True),
        ("signal", "query", True),
        ("from", "query", False),
        ("to", "query", False),
        ("resolution", "query", False),
    }
    operations = [operation for item in described["paths"].values() for operation in item.values()]
    assert len({each["operationId"] for each in operations}) == len(operations)


async def test_no_request_to_a_collector_fails_inside(office) -> None:
    chance = random.Random(11)
    house, view = office.new("tern-cottage", Scope.CONTRIBUTE), office.new("desk", Scope.VIEW)
    reading = {"time": NOW.isoformat(), "signal": STATIC, "value": 1.0}
    alarm = {"name": "a", "title": "a", "since": NOW.isoformat()}
    strange = [None, "", "\ud800", "\x00", -1, 1e308, 10**400, [], {}, True, "NaN", "9999-12-31T23:59:59-14:00", "💨"]

    def turned(value: object) -> object:
        if chance.random() < 0.15:
            return chance.choice(strange)
        if isinstance(value, dict):
            return {chance.choice([key] * 9 + ["x"]): turned(each) for key, each in value.items()}
        return (
            [turned(each) for each in value for _ in range(chance.randrange(3))] if isinstance(value, list) else value
        )

    seen = set()
    for _ in range(150):
        path, whole = chance.choice(
            [("/v1/readings", {"readings": [reading, reading]}), ("/v1/state", {**STATE, "alarms": [alarm]})]
        )
        body = json.dumps(turned(whole)).encode()
        headers = {**house, "Content-Type": "application/json"}
        match chance.randrange(8):
            case 0:
                body = body[: chance.randrange(len(body))]
            case 1:
                body, headers["Content-Encoding"] = gzip.compress(body), "gzip"
        method = "POST" if path == "/v1/readings" else "PUT"
        seen.add((await office.client.request(method, path, data=body, headers=headers)).status)
        where = chance.choice(["/", "/v1/houses", f"/v1/houses/{chance.choice(['tern-cottage', '%00', '..%2F', 'A'])}"])
        if chance.random() < 0.2:
            seen.add((await office.client.get(where, headers=view)).status)
    assert seen <= {200, 400, 404, 422}
    assert seen >= {200, 400, 422}


async def test_many_houses_send_at_once_and_each_keeps_its_own(office) -> None:
    headers = {f"house-{number}": office.new(f"house-{number}", Scope.CONTRIBUTE) for number in range(12)}

    async def send(name: str, part: int) -> None:
        number = float(name.rpartition("-")[2])
        moments = [(NOW + timedelta(minutes=10 * part + each), number) for each in range(10)]
        assert (await office.send(headers[name], *moments)).status == 200

    await asyncio.gather(*(send(name, part) for part in range(4) for name in headers))
    for name in headers:
        assert [value for _, value in office.stored(name)] == [float(name.rpartition("-")[2])] * 40


async def events(response: aiohttp.ClientResponse) -> AsyncIterator[tuple[str, dict]]:
    """The type and the data of each event that carries data (HTML Standard, section 9.2.6)."""
    kind = "message"
    async for line in response.content:
        name, _, value = line.decode().rstrip("\n").partition(": ")
        if name == "event":
            kind = value
        elif name == "data":
            yield kind, json.loads(value)


async def test_who_looks_at_a_house_sees_what_it_sends_and_that_its_alarms_changed_and_nothing_of_another(
    office, monkeypatch
) -> None:
    monkeypatch.setattr(broadcast, "TICK_S", 0.01)
    changed = []
    tern, gull = (office.new(name, Scope.CONTRIBUTE) for name in ("tern-cottage", "gull-row"))
    view = office.new("desk", Scope.VIEW)
    await office.send(tern, (NOW, 140.0))
    async with asyncio.timeout(30), office.client.get("/v1/houses/tern-cottage/live", headers=view) as response:
        assert (response.status, response.content_type) == (200, "text/event-stream")
        told = events(response)
        assert [(kind, data["value"]) for kind, data in [await anext(told)]] == [("reading", 140.0)]
        await office.send(gull, (NOW + timedelta(seconds=1), 9.0))
        await office.send(tern, (NOW + timedelta(seconds=2), 150.0))
        kind, data = await anext(told)
        assert (kind, data["signal"], data["value"]) == ("reading", STATIC, 150.0)
        alarm = {"name": "drop", "title": "High", "since": NOW.isoformat()}
        for alarms, value in (([], 160.0), ([alarm], 170.0), ([alarm], 180.0), ([], 190.0)):
            await office.client.put("/v1/state", json=STATE | {"alarms": alarms}, headers=tern)
            await office.send(tern, (NOW + timedelta(seconds=value), value))
            found = [await anext(told)]
            while found[-1][0] != "reading":
                found.append(await anext(told))
            assert found[-1][1]["value"] == value
            changed.append("alarm" in [kind for kind, _ in found])
        assert changed == [True, True, False, True], "a first word, one raised, nothing new, one ended"
    assert (await office.client.get("/v1/houses/wren-court/live", headers=view)).status == 404
    assert (await office.client.get("/v1/houses/tern-cottage/live", headers=tern)).status == 403


async def test_a_viewer_that_comes_back_to_a_house_gets_what_it_missed(office, monkeypatch) -> None:
    monkeypatch.setattr(broadcast, "TICK_S", 0.01)
    tern, view = office.new("tern-cottage", Scope.CONTRIBUTE), office.new("desk", Scope.VIEW)
    await office.send(tern, (NOW, 140.0))
    where = "/v1/houses/tern-cottage/live"
    async with asyncio.timeout(30):
        async with office.client.get(where, headers=view) as response:
            last = ""
            while not last:
                line = (await response.content.readline()).decode()
                last = line.removeprefix("id: ").strip() if line.startswith("id: ") else ""
        for second in (1, 2):
            await office.send(tern, (NOW + timedelta(seconds=second), 140.0 + second))
        async with office.client.get(where, headers=view | {"Last-Event-ID": last}) as response:
            told, found = events(response), []
            while 142.0 not in found:
                found.append((await anext(told))[1]["value"])
    assert {141.0, 142.0} <= set(found)


async def test_a_house_is_kept_open_as_long_as_somebody_looks_at_it_and_only_so_many_are_looked_at(office) -> None:
    view, names = office.new("desk", Scope.VIEW), [f"house-{number}" for number in range(office.houses.most_open)]
    for name in names:
        await office.send(office.new(name, Scope.CONTRIBUTE), (NOW, 1.0))
    async with asyncio.timeout(30), AsyncExitStack() as looking:
        for name in names[: office.houses.most_open // 2]:
            response = await looking.enter_async_context(office.client.get(f"/v1/houses/{name}/live", headers=view))
            assert response.status == 200
        refused = await office.client.get(f"/v1/houses/{names[-1]}/live", headers=view)
        assert (refused.status, "Retry-After" in refused.headers) == (503, True)
        assert (await office.client.get(f"/v1/houses/{names[-1]}", headers=view)).status == 200


async def test_who_looks_at_a_house_whose_file_is_taken_away_is_sent_back_to_find_the_new_one(
    office, monkeypatch
) -> None:
    monkeypatch.setattr(broadcast, "TICK_S", 0.01)
    tern, view = office.new("tern-cottage", Scope.CONTRIBUTE), office.new("desk", Scope.VIEW)
    await office.send(tern, (NOW, 140.0))
    where = "/v1/houses/tern-cottage/live"
    async with asyncio.timeout(30):
        async with office.client.get(where, headers=view) as response:
            told = events(response)
            assert (await anext(told))[1]["value"] == 140.0
            for suffix in ("", "-wal", "-shm"):
                (office.folder / "houses" / f"tern-cottage.sqlite{suffix}").unlink(missing_ok=True)
            await office.send(tern, (NOW, 150.0))
            assert [kind async for kind, _ in told] == [], "it ends, for nothing more would come"
        async with office.client.get(where, headers=view) as response:
            assert (await anext(events(response)))[1]["value"] == 150.0


async def test_a_viewer_that_leaves_while_the_store_is_opened_is_no_trouble(office, monkeypatch, caplog) -> None:
    view = office.new("desk", Scope.VIEW)
    await office.send(office.new("tern-cottage", Scope.CONTRIBUTE), (NOW, 140.0))
    opening, may_open, done = (asyncio.Event() for _ in range(3))
    looking = Watching.broadcaster

    @asynccontextmanager
    async def slowly(watching: Watching, house: str):
        opening.set()
        await may_open.wait()
        async with looking(watching, house) as broadcaster:
            yield broadcaster

    @web.middleware
    async def outermost(request: web.Request, handler) -> web.StreamResponse:
        try:
            return await handler(request)
        finally:
            done.set()

    monkeypatch.setattr(Watching, "broadcaster", slowly)
    settings = Collecting(name="Saltmere Air")
    app = create_collector(office.tokens, office.houses, settings, lambda: NOW)
    app.middlewares.insert(0, outermost)
    # The service's own runner: that of the tests ends a handler when its client leaves.
    runner = WatchedRunner(app, settings.network)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    host, port = runner.addresses[0]
    head = ("GET /v1/houses/tern-cottage/live HTTP/1.1", f"Host: {host}", *map(": ".join, view.items()))
    async with asyncio.timeout(10):
        reader, writer = await asyncio.open_connection(host, port)
        writer.write("\r\n".join((*head, "", "")).encode())
        await opening.wait()
        writer.transport.abort()
        assert await reader.read() == b""
        while any(each.transport for each in runner.server.connections):  # noqa: ASYNC110  what it waits for is there
            await asyncio.sleep(0.001)
        may_open.set()
        await done.wait()
        await runner.cleanup()
    assert caplog.records == []


async def test_a_viewer_that_leaves_at_once_leaves_the_one_that_came_before_it_its_stream(office, monkeypatch) -> None:
    monkeypatch.setattr(broadcast, "TICK_S", 0.01)

    async def at_once(work, *given):
        return work(*given)

    # So that both go on in the same turn of the loop.
    monkeypatch.setattr(asyncio, "to_thread", at_once)
    watching = Watching(office.houses, lambda: NOW, 8)

    async def stays() -> None:
        async with watching.broadcaster("tern-cottage") as broadcaster:
            broadcaster.store.append([Reading(1, STATIC, 1.0)])
            await broadcaster.news(0)

    async def leaves() -> None:
        async with watching.broadcaster("tern-cottage"):
            pass

    async with asyncio.timeout(10):
        await asyncio.gather(stays(), leaves())


def test_stores_of_houses_are_closed_once_and_for_all(tmp_path) -> None:
    with HouseStores(tmp_path, most_open=8) as houses:
        with houses.using("tern-cottage") as store:
            store.append([Reading(1, STATIC, 1.0)])
        assert not houses.has("gull-row")
        with pytest.raises(ValueError, match="cannot name a house"), houses.using("../tern-cottage"):
            pass
    with pytest.raises(StoreError, match="is closed"), houses.using("tern-cottage"):
        pass
