"""What every request must show and every answer carries, so that a strange web page can neither reach in nor look on.

A page of a stranger's site that resolves its own name to a loopback address (DNS rebinding) shows that name in the
Host header and is refused. A page that posts across origins must ask first, since JSON is no form's media type, and is
never allowed to: no CORS header is sent.
"""

import re
from collections.abc import Iterable
from http import HTTPStatus

from aiohttp import HttpVersion11, web
from aiohttp.typedefs import Handler, Middleware

from .problems import ProblemError, too_large

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")

_HOST = re.compile(r"(?P<name>\[[0-9a-f:.]+\]|[^:\[\]]+)(?::\d{1,5})?")
_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
        "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


def host_guard(names: Iterable[str]) -> Middleware:
    """A middleware that answers only requests addressed to one of `names` (any port)."""
    allowed = frozenset(name.lower() for name in names)

    @web.middleware
    async def check_host(request: web.Request, handler: Handler) -> web.StreamResponse:
        host = _HOST.fullmatch(request.headers.get("Host", "").lower())
        if host is None or host["name"].removesuffix(".") not in allowed:
            raise ProblemError(
                HTTPStatus.MISDIRECTED_REQUEST,
                f"this service answers only as {', '.join(sorted(allowed))}; use one of these names in the address",
            )
        return await handler(request)

    return check_host


async def add_security_headers(_: web.Request, response: web.StreamResponse) -> None:
    """Add the headers that every answer carries, where the handler has not set its own."""
    for name, value in _HEADERS.items():
        response.headers.setdefault(name, value)
    response.headers["Server"] = "moteledger"


async def expect_continue(request: web.Request) -> web.StreamResponse | None:
    """Answer `Expect: 100-continue` (RFC 9110 section 10.1.1): a body too large is refused before it is sent."""
    if request.headers["Expect"].lower() != "100-continue":
        return ProblemError(HTTPStatus.EXPECTATION_FAILED, "only Expect: 100-continue can be met; remove it").response()
    if (request.content_length or 0) > request.client_max_size:
        return too_large(request.client_max_size).response()
    if request.version >= HttpVersion11:
        await request.writer.write(b"HTTP/1.1 100 Continue\r\n\r\n")
    # The interim answer is no part of the final one: its length must not count as body already sent.
    request.writer.output_size = 0
    return None
