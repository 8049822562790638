"""Asking again only for what has changed: entity tags for all that is read (RFC 9110 section 13).

The tag is the hash of what would be sent, so it cannot miss a change. There is no Last-Modified: its grain of a second,
and an assessment that may be made anew for the same period, could hide one.
"""

from hashlib import sha256
from http import HTTPStatus

from aiohttp import web
from aiohttp.typedefs import Handler

_TAG_LENGTH = 32


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
        unchanged = web.Response(status=HTTPStatus.NOT_MODIFIED)
        _mark(unchanged, tag)
        return unchanged
    _mark(response, tag)
    return response


def _mark(response: web.Response, tag: str) -> None:
    response.etag = tag
    # Kept by the reader alone, and asked for again each time: what another token may see is another answer.
    response.headers["Cache-Control"] = "private, no-cache"
    response.headers.add("Vary", "Authorization, Cookie")
