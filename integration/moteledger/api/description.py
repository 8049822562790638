"""The service described by itself: OpenAPI 3.1, made from the routes that exist and the models they use."""

import asyncio
import json
import re
from collections.abc import Callable, Iterable
from http import HTTPStatus
from importlib.metadata import version
from typing import Any

from aiohttp import web
from pydantic import BaseModel
from pydantic.json_schema import JsonSchemaMode, models_json_schema

from .auth import COOKIE, ENTRANCE
from .problems import PROBLEM_MEDIA_TYPE, Problem
from .routing import ROUTES, Route
from .scopes import SCOPES

DESCRIPTION_PATH = "/openapi.json"

_PAGE = "text/html"
_REFERENCE = "#/components/schemas/{model}"
_ALWAYS_POSSIBLE = (
    HTTPStatus.UNAUTHORIZED,
    HTTPStatus.FORBIDDEN,
    HTTPStatus.MISDIRECTED_REQUEST,
    HTTPStatus.TOO_MANY_REQUESTS,
    HTTPStatus.INTERNAL_SERVER_ERROR,
    HTTPStatus.SERVICE_UNAVAILABLE,
)
_IN_WRITING = (HTTPStatus.INSUFFICIENT_STORAGE,)

_SECURITY_SCHEMES = {
    "bearer": {
        "type": "http",
        "scheme": "bearer",
        "description": "A token made with `moteledger token new`; the scopes of an operation are alternatives.",
    },
    "browser": {
        "type": "apiKey",
        "in": "cookie",
        "name": COOKIE,
        "description": f"What a browser gets at {ENTRANCE} for a token or a link.",
    },
}

References = Callable[[type[BaseModel], JsonSchemaMode], dict[str, Any]]


def description_route(*, needs_tokens: bool = False) -> Route:
    """The route of the description of all routes of the application, and of whether requests must show a token.

    It is made when it is first asked for: most services never are, and it takes a while.
    """
    made: list[bytes] = []

    async def give(request: web.Request) -> web.StreamResponse:
        if not made:
            routes: list[Route] = request.app[ROUTES]
            made.append(await asyncio.to_thread(_written, routes, needs_tokens))
        return web.Response(body=made[0], content_type="application/json")

    return Route("GET", DESCRIPTION_PATH, give, "This description", None)


def _written(routes: list[Route], needs_tokens: bool) -> bytes:
    return json.dumps(describe(routes, needs_tokens=needs_tokens)).encode()


def describe(routes: Iterable[Route], *, needs_tokens: bool) -> dict[str, Any]:
    """The OpenAPI 3.1 document of `routes`; without `needs_tokens`, a token may be left out everywhere."""
    routes = tuple(routes)
    given = {Problem} | {model for route in routes for model in _answers(route)}
    taken = {model for route in routes for models in route.takes.values() for model in models}
    wanted: list[tuple[type[BaseModel], JsonSchemaMode]] = [
        *((model, "serialization") for model in sorted(given, key=lambda model: model.__name__)),
        *((model, "validation") for model in sorted(taken, key=lambda model: model.__name__)),
    ]
    keys, definitions = models_json_schema(wanted, ref_template=_REFERENCE)
    paths: dict[str, dict[str, Any]] = {}
    for route in routes:
        paths.setdefault(route.path, {})[route.method.lower()] = _operation(
            route, lambda model, mode: keys[model, mode]
        ) | {"security": _security(route, needs_tokens)}
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Moteledger",
            "version": version("moteledger"),
            "description": "Keeps the books on the particles in a house's air.",
        },
        "paths": paths,
        "components": {"schemas": definitions.get("$defs", {}), "securitySchemes": _SECURITY_SCHEMES},
    }


def _security(route: Route, needs_tokens: bool) -> list[dict[str, list[str]]]:
    """The alternatives of which one must be met: each scope that opens the route, by each way of showing a token."""
    scopes = sorted(SCOPES[route.method, route.path])
    alternatives = [{scheme: [scope.value]} for scheme in _SECURITY_SCHEMES for scope in scopes]
    return alternatives if needs_tokens else [{}, *alternatives]


def _answers(route: Route) -> tuple[type[BaseModel], ...]:
    if route.answer is None:
        return ()
    return route.answer if isinstance(route.answer, tuple) else (route.answer,)


def _operation(route: Route, reference: References) -> dict[str, Any]:
    operation: dict[str, Any] = {"summary": route.summary, "operationId": _operation_id(route)}
    parameters = [
        *(_parameters(route.place, "path") if route.place is not None else ()),
        *(_parameters(route.parameters, "query") if route.parameters is not None else ()),
    ]
    if parameters:
        operation["parameters"] = parameters
    if route.takes:
        content = {
            media: {"schema": _one_of([reference(model, "validation") for model in models])}
            for media, models in route.takes.items()
        }
        operation["requestBody"] = {"required": True, "content": content}
    problem = {PROBLEM_MEDIA_TYPE: {"schema": reference(Problem, "serialization")}}
    if route.done == HTTPStatus.SEE_OTHER:
        # A form that is not taken is told on a page, for the person who sent it.
        problem[_PAGE] = {"schema": {"type": "string"}}
    operation["responses"] = {
        **_good(route, reference),
        **{
            str(status.value): {"description": status.phrase, "content": problem}
            for status in sorted({*route.problems, *_ALWAYS_POSSIBLE, *(() if route.method == "GET" else _IN_WRITING)})
        },
    }
    return operation


def _good(route: Route, reference: References) -> dict[str, Any]:
    """The answers to a request that can be met, by status."""
    if route.done != HTTPStatus.OK:
        return {str(route.done.value): {"description": route.done.phrase}}
    schemas = [reference(model, "serialization") for model in _answers(route)] or [_anything(route.media_type)]
    good: dict[str, Any] = {"200": {"description": "Done", "content": {route.media_type: {"schema": _one_of(schemas)}}}}
    if route.method == "GET":
        good["304"] = {"description": "Unchanged since the answer whose ETag was sent along"}
        if route.media_type == _PAGE:
            good["303"] = {"description": f"To {ENTRANCE}, for a browser without the token that is asked for"}
    return good


def _anything(media_type: str) -> dict[str, Any]:
    """Text, an object where the media type is one of JSON, else bytes (which OpenAPI 3.1 tells by no schema)."""
    if media_type.startswith("text/") or media_type.endswith("-text"):
        return {"type": "string"}
    return {"type": "object"} if media_type.endswith("json") else {}


def _operation_id(route: Route) -> str:
    words = re.split(r"[/.{}-]+", route.path.strip("/.{}") or "page")
    return route.method.lower() + "".join(word.capitalize() for word in words)


def _parameters(model: type[BaseModel], place: str) -> list[dict[str, Any]]:
    schema = model.model_json_schema(mode="validation")
    return [
        {
            "name": name,
            "in": place,
            "required": name in schema.get("required", ()),
            "description": about.pop("description", ""),
            "schema": _without_null(about),
        }
        for name, about in schema["properties"].items()
    ]


def _without_null(schema: dict[str, Any]) -> dict[str, Any]:
    """A query parameter is left out, never null."""
    kept = [choice for choice in schema.get("anyOf", [schema]) if choice.get("type") != "null"]
    return {key: value for key, value in _one_of(kept).items() if key not in ("title", "default")}


def _one_of(schemas: list[dict[str, Any]]) -> dict[str, Any]:
    return schemas[0] if len(schemas) == 1 else {"anyOf": schemas}
