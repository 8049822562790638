"""Reading a request's body: in time, whole, of a media type that is known.

One rule for all: what cannot be read as what it says it is is a bad request (400, RFC 9110 section 15.5.1); what can be
read but does not hold what the route takes is unprocessable (422, section 15.5.21), and its place is named.
"""

import asyncio
from http import HTTPStatus
from typing import TypeVar

from aiohttp import web
from aiohttp.http_exceptions import HttpProcessingError
from pydantic import BaseModel, ValidationError

from ..intake.documents import DocumentError, json_document
from .problems import PACKED, ProblemError, packed_strangely, too_large

M = TypeVar("M", bound=BaseModel)

BODY_PATIENCE_S = 30.0
JSON_MEDIA_TYPE = "application/json"

_LONGEST_PLACE = 100


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
    if request.headers.get("Content-Encoding", "").strip().lower() not in ("", "identity", *PACKED):
        raise packed_strangely()
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


async def read_model(request: web.Request, model: type[M], example: str) -> M:
    """The JSON body as `model` has it; raises ProblemError, which shows `example`, for any other."""
    body = await read_body(request, JSON_MEDIA_TYPE)
    try:
        json_document(body)
        return model.model_validate_json(body)
    except DocumentError as error:
        raise unusable(f"the body: {error}; send {example}", "", readable=False) from None
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
    place = "".join(f"/{_escaped(str(part))}" for part in first["loc"])[:_LONGEST_PLACE]
    what = place.removeprefix("/") or "the body"
    told = f"{what}: {first['msg'].removeprefix('Value error, ')}; send {example}"
    raise unusable(told, place, readable=first["type"] != "json_invalid")


def unusable(told: str, place: str, *, readable: bool) -> ProblemError:
    """The problem of a body that holds not what it should, or cannot even be read."""
    status = HTTPStatus.UNPROCESSABLE_ENTITY if readable else HTTPStatus.BAD_REQUEST
    return ProblemError(status, told, place=place)


def _escaped(member: str) -> str:
    """A member's name as a reference token (RFC 6901 section 3)."""
    return member.replace("~", "~0").replace("/", "~1")


BODY_PROBLEMS = (
    HTTPStatus.BAD_REQUEST,
    HTTPStatus.REQUEST_TIMEOUT,
    HTTPStatus.REQUEST_ENTITY_TOO_LARGE,
    HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    HTTPStatus.EXPECTATION_FAILED,
    HTTPStatus.UNPROCESSABLE_ENTITY,
)
"""What may be wrong with a body; for the description of routes that take one."""
