"""Asking again only for what has changed: entity tags for all that is read (RFC 9110 section 13).

The tag is the hash of what would be sent, so it cannot miss a change. There is no Last-Modified: its grain of a second,
and an assessment that may be made anew for the same period, could hide one.
"""

from hashlib import sha256
from http import HTTPStatus

from aiohttp import web
from aiohttp.typedefs import Handler

_TAG_LENGTH = 32
_OF_THE_BODY = frozenset({"CONTENT-TYPE", "CONTENT-LENGTH", "CONTENT-ENCODING"})


@web.middleware
async def answer_conditionally(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Tag a whole answer to GET or HEAD; where the client holds it already, say so instead of sending it.

    An answer whose handler has said how it may be cached, and a stream, are left alone.
    """
    response = await handler(request)
    if (
        request.method not in ("GET", "HEAD")
        or not isinstance(response, web.Response)
        or response.status != HTTPStatus.OK
        or not isinstance(response.body, bytes)
        or "Cache-Control" in response.headers
    ):
        return response
    tag = sha256(response.body).hexdigest()[:_TAG_LENGTH]
    held = request.if_none_match or ()
    if any(etag.value in ("*", tag) for etag in held):
        # Its headers take the place of those that are held (RFC 9111 section 3.2), so the page's own policies
        # must stand here as well: a report that comes under the general one loses all its style.
        of_the_page = {name: value for name, value in response.headers.items() if name.upper() not in _OF_THE_BODY}
        unchanged = web.Response(status=HTTPStatus.NOT_MODIFIED, headers=of_the_page)
        _mark(unchanged, tag)
        return unchanged
    _mark(response, tag)
    return response


def _mark(response: web.Response, tag: str) -> None:
    response.etag = tag
    # Kept by the reader alone, and asked for again each time: what another token may see is another answer.
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers.add("Vary", "Authorization, Cookie")
