"""A contractor's collector: the service in `collect` mode, to which many houses send and which their contractor reads.

A house's token is called as the house is (`moteledger token new --name tern-cottage --scope contribute`): it writes
into the store of that house and into no other, and reads nothing. There is nothing in a request that names a house to
write to. Tokens for `view` read all houses.
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from http import HTTPStatus
from typing import Annotated, Literal, TypeVar

from aiohttp import web
from pydantic import BaseModel, Field, ValidationError

from ..cards.clients import TREND_FOR, TREND_SIGNALS, Trend, render_client, render_clients
from ..engine.standing import Client, Newest, Standing, is_silent, slipped_first
from ..intake import RecordsError, Rooms, accept, text_of
from ..intake.consignment import Receipt, receipt_for, unpacked_records
from ..settings import Collecting
from ..signals import signal_named
from ..store import Store, StoreError, from_us, to_us
from ..store.houses import HouseStores, is_house_id
from ..store.tokens import Scope, Tokens
from .auth import GRANT, Doorkeeper
from .bodies import BODY_PROBLEMS, JSON_MEDIA_TYPE, read_body, read_model, unusable
from .contact import contact_route
from .description import description_route
from .entrance import ENTRANCE_ROUTES
from .guarded import add_routes, guarded_application
from .live import MEDIA_TYPE as EVENT_STREAM
from .live import LiveQuery, stream
from .pages import STATIC_ROUTE
from .problems import ProblemError
from .queries import read_query
from .readings import PlainReadings, ReadingsQuery, SignalReadings, ThinnedReadings, readings_answer
from .routing import Route, json_answer
from .scopes import SCOPES
from .watching import Watching

_THREADS = 16
_HEARD, _STANDING = "heard", "standing"
T = TypeVar("T")

_CLOCKS_AGREE = timedelta(minutes=5)
_TREND_STEP_US = 3 * 3600 * 1_000_000
_SHOWN = ("duct.static_pressure", "filter.pressure_drop", "fan.running")


@dataclass(frozen=True)
class Collector:
    """What the handlers share: the houses' stores, how people read them, the clock, the threads for the disk, and who
    looks at which house."""

    houses: HouseStores
    settings: Collecting
    clock: Callable[[], datetime]
    threads: ThreadPoolExecutor
    watching: Watching


COLLECTOR: web.AppKey[Collector] = web.AppKey("collector", Collector)


class HousePlace(BaseModel):
    """Which house."""

    house: Annotated[str, Field(pattern="^[a-z0-9][a-z0-9-]{0,59}$")] = Field(description="The house's id.")


class Clients(BaseModel):
    """All houses, those whose delivery has slipped furthest first."""

    houses: list[Client]


class Health(BaseModel):
    """The collector answers; to a token that reads the houses, also how many there are, and that they can be read."""

    status: Literal["ok"] = "ok"
    time: str = Field(description="The collector's clock.")
    houses: int | None = None
    silent_houses: int | None = Field(None, description="How many have not been heard of for an hour.")
    failing_houses: int | None = Field(None, description="Of how many the store cannot be read or takes nothing now.")


class Noted(BaseModel):
    """The state is on the disk."""

    house: str


def create_collector(
    tokens: Tokens, houses: HouseStores, settings: Collecting, clock: Callable[[], datetime]
) -> web.Application:
    """The collector as an application; the caller opens and closes the stores."""
    doorkeeper = Doorkeeper(tokens, clock, needs_tokens=True)
    app = guarded_application(settings.network, doorkeeper)
    threads = ThreadPoolExecutor(_THREADS, thread_name_prefix="collect")
    # Those that are not looked at need stores too.
    watching = Watching(houses, clock, max(houses.most_open // 2, 1))
    app[COLLECTOR] = Collector(houses, settings, clock, threads, watching)
    add_routes(app, (*_ROUTES, contact_route(settings.network, clock), STATIC_ROUTE, *ENTRANCE_ROUTES))
    add_routes(app, [description_route(needs_tokens=True)])

    async def run_threads(_: web.Application) -> AsyncIterator[None]:
        yield
        threads.shutdown(wait=True)

    async def end_streams(_: web.Application) -> None:
        watching.close()

    app.cleanup_ctx.append(run_threads)
    app.on_shutdown.append(end_streams)
    return app


async def _take_readings(request: web.Request) -> web.StreamResponse:
    """Keep a consignment in the store of the house whose token it is; the receipt says what is safe on the disk."""
    house, collector = _writer(request), request.app[COLLECTOR]
    body = await read_body(request, JSON_MEDIA_TYPE)
    receipt = await _in_thread(collector, lambda: _keep(collector, house, body))
    return json_answer(receipt)


async def _take_state(request: web.Request) -> web.StreamResponse:
    """Keep how the air handler of the house does, in place of what it told before."""
    house, collector = _writer(request), request.app[COLLECTOR]
    standing = await read_model(request, Standing, '{"house": "Tern Cottage", "verdict": "delivers"}')

    def keep() -> None:
        with collector.houses.using(house) as store:
            before, _ = _told(store)
            store.keep_snapshot(_STANDING, 0, standing.model_dump_json())
            _note_heard(store, collector.clock())
        if before is None or before.alarms != standing.alarms:
            collector.watching.tell_alarm(house)

    await _in_thread(collector, keep)
    return json_answer(Noted(house=house))


async def _give_houses(request: web.Request) -> web.StreamResponse:
    return json_answer(Clients(houses=await _clients(request.app[COLLECTOR])))


async def _give_house(request: web.Request) -> web.StreamResponse:
    collector, house = request.app[COLLECTOR], request.match_info["house"]
    return json_answer(await _of_house(request, lambda store: _client(house, store, collector.clock())))


async def _give_readings(request: web.Request) -> web.StreamResponse:
    """The readings of one signal of a house over a time, as they are or by intervals."""
    query, now = read_query(request, ReadingsQuery), request.app[COLLECTOR].clock()
    return json_answer(await _of_house(request, lambda store: readings_answer(store, query, now)))


async def _stream(request: web.Request) -> web.StreamResponse:
    """The readings of a house as it sends them, and word of its alarms."""
    house, collector = request.match_info["house"], request.app[COLLECTOR]
    await _in_thread(collector, lambda: _require(collector, house))
    async with collector.watching.broadcaster(house) as broadcaster:
        return await stream(request, broadcaster)


async def _give_health(request: web.Request) -> web.StreamResponse:
    collector = request.app[COLLECTOR]
    health = Health(time=text_of(to_us(collector.clock())))
    if request[GRANT].scopes & SCOPES[("GET", "/v1/houses")]:
        clients = await _clients(collector)
        counts = {
            "houses": len(clients),
            "silent_houses": sum(client.is_silent for client in clients),
            "failing_houses": sum(client.problem is not None for client in clients),
        }
        health = health.model_copy(update=counts)
    answer = json_answer(health)
    answer.headers["Cache-Control"] = "no-store"
    return answer


async def _give_page(request: web.Request) -> web.StreamResponse:
    collector = request.app[COLLECTOR]
    page = render_clients(await _clients(collector), collector.settings, now=collector.clock())
    return web.Response(text=page, content_type="text/html", charset="utf-8")


async def _give_house_page(request: web.Request) -> web.StreamResponse:
    collector, house = request.app[COLLECTOR], request.match_info["house"]
    now = collector.clock()

    def draw(store: Store) -> str:
        start_us, end_us = to_us(now - TREND_FOR), to_us(now + _CLOCKS_AGREE)
        trends = [_trend(store, signal, start_us, end_us) for signal in TREND_SIGNALS]
        return render_client(_client(house, store, now), trends, collector.settings, now=now)

    return web.Response(text=await _of_house(request, draw), content_type="text/html", charset="utf-8")


def _trend(store: Store, signal: str, start_us: int, end_us: int) -> Trend:
    thinned = store.thinned(signal, start_us, end_us, _TREND_STEP_US)
    middles = thinned.start_us + _TREND_STEP_US // 2
    points = tuple(zip(map(from_us, middles.tolist()), thinned.mean.tolist(), strict=True))
    return Trend(signal, points)


def _writer(request: web.Request) -> str:
    """The house whose token asks; raises ProblemError for a token that is no house's."""
    grant = request[GRANT]
    if Scope.CONTRIBUTE not in grant.scopes or grant.label is None or not is_house_id(grant.label):
        raise ProblemError(
            HTTPStatus.FORBIDDEN,
            "this token is no house's; make one with --scope contribute and the house's id as its --name: a-z, 0-9 "
            "and -, such as tern-cottage",
        )
    return grant.label


def _keep(collector: Collector, house: str, body: bytes) -> Receipt:
    def signals() -> Iterable[str]:
        with collector.houses.using(house) as store:
            return store.signals()

    try:
        records = unpacked_records(body, Rooms(signals))
    except RecordsError as error:
        raise unusable(str(error), error.place, readable=error.readable) from None
    with collector.houses.using(house) as store:
        appended = accept(store, records.readings)
        _note_heard(store, collector.clock())
    return receipt_for(body, records, appended)


def _note_heard(store: Store, now: datetime) -> None:
    store.keep_snapshot(_HEARD, 0, f'{{"heard_us": {to_us(now)}}}')


def _require(collector: Collector, house: str) -> None:
    """Raise ProblemError for a house that there is not."""
    if not collector.houses.has(house):
        raise ProblemError(HTTPStatus.NOT_FOUND, "there is no such house; /v1/houses lists those that there are")


async def _of_house(request: web.Request, work: Callable[[Store], T]) -> T:
    """What becomes of the store of the house that is asked for, in a thread."""
    collector, house = request.app[COLLECTOR], request.match_info["house"]

    def done() -> T:
        _require(collector, house)
        with collector.houses.using(house) as store:
            return work(store)

    return await _in_thread(collector, done)


async def _clients(collector: Collector) -> list[Client]:
    return await _in_thread(collector, lambda: _all_clients(collector))


def _all_clients(collector: Collector) -> list[Client]:
    now = collector.clock()
    found = []
    for house in collector.houses.ids():
        try:
            with collector.houses.using(house) as store:
                found.append(_client(house, store, now))
        except StoreError as error:
            found.append(
                Client(id=house, last_heard=None, is_silent=True, standing=None, newest=(), problem=error.problem)
            )
    return slipped_first(found)


def _client(house: str, store: Store, now: datetime) -> Client:
    heard, (told, unread) = store.latest_snapshot(_HEARD), _told(store)
    last_heard = None if heard is None else from_us(_Heard.model_validate_json(heard[1]).heard_us)
    newest = [found for signal in _SHOWN if (found := _newest(store, signal, now)) is not None]
    trouble = store.trouble()
    problem = unread if trouble is None else trouble.problem
    return Client(
        id=house,
        last_heard=last_heard,
        is_silent=is_silent(last_heard, now),
        newest=tuple(newest),
        standing=told,
        problem=problem,
    )


def _told(store: Store) -> tuple[Standing | None, str | None]:
    """What a house told last, and why that cannot be read."""
    standing = store.latest_snapshot(_STANDING)
    if standing is None:
        return None, None
    try:
        return Standing.model_validate_json(standing[1]), None
    except ValidationError:
        return None, "what it told last is of another version; it tells it anew within minutes"


class _Heard(BaseModel):
    heard_us: int


def _newest(store: Store, signal: str, now: datetime) -> Newest | None:
    """The newest reading that is not of a time to come: a clock that was once years ahead hides nothing for years."""
    reading = store.latest(signal, until_us=to_us(now + _CLOCKS_AGREE))
    if reading is None:
        return None
    kind, at = signal_named(signal), from_us(reading.time_us)
    is_fresh = now - at <= timedelta(hours=kind.hold_h)
    return Newest(signal=signal, unit=kind.unit, value=reading.value, time=at, is_fresh=is_fresh)


_ROUTES = (
    Route(
        "POST",
        "/v1/readings",
        _take_readings,
        "Keep readings of the house whose token it is; answered once they are safe on the disk",
        Receipt,
        takes={JSON_MEDIA_TYPE: (PlainReadings,)},
        problems=BODY_PROBLEMS,
    ),
    Route(
        "PUT",
        "/v1/state",
        _take_state,
        "Keep how the air handler of the house whose token it is does",
        Noted,
        takes={JSON_MEDIA_TYPE: (Standing,)},
        problems=BODY_PROBLEMS,
    ),
    Route("GET", "/v1/houses", _give_houses, "All houses, those whose delivery has slipped furthest first", Clients),
    Route(
        "GET",
        "/v1/houses/{house}",
        _give_house,
        "One house: when it was last heard of, its pressures, and what it told last",
        Client,
        place=HousePlace,
        problems=(HTTPStatus.NOT_FOUND,),
    ),
    Route(
        "GET",
        "/v1/houses/{house}/readings",
        _give_readings,
        "The readings of one signal of a house over a time, as they are or by intervals",
        (SignalReadings, ThinnedReadings),
        place=HousePlace,
        parameters=ReadingsQuery,
        problems=(HTTPStatus.BAD_REQUEST, HTTPStatus.NOT_FOUND),
    ),
    Route(
        "GET",
        "/v1/houses/{house}/live",
        _stream,
        "The readings of one house as it sends them, at most one a second of each signal, and word of its alarms; goes "
        "on after the event named by Last-Event-ID",
        None,
        place=HousePlace,
        parameters=LiveQuery,
        problems=(HTTPStatus.BAD_REQUEST, HTTPStatus.NOT_FOUND),
        media_type=EVENT_STREAM,
    ),
    Route("GET", "/healthz", _give_health, "Whether the collector can do its work now", Health),
    Route("GET", "/", _give_page, "The page of all houses", None, media_type="text/html"),
    Route(
        "GET",
        "/houses/{house}",
        _give_house_page,
        "The page of one house: what it told last, and its pressures over a month",
        None,
        place=HousePlace,
        media_type="text/html",
        problems=(HTTPStatus.NOT_FOUND,),
    ),
)


async def _in_thread(collector: Collector, work: Callable[[], T]) -> T:
    return await asyncio.get_running_loop().run_in_executor(collector.threads, work)
