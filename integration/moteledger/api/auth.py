"""Who asks: the token of a request, what it may open, and what of an answer it may see."""

import asyncio
import logging
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from http import HTTPStatus
from typing import TypeVar

from aiohttp import web
from aiohttp.typedefs import Handler, Middleware

from ..store import to_us
from ..store.tokens import Scope, Token, Tokens
from .limits import Rate, client_of, too_many
from .problems import ProblemError
from .routing import ROUTES
from .scopes import ANYONE, CONTRACTOR_SIGNALS, declared

COOKIE = "moteledger"
ENTRANCE = "/enter"

_SCHEME = "bearer"
_HOUR_US = 3_600_000_000
_MOST_REMEMBERED = 1000

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Grant:
    """What the asker may do; `token` is the public name of the token, None where none was needed or shown.

    `label` is what the token was called when it was made.
    """

    scopes: frozenset[Scope]
    token: str | None = None
    label: str | None = None

    def readable_signals(self) -> frozenset[str] | None:
        """The signals whose readings the asker may see; None: all."""
        return None if self.scopes & {Scope.VIEW, Scope.ADMIN} else CONTRACTOR_SIGNALS


GRANT: web.RequestKey[Grant] = web.RequestKey("grant", Grant)
"""Set before any handler runs: `request[GRANT].readable_signals()` tells what of the readings may be shown."""

EVERYTHING = Grant(frozenset(Scope))

T = TypeVar("T")

Identify = Callable[[web.Request], Awaitable[Grant]]


class Doorkeeper:
    """Tells from the token or the cookie of a request what it may do.

    Where tokens are not needed, a request without one may do everything and one with a token what the token opens.
    Who shows wrong tokens is soon not listened to for a while: not for the guessing, which is hopeless, but for the
    work it makes. Cookies do not count: a tablet whose token was revoked goes on asking and must still take a new link.
    Nor does that silence a token that was found right before: behind one proxy all have one address.
    """

    def __init__(self, tokens: Tokens, clock: Callable[[], datetime], *, needs_tokens: bool) -> None:
        self.tokens = tokens
        self._clock = clock
        self._needs_tokens = needs_tokens
        self._failures = Rate(per_second=0.1, burst=10.0)
        self._wrong_us: deque[int] = deque(maxlen=_MOST_REMEMBERED)
        # As digests, so that no secret stays in memory; the one that was shown last is the last.
        self._right: dict[bytes, None] = {}

    async def identify(self, request: web.Request) -> Grant:
        """What the asker may do; raises ProblemError for a wrong token and for none where one is needed."""
        scheme, _, text = request.headers.get("Authorization", "").partition(" ")
        if scheme.lower() == _SCHEME:
            return await self._granted(await self.check(request, self.tokens.find, text.strip()))
        cookie = request.cookies.get(COOKIE)
        if cookie is not None:
            token = await asyncio.to_thread(self.tokens.find_browser, cookie, self.now_us())
            if token is not None:
                return await self._granted(token)
        if self._needs_tokens:
            raise _unauthorised("this takes a token; send it as Authorization: Bearer TOKEN", "")
        return EVERYTHING

    async def check(self, request: web.Request, find: Callable[[str, int], T | None], text: str) -> T:
        """What `find` makes of a token's text; raises ProblemError for a wrong one and after too many of them."""
        client, digest = client_of(request), sha256(text.encode("utf-8", "backslashreplace")).digest()
        if digest not in self._right and (wait_s := self._failures.wait_s(client)):
            raise too_many(wait_s, "too many wrong tokens from this address")
        found = await asyncio.to_thread(find, text, self.now_us())
        self._right.pop(digest, None)
        if found is None:
            self._failures.count(client)
            self._wrong_us.append(self.now_us())
            _log.warning("a wrong, ended or revoked token was shown from %s", client)
            raise _unauthorised(
                "this token is not known, has ended, was revoked or is a link that was used; ask for a new one",
                ' error="invalid_token"',
            )
        self._right[digest] = None
        if len(self._right) > _MOST_REMEMBERED:
            del self._right[next(iter(self._right))]
        return found

    def wrong_in_last_hour(self) -> int:
        """How many tokens that open nothing were shown in the last hour, as far as they are remembered."""
        now_us = self.now_us()
        return sum(now_us - _HOUR_US < at_us <= now_us for at_us in tuple(self._wrong_us))

    def now_us(self) -> int:
        """The time now, microseconds since 1970 UTC."""
        return to_us(self._clock())

    async def _granted(self, token: Token) -> Grant:
        self.tokens.note_use(token, self.now_us())
        return Grant(token.scopes, token.id, token.label)


DOORKEEPER: web.AppKey[Doorkeeper] = web.AppKey("doorkeeper", Doorkeeper)


def authorise(identify: Identify) -> Middleware:
    """A middleware that opens a route only to whoever the table of scopes names; `identify` tells who asks."""

    @web.middleware
    async def check_scope(request: web.Request, handler: Handler) -> web.StreamResponse:
        needed = _needed(request)
        if needed == ANYONE:
            request[GRANT] = Grant(ANYONE)
            return await handler(request)
        try:
            grant = await identify(request)
        except ProblemError as problem:
            if problem.problem.status == HTTPStatus.UNAUTHORIZED and _may_enter(request):
                raise web.HTTPSeeOther(ENTRANCE) from None
            raise
        if needed is not None and not grant.scopes & needed:
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


def _needed(request: web.Request) -> frozenset[Scope] | None:
    """The scopes that open the route; None if there is no such route, of which only who is known is told."""
    if request.match_info.http_exception is not None:
        return None
    [needed] = declared([request.match_info.route]).values()
    return needed


def _may_enter(request: web.Request) -> bool:
    """Whether it is a person at a browser, for whom there is a door."""
    return (
        request.method == "GET"
        and "text/html" in request.headers.get("Accept", "")
        and any(route.path == ENTRANCE for route in request.app[ROUTES])
    )


def _unauthorised(detail: str, error: str) -> ProblemError:
    return ProblemError(
        HTTPStatus.UNAUTHORIZED, detail, headers={"WWW-Authenticate": f'Bearer realm="moteledger"{error}'}
    )
