"""The shape of a route: what is served, what describes it, and what handlers share."""

from collections.abc import Awaitable, Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import datetime
from http import HTTPStatus
from typing import Protocol

from aiohttp import web
from pydantic import BaseModel

from ..engine.assessment import Assessment
from ..engine.fan_control import FanControl
from ..intake import Arrivals
from ..store import Store


class AssessmentSource(Protocol):
    """Whoever knows the newest assessment of the house."""

    def current(self) -> Assessment | None:
        """The newest assessment, or None while there is none yet."""
        ...


@dataclass(frozen=True)
class Service:
    """What the handlers share; `clock` gives the time now as an aware datetime."""

    store: Store
    source: AssessmentSource
    fan: FanControl
    clock: Callable[[], datetime]
    intake_threads: ThreadPoolExecutor
    arrivals: Arrivals


SERVICE: web.AppKey[Service] = web.AppKey("service", Service)


@dataclass(frozen=True)
class Route:
    """One method of one path, with all that its description needs.

    `answer` is the model of the 200 answer's JSON (None: any object); `parameters` the model of the query and
    `place` that of what stands in braces in the path; `takes` the models a body may follow, by media type; `done` the
    status of a good answer; `problems` the statuses beside those that every route may answer.
    """

    method: str
    path: str
    handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
    summary: str
    answer: type[BaseModel] | tuple[type[BaseModel], ...] | None
    parameters: type[BaseModel] | None = None
    takes: dict[str, tuple[type[BaseModel], ...]] = field(default_factory=dict)
    problems: tuple[HTTPStatus, ...] = ()
    media_type: str = "application/json"
    place: type[BaseModel] | None = None
    done: HTTPStatus = HTTPStatus.OK


ROUTES: web.AppKey[list[Route]] = web.AppKey("routes", list)
"""All routes that the application serves, for its description."""


def json_answer(model: BaseModel) -> web.Response:
    """A model as the JSON answer to a request."""
    return web.Response(body=model.model_dump_json(by_alias=True).encode(), content_type="application/json")
