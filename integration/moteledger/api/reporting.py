"""The report for a client over HTTP: `/report` as a page, `/report.pdf`, and `/report.json` with all that both say.

It is made in a process of its own that ends with it: what typesets and plots would otherwise stay in a service that is
meant to be small. One report at a time; who asks meanwhile waits, and one that is still fresh is given again.
"""

import asyncio
import logging
import signal
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from http import HTTPStatus
from multiprocessing import get_context

from aiohttp import web

from ..engine import AssessmentError
from ..engine.filter_change import filter_changes
from ..engine.on_record import OnRecord
from ..settings import House
from ..store import Store, to_us
from .guarded import add_routes
from .problems import RETRY_AFTER_S, ProblemError
from .routing import SERVICE, Route

_log = logging.getLogger(__name__)

SPAN = timedelta(days=14)
"""As far back as the page looks."""
_FRESH = timedelta(minutes=5)
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'self'"


@dataclass(frozen=True)
class _Made:
    """A report in its three forms."""

    page: str
    pdf: bytes
    document: str


@dataclass(frozen=True)
class _Kept:
    """The newest report, when it was made, and the newest change of the filter that it knows of."""

    at: datetime
    changed_on: date | None
    made: _Made


def add_report(app: web.Application, house: House) -> None:
    """Add the report of `house` to the service."""
    waiting = asyncio.Lock()
    kept: _Kept | None = None

    async def made(request: web.Request) -> _Made:
        nonlocal kept
        service = request.app[SERVICE]
        async with waiting:
            now = service.clock()
            changed_on = (await asyncio.to_thread(filter_changes, service.store)).newest
            if kept is not None and timedelta(0) <= now - kept.at < _FRESH and kept.changed_on == changed_on:
                return kept.made
            record = await asyncio.to_thread(_record, service.store, house, now)
            try:
                found = await _in_a_process(house, record, now.astimezone(house.zone).date())
            except AssessmentError as error:
                raise ProblemError(HTTPStatus.SERVICE_UNAVAILABLE, f"there is no report yet: {error}") from None
            except BrokenProcessPool:
                _log.error("the process that makes the report was ended from outside, or could not start")
                raise ProblemError(
                    HTTPStatus.SERVICE_UNAVAILABLE,
                    "what makes the report was ended, most likely for want of memory; ask again when there is more",
                    headers={"Retry-After": str(RETRY_AFTER_S)},
                ) from None
            kept = _Kept(now, record.changed_on, found)
            return found

    async def give_page(request: web.Request) -> web.StreamResponse:
        page = (await made(request)).page
        headers = {"Content-Security-Policy": _POLICY}
        return web.Response(text=page, content_type="text/html", charset="utf-8", headers=headers)

    async def give_pdf(request: web.Request) -> web.StreamResponse:
        return web.Response(body=(await made(request)).pdf, content_type="application/pdf")

    async def give_document(request: web.Request) -> web.StreamResponse:
        return web.Response(text=(await made(request)).document, content_type="application/json")

    add_routes(
        app,
        (
            Route("GET", "/report", give_page, "The report for a client as a page", None, media_type="text/html"),
            Route("GET", "/report.pdf", give_pdf, "The report for a client as PDF", None, media_type="application/pdf"),
            Route(
                "GET", "/report.json", give_document, "The report for a client as JSON: all that page and PDF say", None
            ),
        ),
    )


def _record(store: Store, house: House, now: datetime) -> OnRecord:
    return OnRecord.of(store, house, to_us(now) + 1, SPAN)


async def _in_a_process(house: House, record: OnRecord, made_on: date) -> _Made:
    # Started afresh, not forked: a fork would inherit the service's threads and sockets.
    with ProcessPoolExecutor(1, mp_context=get_context("spawn"), initializer=_leave_interrupts) as process:
        return await asyncio.get_running_loop().run_in_executor(process, _make, house, record, made_on)


def _leave_interrupts() -> None:
    """Ctrl-C in a terminal reaches every process; ending is the service's to decide."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _make(house: House, record: OnRecord, made_on: date) -> _Made:
    from ..report import client_report, render_report_html, render_report_pdf  # noqa: PLC0415  only for this process

    found = client_report(house, record, made_on=made_on)
    return _Made(render_report_html(found, house), render_report_pdf(found, house), found.model_dump_json(indent=1))
