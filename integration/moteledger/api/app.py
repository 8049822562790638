"""The local service, assembled: routes, guards, and the threads that wait for the disk."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime

from aiohttp import web

from ..engine.fan_control import FanControl
from ..store import Store
from .answers import ANSWER_ROUTES
from .auth import authorise, check_declared, open_to_all
from .changes import CHANGE_ROUTES
from .description import description_route
from .guard import LOOPBACK_NAMES, add_security_headers, expect_continue, host_guard
from .health import HEALTH_ROUTE
from .problems import answer_with_problems
from .readings import READINGS_ROUTES
from .routing import SERVICE, AssessmentSource, Service
from .sections import SECTION_ROUTES

BODY_LIMIT = 1024 * 1024

_INTAKE_THREADS = 16


def now() -> datetime:
    """The time now, in UTC."""
    return datetime.now(UTC)


def create_app(
    store: Store,
    source: AssessmentSource,
    *,
    fan: FanControl | None = None,
    clock: Callable[[], datetime] = now,
    body_limit: int = BODY_LIMIT,
    host_names: Iterable[str] = LOOPBACK_NAMES,
) -> web.Application:
    """The service as an aiohttp application; the caller opens and closes `store`.

    `fan` gives the fan's answer; without one, there is nobody to decide and the answer is `leave`.
    `body_limit` is in bytes after unpacking. `host_names` are the names the service may be addressed by (Host header,
    any port). Further routes (pages) may be added to the application's router; guards and headers hold for them too.
    """
    app = web.Application(
        middlewares=[answer_with_problems, host_guard(host_names), authorise(open_to_all)],
        client_max_size=body_limit,
    )
    fan = fan or FanControl(store, clock)
    threads = ThreadPoolExecutor(_INTAKE_THREADS, thread_name_prefix="intake")
    app[SERVICE] = Service(store, source, fan, clock, threads)
    routes = (*READINGS_ROUTES, *SECTION_ROUTES, *ANSWER_ROUTES, *CHANGE_ROUTES, HEALTH_ROUTE)
    for route in (*routes, description_route(routes)):
        if route.method == "GET":
            app.router.add_get(route.path, route.handler, expect_handler=expect_continue)
        else:
            app.router.add_route(route.method, route.path, route.handler, expect_handler=expect_continue)
    app.on_response_prepare.append(add_security_headers)
    app.on_startup.append(check_declared)

    async def leave_the_fan(_: web.Application) -> None:
        await asyncio.to_thread(fan.stop)

    app.on_shutdown.append(leave_the_fan)

    async def run_threads(_: web.Application) -> AsyncIterator[None]:
        yield
        threads.shutdown(wait=True)

    app.cleanup_ctx.append(run_threads)
    return app
