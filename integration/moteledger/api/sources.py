"""`GET /v1/sources`: what came from where, how it was converted, and what is missing."""

import asyncio

from aiohttp import web

from ..intake import SourcesReport
from ..store import to_us
from .routing import SERVICE, Route, json_answer


async def give_sources(request: web.Request) -> web.StreamResponse:
    """The state of every source; signals that the store knows from before count as known."""
    service = request.app[SERVICE]
    stored = await asyncio.to_thread(service.store.latest_all)
    return json_answer(service.arrivals.report(stored, to_us(service.clock())))


SOURCES_ROUTE = Route(
    "GET",
    "/v1/sources",
    give_sources,
    "What came from each source, signal by signal, and which signals are missing",
    SourcesReport,
)
