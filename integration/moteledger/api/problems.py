"""Errors as RFC 9457 problem details: what went wrong, for people and for machines, and nothing of the inside."""

import logging
from http import HTTPStatus

from aiohttp import web
from aiohttp.typedefs import Handler
from pydantic import BaseModel, ConfigDict, Field

from ..intake import Refusal
from ..store import StoreError

PROBLEM_MEDIA_TYPE = "application/problem+json"
RETRY_AFTER_S = 10
PACKED = ("gzip", "deflate")
"""The content codings that a body may have (RFC 9110 section 8.4.1)."""

_log = logging.getLogger(__name__)


class Problem(BaseModel):
    """Problem details (RFC 9457)."""

    model_config = ConfigDict(frozen=True)

    type: str = Field("about:blank", description="Always about:blank: the problem is what its status says.")
    title: str = Field(description="The status in words.")
    status: int = Field(description="The HTTP status code.")
    detail: str = Field(description="What is wrong with this request, and how to put it right.")
    place: str | None = Field(None, description="Where in the body (JSON Pointer) or which query parameter.")
    refusals: list[Refusal] | None = Field(None, description="Each refused record, if the problem is the records.")


class ProblemError(Exception):
    """Raised by a handler to answer with a problem; `headers` are added to the answer."""

    def __init__(
        self,
        status: HTTPStatus,
        detail: str,
        *,
        place: str | None = None,
        refusals: list[Refusal] | None = None,
        headers: dict[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        detail, place = _utf8(detail), None if place is None else _utf8(place)
        self.problem = Problem(title=status.phrase, status=status.value, detail=detail, place=place, refusals=refusals)
        self.headers = headers or {}

    def response(self) -> web.Response:
        """The answer to send."""
        return web.Response(
            status=self.problem.status,
            body=self.problem.model_dump_json(exclude_none=True).encode(),
            content_type=PROBLEM_MEDIA_TYPE,
            headers=self.headers,
        )


@web.middleware
async def answer_with_problems(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Turn whatever goes wrong in a handler into a problem; what is not the client's fault goes to the log."""
    try:
        return await handler(request)
    except ProblemError as error:
        return error.response()
    except web.HTTPException as error:
        if error.status < HTTPStatus.BAD_REQUEST:
            raise
        return _translated(request, error).response()
    except StoreError as error:
        # The message tells all; a trace for each refused request would fill what is left of the disk.
        _log.error("the store failed while answering %s %s: %s", request.method, request.path, error)
        if error.disk_is_full:
            return disk_full().response()
        return not_now("the store does not answer; nothing was kept, send it again later").response()
    except Exception:
        _log.exception("%s %s failed", request.method, request.path)
        return ProblemError(
            HTTPStatus.INTERNAL_SERVER_ERROR, "something went wrong here; the service's log says what"
        ).response()


def not_now(detail: str) -> ProblemError:
    """The problem of what may succeed later."""
    return ProblemError(HTTPStatus.SERVICE_UNAVAILABLE, detail, headers={"Retry-After": str(RETRY_AFTER_S)})


def disk_full() -> ProblemError:
    """The problem of what may succeed once there is room on the disk."""
    return ProblemError(
        HTTPStatus.INSUFFICIENT_STORAGE,
        "the disk of the service is full; nothing of this was kept, free some space and send it again",
        headers={"Retry-After": str(RETRY_AFTER_S)},
    )


def too_large(limit: int) -> ProblemError:
    """The problem of a body over the limit (bytes, after unpacking)."""
    return ProblemError(
        HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"the body is larger than {limit} bytes; send it in several requests"
    )


def packed_strangely() -> ProblemError:
    """The problem of a body in a content coding that is not known here (RFC 9110 sections 8.4 and 15.5.16)."""
    known = ", ".join(PACKED)
    return ProblemError(
        HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
        f"the body's Content-Encoding is not known here; send it plain or as {known}, once",
        headers={"Accept-Encoding": known},
    )


def _translated(request: web.Request, error: web.HTTPException) -> ProblemError:
    match error:
        case web.HTTPNotFound():
            return ProblemError(HTTPStatus.NOT_FOUND, f"there is nothing at {request.path}; see /openapi.json")
        case web.HTTPMethodNotAllowed():
            allowed = ", ".join(sorted(error.allowed_methods))
            detail = f"{request.method} is not for {request.path}; use {allowed}"
            return ProblemError(HTTPStatus.METHOD_NOT_ALLOWED, detail, headers={"Allow": allowed})
        case web.HTTPRequestEntityTooLarge():
            return too_large(request.client_max_size)
        case _:
            return ProblemError(HTTPStatus(error.status), error.reason)


def _utf8(text: str) -> str:
    """The text without what UTF-8 cannot carry: bytes of a header that were no UTF-8 arrive as lone surrogates."""
    return text.encode("utf-8", "replace").decode("utf-8")
