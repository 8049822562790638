"""`/.well-known/wot`: the service as a W3C Thing Description 1.1, for programs that know that and not this service.

It names what another machine in the house wants: the pressure at the filter, the air, the fan's override, alarms. An
interaction stands in it only if its route is served.
"""

import json
from collections.abc import Iterable
from datetime import timedelta
from typing import Any

from aiohttp import web

from ..engine.fan_control import LONGEST_OVERRIDE
from .routing import Route

THING_PATH = "/.well-known/wot"
THING_MEDIA_TYPE = "application/td+json"

_MOST_MINUTES = LONGEST_OVERRIDE // timedelta(minutes=1)
_ACTION = {"type": "string", "enum": ["run", "rest", "leave"]}
_ANSWER = {
    "type": "object",
    "properties": {"action": _ACTION, "reason": {"type": "string"}, "valid_until": {"type": "string"}},
    "required": ["action", "reason", "valid_until"],
}


def thing_route(others: Iterable[Route], *, needs_tokens: bool) -> Route:
    """The route of the Thing Description of a service with these other routes."""
    served = {(route.method, route.path) for route in others}

    async def give(request: web.Request) -> web.StreamResponse:
        described = describe_thing(f"{request.scheme}://{request.host}", served, needs_tokens=needs_tokens)
        return web.Response(body=json.dumps(described).encode(), content_type=THING_MEDIA_TYPE)

    return Route("GET", THING_PATH, give, "This service as a W3C Thing Description", None, media_type=THING_MEDIA_TYPE)


def describe_thing(base: str, served: set[tuple[str, str]], *, needs_tokens: bool) -> dict[str, Any]:
    """The Thing Description of a service at `base` that serves the (method, path) of `served`."""
    security = "bearer_sc" if needs_tokens else "nosec_sc"
    schemes = {
        "bearer_sc": {"scheme": "bearer", "in": "header", "name": "Authorization"},
        "nosec_sc": {"scheme": "nosec"},
    }
    return {
        "@context": "https://www.w3.org/2022/wot/td/v1.1",
        "title": "Moteledger",
        "description": "The account of the particles in a house's air.",
        "base": base,
        "securityDefinitions": {security: schemes[security]},
        "security": [security],
        "properties": _offered(_PROPERTIES, served),
        "actions": _offered(_ACTIONS, served),
        "events": _offered(_EVENTS, served),
    }


def _form(method: str, path: str, operation: str, *, query: str = "", **more: str) -> dict[str, Any]:
    return {"href": path + query, "op": [operation], "htv:methodName": method, **more}


def _stream(operation: str, query: str) -> dict[str, Any]:
    return _form("GET", "/v1/live", operation, query=query, subprotocol="sse", contentType="text/event-stream")


def _offered(interactions: dict[str, dict[str, Any]], served: set[tuple[str, str]]) -> dict[str, dict[str, Any]]:
    """The interactions with the forms that are served; one without any is left out."""
    offered = {}
    for name, about in interactions.items():
        forms = [form for form in about["forms"] if (form["htv:methodName"], form["href"].partition("?")[0]) in served]
        if forms:
            offered[name] = {**about, "forms": forms}
    return offered


_PROPERTIES = {
    "pressure": {
        "title": "Pressure drop across the filter, Pa, over the last day",
        "type": "object",
        "properties": {
            "signal": {"type": "string"},
            "unit": {"type": "string"},
            "time": {"type": "array", "items": {"type": "string"}},
            "value": {"type": "array", "items": {"type": "number"}},
        },
        "readOnly": True,
        "forms": [_form("GET", "/v1/readings", "readproperty", query="?signal=filter.pressure_drop")],
    },
    "air": {
        "title": "The air indoors and outdoors now",
        "type": "object",
        "properties": {"house": {"type": "string"}, "air": {"type": "object"}},
        "readOnly": True,
        "forms": [_form("GET", "/v1/air", "readproperty")],
    },
}
_ACTIONS = {
    "overrideFan": {
        "title": "Let a person's wish stand in for the plan, for a while",
        "input": {
            "type": "object",
            "properties": {
                "action": _ACTION,
                "minutes": {"type": "integer", "minimum": 1, "maximum": _MOST_MINUTES},
                "note": {"type": "string", "maxLength": 200},
            },
            "required": ["action", "minutes"],
        },
        "output": _ANSWER,
        "idempotent": True,
        "forms": [_form("PUT", "/v1/answer/fan/override", "invokeaction")],
    },
    "followPlan": {
        "title": "Go back from a person's wish to the plan",
        "output": _ANSWER,
        "idempotent": True,
        "forms": [_form("DELETE", "/v1/answer/fan/override", "invokeaction")],
    },
}
_EVENTS = {
    "alarm": {
        "title": "An alarm was raised or has ended; other events of the stream are to be passed over",
        "data": {"type": "object"},
        "forms": [_stream("subscribeevent", "")],
    },
}
