"""The local service, assembled: routes, guards, and the threads that wait for the disk."""

import asyncio
from collections.abc import AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

from aiohttp import web

from ..engine.alarm_watch import AlarmWatch
from ..engine.fan_control import FanControl
from ..intake import Arrivals
from ..settings import Network
from ..store import Store
from ..store.tokens import Tokens
from .alarms import ALARM_ROUTES, ALARM_WATCH
from .answers import ANSWER_ROUTES
from .auth import Doorkeeper
from .changes import CHANGE_ROUTES
from .contact import contact_route
from .dead_letters import DEAD_LETTER_ROUTES
from .description import description_route
from .guarded import BODY_LIMIT, add_routes, guarded_application
from .health import HEALTH_ROUTE
from .ledger_days import LEDGER_DAYS_ROUTE
from .live import LIVE_ROUTE, broadcast_from
from .readings import READINGS_ROUTES
from .routing import SERVICE, AssessmentSource, Route, Service
from .sections import SECTION_ROUTES
from .sources import SOURCES_ROUTE
from .thing import thing_route

_INTAKE_THREADS = 16


def now() -> datetime:
    """The time now, in UTC."""
    return datetime.now(UTC)


def create_app(
    store: Store,
    source: AssessmentSource,
    *,
    fan: FanControl | None = None,
    arrivals: Arrivals | None = None,
    alarms: AlarmWatch | None = None,
    clock: Callable[[], datetime] = now,
    body_limit: int = BODY_LIMIT,
    network: Network = Network(),  # noqa: B008  immutable
) -> web.Application:
    """The service as an aiohttp application; the caller opens and closes `store`.

    `fan` gives the fan's answer; without one, there is nobody to decide and the answer is `leave`. `arrivals` keeps
    account of what comes from each source, and `alarms` keeps watch.
    `body_limit` is in bytes after unpacking. `network` says by which names the service may be addressed, from which
    pages, how often, and whether each request takes a token. Further routes (pages) may be added with `add_routes`;
    guards, scopes and headers hold for them too, and they are described with the others.
    """
    doorkeeper = Doorkeeper(Tokens(store), clock, needs_tokens=network.needs_tokens)
    app = guarded_application(network, doorkeeper, body_limit)
    fan = fan or FanControl(store, clock)
    threads = ThreadPoolExecutor(_INTAKE_THREADS, thread_name_prefix="intake")
    app[ALARM_WATCH] = alarms or AlarmWatch((), store, source.current, clock)
    app[ALARM_WATCH].wrong_tokens = doorkeeper.wrong_in_last_hour
    app[SERVICE] = Service(store, source, fan, clock, threads, arrivals or Arrivals())
    routes: tuple[Route, ...] = (
        *READINGS_ROUTES,
        *SECTION_ROUTES,
        LEDGER_DAYS_ROUTE,
        *ANSWER_ROUTES,
        *CHANGE_ROUTES,
        *ALARM_ROUTES,
        *DEAD_LETTER_ROUTES,
        SOURCES_ROUTE,
        LIVE_ROUTE,
        HEALTH_ROUTE,
        contact_route(network, clock),
    )
    routes += (thing_route(routes, needs_tokens=network.needs_tokens),)
    add_routes(app, (*routes, description_route(needs_tokens=network.needs_tokens)))

    async def leave_the_fan(_: web.Application) -> None:
        await asyncio.to_thread(fan.stop)

    app.on_shutdown.append(leave_the_fan)
    broadcast_from(app)

    async def run_threads(_: web.Application) -> AsyncIterator[None]:
        yield
        threads.shutdown(wait=True)

    app.cleanup_ctx.append(run_threads)
    return app
