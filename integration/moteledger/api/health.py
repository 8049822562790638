"""`GET /healthz`: whether the service can do its work now."""

import asyncio
from typing import Literal

from aiohttp import web
from pydantic import BaseModel, Field

from ..engine.newest import newest_now
from ..intake import text_of
from ..signals import OUTDOOR_FORECAST
from ..store import to_us
from .routing import SERVICE, Route, json_answer


class Health(BaseModel):
    """The service answers and its store can be read."""

    status: Literal["ok", "warn"] = Field(description="warn while the store cannot be written: readings are refused.")
    time: str = Field(description="The service's clock.")
    newest_reading: str | None = Field(description="The time of the newest reading of any signal, if there is any.")
    store_trouble: str | None = Field(description="Why the store cannot be written, null if it can.")
    failing_sources: int = Field(description="How many sources and collectors are out of reach; /v1/sources says why.")


async def give_health(request: web.Request) -> web.StreamResponse:
    """Read the store; a store that fails is answered with a problem by the middleware."""
    service = request.app[SERVICE]
    readings = await asyncio.to_thread(newest_now, service.store, service.clock())
    times_us = [reading.time_us for name, reading in readings.items() if name != OUTDOOR_FORECAST]
    newest = text_of(max(times_us)) if times_us else None
    failing = sum(source.state == "failing" for source in service.arrivals.sources())
    trouble = service.store.trouble()
    answer = json_answer(
        Health(
            status="ok" if trouble is None else "warn",
            time=text_of(to_us(service.clock())),
            newest_reading=newest,
            store_trouble=None if trouble is None else trouble.problem,
            failing_sources=failing,
        )
    )
    answer.headers["Cache-Control"] = "no-store"
    return answer


HEALTH_ROUTE = Route("GET", "/healthz", give_health, "Whether the service can do its work now", Health)
