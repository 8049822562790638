"""A token of one scope opens nothing of another: every scope at every route, and no route without scopes."""

import re
from collections.abc import AsyncIterator
from datetime import timedelta

import pytest
from aiohttp import web
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import create_first_run
from moteledger.api.alarms import ALARM_WATCH
from moteledger.api.collector import create_collector
from moteledger.api.scopes import ANYONE, CONTRACTOR_SIGNALS, SCOPES, UndeclaredRouteError, declared
from moteledger.engine.alarms import SilenceWatch
from moteledger.settings import Network, read_collecting
from moteledger.store import Reading, to_us
from moteledger.store.houses import HouseStores
from moteledger.store.tokens import Scope

# What shows when people are at home, or what they did there.
NOT_FOR_A_CONTRACTOR = {
    "/",
    "/v1/air",
    "/v1/ledger",
    "/v1/ledger/days",
    "/v1/events",
    "/v1/answer/fan",
    "/v1/answer/fan/decisions",
    "/v1/answer/fan/override",
    "/v1/advice/fan",
    "/cards/air",
    "/cards/account",
    "/cards/trace",
    "/cards/events",
    "/cards/fan",
}
WRITES = {"POST", "PUT", "DELETE", "PATCH"}
CONTRIBUTED = {("POST", "/v1/readings"), ("PUT", "/v1/state")}


def real_routes(app: web.Application) -> set[tuple[str, str]]:
    return {(route.method, route.resource.canonical) for route in app.router.routes() if route.method != "HEAD"}


@web.middleware
async def reached(_: web.Request, handler) -> web.Response:
    """Stands in the place of every handler: whoever comes here was let through."""
    return web.Response(status=204)


@pytest.fixture
async def doors(guard) -> AsyncIterator[TestClient]:
    """The whole service, its handlers replaced by word that they were reached."""
    with guard.store:
        guard.made = {scope: guard.new(scope, lasts=timedelta(days=1)) for scope in Scope}
        app = guard.app(Network(tokens_required=True))
        app.middlewares.append(reached)
        async with TestClient(TestServer(app)) as client:
            yield client


async def test_every_scope_at_every_route(doors, guard) -> None:
    routes = real_routes(doors.app)
    assert len(routes) > 25
    for method, path in sorted(routes):
        needed = SCOPES[method, path]
        for scope in Scope:
            response = await doors.request(method, path.replace("{name}", "other"), headers=guard.bearer(scope))
            opens = needed == ANYONE or scope in needed
            assert response.status == (204 if opens else 403), (method, path, scope)


async def test_without_a_token_only_the_door_and_the_files_of_the_pages_open(doors) -> None:
    free = set()
    for method, path in real_routes(doors.app):
        response = await doors.request(method, path.replace("{name}", "other"))
        assert response.status in (204, 401)
        if response.status == 204:
            free.add((method, path))
    contact = ("GET", "/.well-known/security.txt")
    assert free == {("GET", "/enter"), ("POST", "/enter"), ("GET", "/static/{name}"), contact}


async def test_every_route_has_scopes_and_a_new_one_without_keeps_the_service_from_starting(guard) -> None:
    with guard.store:
        app = guard.app(Network())
        assert set(declared(app.router.routes())) == real_routes(app)

        async def give(_: web.Request) -> web.Response:
            return web.Response()

        app.router.add_get("/v1/new", give)
        runner = web.AppRunner(app)
        with pytest.raises(UndeclaredRouteError, match="GET /v1/new"):
            await runner.setup()
        await runner.cleanup()


async def test_every_entry_of_the_table_is_a_route_of_some_application(guard, tmp_path) -> None:
    houses = tmp_path / "houses"
    houses.mkdir()
    (tmp_path / "collector.toml").write_text('name = "Wren Air"\nfolder = "houses"\n')
    with guard.store, HouseStores(houses, most_open=8) as stores:
        apps = (
            guard.app(Network()),
            create_first_run(tmp_path / "house.toml", lambda house: None),
            create_collector(guard.tokens, stores, read_collecting(tmp_path / "collector.toml"), guard.clock),
        )
        assert set().union(*map(real_routes, apps)) == set(SCOPES)


async def test_every_route_of_the_whole_service_is_described_with_all_that_its_path_takes(guarded) -> None:
    described = await (await guarded.client.get("/openapi.json", headers=guarded.bearer(Scope.VIEW))).json()
    operations = {
        (method.upper(), path): operation
        for path, item in described["paths"].items()
        for method, operation in item.items()
    }
    assert set(operations) == real_routes(guarded.client.app)
    assert len({operation["operationId"] for operation in operations.values()}) == len(operations)
    for (method, path), operation in operations.items():
        # OpenAPI 3.1.0, section 4.8.12.1: a parameter for each template expression of the path, and required.
        taken = {each["name"]: each for each in operation.get("parameters", ()) if each["in"] == "path"}
        assert set(taken) == set(re.findall(r"\{(\w+)\}", path)), (method, path)
        assert all(each["required"] and each["description"] for each in taken.values())
        assert operation["summary"]


def test_what_tells_of_people_is_not_for_a_contractor() -> None:
    for (method, path), scopes in SCOPES.items():
        if path in NOT_FOR_A_CONTRACTOR:
            assert Scope.CONTRACTOR not in scopes, (method, path)


def test_each_scope_does_what_it_says_and_no_more() -> None:
    for (method, path), scopes in SCOPES.items():
        if method in WRITES:
            assert Scope.VIEW not in scopes, path
        if scopes not in (ANYONE, frozenset(Scope)):
            assert Scope.ADMIN in scopes, path
            assert (Scope.CONTRIBUTE in scopes) == ((method, path) in CONTRIBUTED), path


async def test_a_contractor_reads_the_air_handler_and_nothing_of_the_rooms(guarded) -> None:
    guarded.store.append([Reading(to_us(guarded.now), name, 1.0) for name in ("indoor.pm25", "filter.pressure_drop")])
    headers = guarded.bearer(Scope.CONTRACTOR)
    for name in CONTRACTOR_SIGNALS:
        assert (await guarded.client.get(f"/v1/readings?signal={name}", headers=headers)).status == 200
    for name in ("indoor.pm25", "indoor.co2", "room:bed.pm25", "window.open", "cooling.running", "outdoor.pm25"):
        response = await guarded.client.get(f"/v1/readings?signal={name}", headers=headers)
        assert response.status == 403
        assert "filter.pressure_drop" in (await response.json())["detail"]
        assert (
            await guarded.client.get(f"/v1/readings?signal={name}", headers=guarded.bearer(Scope.VIEW))
        ).status == 200


async def test_several_scopes_open_what_each_of_them_opens(guarded) -> None:
    _, text = guarded.new(Scope.CONTRIBUTE, Scope.AUTOMATE)
    headers = {"Authorization": f"Bearer {text}"}
    assert (await guarded.client.get("/v1/answer/fan", headers=headers)).status == 200
    assert (await guarded.client.post("/v1/readings", json={}, headers=headers)).status in (400, 422)
    assert (await guarded.client.get("/v1/air", headers=headers)).status == 403


async def test_a_contractor_is_told_of_no_alarm_and_no_newest_reading_of_the_rooms(guarded) -> None:
    names = ("indoor.pm25", "filter.pressure_drop")
    guarded.store.append([Reading(to_us(guarded.now - timedelta(hours=5)), name, 1.0) for name in names])
    watch = guarded.client.app[ALARM_WATCH]
    watch._watched = tuple(SilenceWatch(name) for name in names)
    watch.look()
    for scope, seen in ((Scope.VIEW, set(names)), (Scope.CONTRACTOR, {"filter.pressure_drop"})):
        alarms = await (await guarded.client.get("/v1/alarms", headers=guarded.bearer(scope))).json()
        assert {alarm["signal"] for alarm in alarms["standing"]} == seen
        assert {alarm["signal"] for alarm in alarms["past"]} == seen
        newest = await (await guarded.client.get("/v1/readings/newest", headers=guarded.bearer(scope))).json()
        assert set(newest["readings"]) == seen
    hidden = {"name": "silent-indoor-pm25"}
    answer = await guarded.client.put("/v1/alarms/acknowledged", json=hidden, headers=guarded.bearer(Scope.CONTRACTOR))
    assert answer.status == 422, "what is not shown is not there"


async def test_a_contractors_page_holds_the_cards_of_the_air_handler_and_no_others(guard, assessment) -> None:
    guard.assessment = assessment
    with guard.store:
        guard.made = {Scope.CONTRACTOR: guard.new(Scope.CONTRACTOR, lasts=timedelta(days=1))}
        async with TestClient(TestServer(guard.app(Network(tokens_required=True)))) as client:
            page = await (await client.get("/contractor", headers=guard.bearer(Scope.CONTRACTOR))).text()
            sources = re.findall(r'data-source="([^"]+)"', page)
            assert set(sources) == {f"/cards/{name}" for name in ("alarms", "filter", "pressure", "delivery")}
            for path in sources:
                assert (await client.get(path, headers=guard.bearer(Scope.CONTRACTOR))).status == 200
    # Readings, gaps and events of the rooms show when people are at home.
    assert "What this account rests on" not in page
    assert "indoor.pm25" not in page
    assert 'action="/fan/wish"' not in page
    assert 'action="/filter/change"' in page
