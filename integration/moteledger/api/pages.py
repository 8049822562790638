"""What people see: the page at `/`, each card at `/cards/NAME`, and the files they need under `/static`."""

import asyncio
from dataclasses import dataclass, replace
from datetime import timedelta
from http import HTTPStatus

from aiohttp import web
from pydantic import BaseModel, Field

from ..cards import (
    CARDS,
    STATIC_FILES,
    WATCHED_FOR,
    WATCHED_SIGNALS,
    AlarmShown,
    Arrived,
    Beside,
    Forms,
    LetterShown,
    Watched,
    ready_templates,
    render_card,
    render_page,
)
from ..engine.assessment import Assessment
from ..engine.fan_answer import FanAnswer
from ..engine.fan_score import Decision
from ..engine.filter_change import filter_changes
from ..settings import House
from ..store import Store, StoreError, from_us, to_us
from ..store.dead_letters import DeadLetter, DeadLetters
from ..store.tokens import Scope
from .alarms import shown_alarms
from .answers import decided
from .auth import GRANT
from .dead_letters import told
from .entrance import ENTRANCE_ROUTES
from .forms import CONTRACTOR_PAGE, FormKeeper
from .guarded import add_routes
from .problems import ProblemError
from .reporting import add_report
from .routing import SERVICE, Route, Service
from .scopes import SCOPES

_PAGE = "text/html"
CONTRACTOR_CARDS = tuple(name for name in CARDS if Scope.CONTRACTOR in SCOPES["GET", f"/cards/{name}"])
"""What a contractor must know to keep the air handler right, by the table of scopes."""

_STRIP_STEP_US = 20_000_000
_DECISIONS_SHOWN = 6


class CardPlace(BaseModel):
    """Which card."""

    name: str = Field(description=f"One of {', '.join(CARDS)}.")


class FilePlace(BaseModel):
    """Which file."""

    name: str = Field(description=f"One of {', '.join(STATIC_FILES)}.")


def add_pages(app: web.Application, house: House, *, banner: str = "") -> None:
    """Add the pages of `house` to the service; `banner` is told above everything."""

    keeper = FormKeeper(house)
    ready_templates()

    async def shown(request: web.Request) -> _Shown:
        service = request.app[SERVICE]
        alarms = tuple(AlarmShown(each.title, each.text, each.since, each.next_step) for each in shown_alarms(request))
        sees_letters = bool(request[GRANT].scopes & SCOPES["GET", "/v1/dead-letters"])
        found = await asyncio.to_thread(_shown, service, keeper.forms(request), alarms, service.source.current())
        letters = await asyncio.to_thread(_letters, service.store) if sees_letters else ()
        shows_decisions = request.path in ("/", "/cards/fan")
        lately = await asyncio.to_thread(_decided, service) if shows_decisions else ()
        return replace(found, beside=replace(found.beside, letters=letters, decided=lately))

    async def give_page(request: web.Request) -> web.StreamResponse:
        found, now = await shown(request), request.app[SERVICE].clock()
        return _html(
            render_page(found.assessment, house, now=now, banner=banner, answer=found.answer, beside=found.beside)
        )

    async def give_contractors_page(request: web.Request) -> web.StreamResponse:
        found, now = await shown(request), request.app[SERVICE].clock()
        return _html(
            render_page(found.assessment, house, now=now, banner=banner, beside=found.beside, names=CONTRACTOR_CARDS)
        )

    async def give_card(request: web.Request) -> web.StreamResponse:
        name, now = request.path.removeprefix("/cards/"), request.app[SERVICE].clock()
        if name not in CARDS:
            raise ProblemError(HTTPStatus.NOT_FOUND, f"there is no card {name!r}; there are {', '.join(CARDS)}")
        found = await shown(request)
        return _html(
            render_card(name, found.assessment, house, now=now, banner=banner, answer=found.answer, beside=found.beside)
        )

    # A route for each card, since not every card is for every token.
    cards = [
        Route("GET", f"/cards/{card.name}", give_card, f"The card alone: {card.title}", None, media_type=_PAGE)
        for card in CARDS.values()
    ]
    other = Route(
        "GET",
        "/cards/{name}",
        give_card,
        "Names the cards that there are",
        None,
        media_type=_PAGE,
        place=CardPlace,
        problems=(HTTPStatus.NOT_FOUND,),
    )
    pages = (
        Route("GET", "/", give_page, "The page of all cards", None, media_type=_PAGE),
        Route(
            "GET", CONTRACTOR_PAGE, give_contractors_page, "The page of a contractor's cards", None, media_type=_PAGE
        ),
    )
    add_routes(app, (*pages, *cards, other, *keeper.routes(), STATIC_ROUTE, *ENTRANCE_ROUTES))
    add_report(app, house)


async def give_static(request: web.Request) -> web.StreamResponse:
    """A file that the pages ask for."""
    file = STATIC_FILES.get(request.match_info["name"])
    if file is None:
        raise ProblemError(HTTPStatus.NOT_FOUND, f"there is no file {request.path}; see the page at /")
    return web.Response(body=file.content, headers={"Content-Type": file.content_type})


STATIC_ROUTE = Route(
    "GET",
    "/static/{name}",
    give_static,
    "A file that the pages ask for",
    None,
    media_type="*/*",
    place=FilePlace,
    problems=(HTTPStatus.NOT_FOUND,),
)


def _decided(service: Service) -> tuple[Decision, ...]:
    """The latest decisions on the fan; none while the store cannot be read, which the page tells elsewhere."""
    try:
        return decided(service, _DECISIONS_SHOWN)
    except StoreError:
        return ()


def _html(text: str) -> web.Response:
    # A form sent from a page without a referrer would name no origin, and be refused.
    return web.Response(
        text=text, content_type="text/html", charset="utf-8", headers={"Referrer-Policy": "same-origin"}
    )


@dataclass(frozen=True)
class _Shown:
    """What a page is drawn from."""

    assessment: Assessment | None
    answer: FanAnswer
    beside: Beside


def _shown(service: Service, forms: Forms, alarms: tuple[AlarmShown, ...], assessment: Assessment | None) -> _Shown:
    """What the store and the fan's control tell now; a store that does not answer leaves out what it knows."""
    answer = service.fan.answer()
    try:
        beside = _beside(service, has_assessment=assessment is not None)
    except StoreError:
        beside = Beside()
    return _Shown(assessment, answer, replace(beside, alarms=alarms, forms=forms))


def _letters(store: Store) -> tuple[LetterShown, ...]:
    """The dead letters, as far as the store tells."""
    try:
        letters = DeadLetters(store).all()
    except StoreError:
        return ()
    return tuple(_letter(letter) for letter in letters)


def _letter(letter: DeadLetter) -> LetterShown:
    message = told(letter)
    about = str(message.content.get("title") or "a change of the fan's answer")
    return LetterShown(letter.webhook, message.id, about, letter.status, from_us(letter.refused_us), again=letter.again)


def _beside(service: Service, *, has_assessment: bool) -> Beside:
    store, now_us = service.store, to_us(service.clock())
    if not has_assessment:
        extent = store.extent()
        arrived = Arrived(tuple(store.latest_all()), from_us(extent[0])) if extent is not None else Arrived()
        return Beside(arrived=arrived)
    start_us = now_us - WATCHED_FOR // timedelta(microseconds=1)
    return Beside(
        watched=tuple(_watched(store, signal, start_us, now_us) for signal in WATCHED_SIGNALS),
        filter_changed_on=filter_changes(store).newest,
    )


def _watched(store: Store, signal: str, start_us: int, now_us: int) -> Watched:
    """The last hour of a signal, in means so short that the strip shows them all, and its newest reading as it is."""
    thinned = store.thinned(signal, start_us, now_us, _STRIP_STEP_US)
    points = [
        (from_us(int(start + _STRIP_STEP_US // 2)), float(mean))
        for start, mean in zip(thinned.start_us, thinned.mean, strict=True)
    ]
    newest = store.latest(signal) if points else None
    if newest is not None:
        points = [*points[:-1], (from_us(newest.time_us), newest.value)]
    return Watched(signal, tuple(points))
