"""Reading a request's body: in time, whole, of a media type that is known."""

import asyncio
from http import HTTPStatus

from aiohttp import web
from aiohttp.http_exceptions import HttpProcessingError

from .problems import ProblemError, too_large

BODY_PATIENCE_S = 30.0
JSON_MEDIA_TYPE = "application/json"


async def read_body(request: web.Request, *media_types: str) -> bytes:
    """The body, unpacked; raises ProblemError for another media type, too large, too slow, cut short or badly packed.

    JSON is no form's media type, so a page of a stranger's site cannot post it without asking first.
    """
    if request.content_type not in media_types:
        raise ProblemError(
            HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
            f"the body's Content-Type is {request.content_type}; send {' or '.join(media_types)}",
            headers={"Accept-Post": ", ".join(media_types)},
        )
    if (request.content_length or 0) > request.client_max_size:
        raise too_large(request.client_max_size)
    try:
        async with asyncio.timeout(BODY_PATIENCE_S):
            return await request.read()
    except TimeoutError:
        raise ProblemError(
            HTTPStatus.REQUEST_TIMEOUT,
            f"the body did not arrive within {BODY_PATIENCE_S:g} s; send it again",
            headers={"Connection": "close"},
        ) from None
    except ConnectionError:
        # The client has left in the middle; nobody will read this, and the log need not know.
        raise ProblemError(HTTPStatus.BAD_REQUEST, "the body was cut short; send it again") from None
    except (web.RequestPayloadError, HttpProcessingError):
        raise ProblemError(
            HTTPStatus.BAD_REQUEST, "the body is not what its Content-Encoding says; pack it again or send it plain"
        ) from None


BODY_PROBLEMS = (
    HTTPStatus.BAD_REQUEST,
    HTTPStatus.REQUEST_TIMEOUT,
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    HTTPStatus.EXPECTATION_FAILED,
    HTTPStatus.UNPROCESSABLE_ENTITY,
)
"""What may be wrong with a body; for the description of routes that take one."""
