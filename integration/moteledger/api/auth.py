"""Who asks: the token of a request, what it may open, and what of an answer it may see."""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from http import HTTPStatus

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from ..store.tokens import Scope
from .problems import ProblemError
from .scopes import ANYONE, CONTRACTOR_SIGNALS, declared


@dataclass(frozen=True)
class Grant:
    """What the asker may do; `token` is the public name of the token, None where none was needed or shown."""

    scopes: frozenset[Scope]
    token: str | None = None

    def readable_signals(self) -> frozenset[str] | None:
        """The signals whose readings the asker may see; None: all."""
        return None if self.scopes & {Scope.VIEW, Scope.ADMIN} else CONTRACTOR_SIGNALS


GRANT: web.RequestKey[Grant] = web.RequestKey("grant", Grant)
"""Set before any handler runs: `request[GRANT].readable_signals()` tells what of the readings may be shown."""

EVERYTHING = Grant(frozenset(Scope))

Identify = Callable[[web.Request], Awaitable[Grant]]


async def open_to_all(_: web.Request) -> Grant:
    """On the loopback address, where no token is required."""
    return EVERYTHING


def authorise(identify: Identify) -> Middleware:
    """A middleware that opens a route only to whoever the table of scopes names; `identify` tells who asks."""

    @web.middleware
    async def check_scope(request: web.Request, handler: Handler) -> web.StreamResponse:
        if request.match_info.http_exception is not None:
            # There is no such route; only who is known is told more than that a token is needed.
            request[GRANT] = await identify(request)
            return await handler(request)
        route = request.match_info.route
        [needed] = declared([route]).values()
        if needed == ANYONE:
            request[GRANT] = Grant(ANYONE)
            return await handler(request)
        grant = await identify(request)
        if not grant.scopes & needed:
            raise ProblemError(
                HTTPStatus.FORBIDDEN,
                f"this token is for {', '.join(sorted(grant.scopes))}; this takes one of {', '.join(sorted(needed))}",
                headers={"WWW-Authenticate": f'Bearer error="insufficient_scope", scope="{" ".join(sorted(needed))}"'},
            )
        request[GRANT] = grant
        return await handler(request)

    return check_scope


async def check_declared(app: web.Application) -> None:
    """Refuse to start while a route has no declared scopes."""
    declared(app.router.routes())
