"""Reading a request's query: each parameter known, once, and of the right form, or one clear problem."""

from http import HTTPStatus
from typing import TypeVar

from aiohttp import web
from pydantic import BaseModel, ConfigDict, ValidationError

from .problems import ProblemError

M = TypeVar("M", bound=BaseModel)

_LONGEST_NAME = 100
_LONGEST_VALUE = 60


class NoParameters(BaseModel):
    """The query of a path that has no parameters."""

    model_config = ConfigDict(extra="forbid")


def read_query(request: web.Request, model: type[M]) -> M:
    """The query of a request as `model` has it; raises ProblemError naming the parameter, its value and the fix."""
    for name in request.query:
        if len(request.query.getall(name)) > 1:
            raise _problem(name, f"{name[:_LONGEST_NAME]} stands twice; give it once")
    try:
        return model.model_validate(dict(request.query))
    except ValidationError as error:
        # A name written wrongly is told before the right one that is therefore missing.
        detail = min(error.errors(), key=lambda each: each["type"] != "extra_forbidden")
    name = str(detail["loc"][0])[:_LONGEST_NAME]
    if detail["type"] == "missing":
        raise _problem(name, f"{name} is missing; add it")
    if detail["type"] == "extra_forbidden":
        known = [str(field.alias or key) for key, field in model.model_fields.items()]
        raise _problem(name, f"{name} is no parameter of this path; {_known(known)}")
    reason = str(detail["msg"]).removeprefix("Value error, ")
    value = str(detail["input"])[:_LONGEST_VALUE]
    raise _problem(name, f"{name}: {reason}" if repr(value) in reason else f"{name}: {value!r} {reason}")


def _known(known: list[str]) -> str:
    if not known:
        return "it takes none, so leave it out"
    return f"known {'is' if len(known) == 1 else 'are'} {', '.join(known)}"


def _problem(name: str, told: str) -> ProblemError:
    return ProblemError(HTTPStatus.BAD_REQUEST, told, place=name[:_LONGEST_NAME])
