"""What every request must show and every answer carries, so that a strange web page can neither reach in nor look on.

A page of a stranger's site that resolves its own name to a loopback address (DNS rebinding) shows that name in the
Host header and is refused. A browser that changes something names the page it does so for (Origin, or the word of
Sec-Fetch-Site); only pages of this service and of the origins that the house file lists may. Only those may read across
origins, with a token of their own and never with the reader's cookie.
"""

import re
from collections.abc import Awaitable, Callable, Iterable
from http import HTTPStatus

from aiohttp import HttpVersion11, web
from aiohttp.typedefs import Handler, Middleware

from ..settings import Network
from .problems import ProblemError, too_large

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS", "TRACE"})
"""They change nothing (RFC 9110 section 9.2.1)."""

_HOST = re.compile(r"(?P<name>\[[0-9a-f:.]+\]|[^:\[\]]+)(?::\d{1,5})?")
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; font-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'self'"
)
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
_EMBEDDABLE = "/cards/"
_PREFLIGHT_S = 600


def host_guard(names: Iterable[str]) -> Middleware:
    """A middleware that answers only requests addressed to one of `names` (any port)."""
    allowed = frozenset(name.lower() for name in names)

    @web.middleware
    async def check_host(request: web.Request, handler: Handler) -> web.StreamResponse:
        host = _HOST.fullmatch(_asked_of(request).lower())
        if host is None or host["name"].removesuffix(".") not in allowed:
            raise ProblemError(
                HTTPStatus.MISDIRECTED_REQUEST,
                f"this service answers only as {', '.join(sorted(allowed))}; use one of these names in the address",
            )
        return await handler(request)

    return check_host


def _asked_of(request: web.Request) -> str:
    """Whom the request is for: a whole address in its first line stands above the Host header (RFC 9112, 3.2.2)."""
    scheme, whole, rest = request.raw_path.partition("://")
    if whole and scheme.isalpha():
        return rest.partition("/")[0].partition("?")[0]
    return request.headers.get("Host", "")


def origin_guard(allowed_origins: Iterable[str]) -> Middleware:
    """A middleware that lets no page but this service's own and those of `allowed_origins` change anything.

    It answers the preflight request of the allowed ones; nobody else's is granted. A program that is no browser says
    nothing of an origin and needs none.
    """
    allowed = frozenset(allowed_origins)

    @web.middleware
    async def check_origin(request: web.Request, handler: Handler) -> web.StreamResponse:
        origin = request.headers.get("Origin", "").lower()
        if request.method == "OPTIONS" and origin in allowed and "Access-Control-Request-Method" in request.headers:
            return web.Response(
                status=HTTPStatus.NO_CONTENT,
                headers={
                    "Access-Control-Allow-Methods": "GET, HEAD, POST, PUT, DELETE",
                    "Access-Control-Allow-Headers": "Authorization, Content-Type, If-None-Match, Last-Event-ID",
                    "Access-Control-Max-Age": str(_PREFLIGHT_S),
                },
            )
        if request.method not in SAFE_METHODS and not _known_page(request, origin, allowed):
            raise ProblemError(
                HTTPStatus.FORBIDDEN,
                "a page of another origin may change nothing here; list its origin in allowed_origins of [network]",
            )
        return await handler(request)

    return check_origin


def _known_page(request: web.Request, origin: str, allowed: frozenset[str]) -> bool:
    if not origin:
        return request.headers.get("Sec-Fetch-Site", "none") in ("none", "same-origin")
    # A proxy that speaks TLS in front of this service changes the scheme and nothing else; one port speaks one scheme.
    return origin in allowed or origin.partition("://")[2] == request.headers.get("Host", "").lower()


def security_headers(network: Network) -> Callable[[web.Request, web.StreamResponse], Awaitable[None]]:
    """What adds the headers that every answer carries, where the handler has not set its own."""
    allowed = frozenset(network.allowed_origins)
    embeddable = " ".join((_POLICY, *network.embed_origins))

    async def add(request: web.Request, response: web.StreamResponse) -> None:
        headers = response.headers
        for name, value in _HEADERS.items():
            headers.setdefault(name, value)
        headers.setdefault("Content-Security-Policy", embeddable if request.path.startswith(_EMBEDDABLE) else _POLICY)
        headers["Server"] = "moteledger"
        if allowed:
            headers.add("Vary", "Origin")
            origin = request.headers.get("Origin", "")
            if origin.lower() in allowed:
                headers["Access-Control-Allow-Origin"] = origin
                headers["Access-Control-Expose-Headers"] = "ETag, Retry-After, WWW-Authenticate"

    return add


def bare_headers() -> dict[str, str]:
    """The headers of an answer to what never became a request."""
    return {**_HEADERS, "Content-Security-Policy": _POLICY, "Server": "moteledger"}


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
