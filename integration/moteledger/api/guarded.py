"""An application with everything that stands before any handler: problems, rates, names, origins, tokens, scopes."""

from collections.abc import Iterable
from dataclasses import replace
from http import HTTPStatus

from aiohttp import web

from ..settings import Network
from .auth import DOORKEEPER, Doorkeeper, authorise, check_declared
from .conditional import answer_conditionally
from .guard import expect_continue, host_guard, origin_guard, security_headers
from .limits import BURST_S, Rate, rate_guard
from .problems import answer_with_problems
from .queries import NoParameters, read_query
from .routing import ROUTES, Route

BODY_LIMIT = 1024 * 1024


def guarded_application(network: Network, doorkeeper: Doorkeeper, body_limit: int = BODY_LIMIT) -> web.Application:
    """An application without routes; whatever route is added, guards, scopes and headers hold for it too.

    It does not start while a route has no declared scopes.
    """
    most = network.most_requests_per_second
    app = web.Application(
        middlewares=[
            answer_with_problems,
            rate_guard(Rate(most, max(1.0, BURST_S * most))),
            host_guard(network.names),
            origin_guard(network.allowed_origins),
            authorise(doorkeeper.identify),
            answer_conditionally,
        ],
        client_max_size=body_limit,
    )
    app[DOORKEEPER] = doorkeeper
    app[ROUTES] = []
    app.on_response_prepare.append(security_headers(network))
    app.on_startup.append(check_declared)
    return app


def add_routes(app: web.Application, routes: Iterable[Route]) -> None:
    """Serve these routes, and describe them where the application describes itself."""
    for route in map(_with_a_known_query, routes):
        app[ROUTES].append(route)
        if route.method == "GET":
            app.router.add_get(route.path, route.handler, expect_handler=expect_continue)
        else:
            app.router.add_route(route.method, route.path, route.handler, expect_handler=expect_continue)


def _with_a_known_query(route: Route) -> Route:
    """The route, refusing a query where it is data that has no parameters: one left unheeded would seem to be met."""
    if route.method != "GET" or not route.path.startswith("/v1/") or route.parameters is not None:
        return route

    async def handle(request: web.Request) -> web.StreamResponse:
        read_query(request, NoParameters)
        return await route.handler(request)

    return replace(route, handler=handle, problems=(*route.problems, HTTPStatus.BAD_REQUEST))
