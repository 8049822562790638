"""What people see: the page at `/`, each card at `/cards/NAME`, and the files they need under `/static`."""

import asyncio
from http import HTTPStatus

from aiohttp import web

from ..cards import CARDS, STATIC_FILES, render_card, render_page
from ..settings import House
from .entrance import add_entrance
from .problems import ProblemError
from .routing import SERVICE


def add_pages(app: web.Application, house: House, *, banner: str = "") -> None:
    """Add the pages of `house` to the service; `banner` is told above everything."""

    async def give_page(request: web.Request) -> web.StreamResponse:
        service = request.app[SERVICE]
        answer = await asyncio.to_thread(service.fan.answer)
        return _html(render_page(service.source.current(), house, now=service.clock(), banner=banner, answer=answer))

    async def give_card(request: web.Request) -> web.StreamResponse:
        name, service = request.path.removeprefix("/cards/"), request.app[SERVICE]
        if name not in CARDS:
            raise ProblemError(HTTPStatus.NOT_FOUND, f"there is no card {name!r}; there are {', '.join(CARDS)}")
        answer, current = await asyncio.to_thread(service.fan.answer), service.source.current()
        return _html(render_card(name, current, house, now=service.clock(), banner=banner, answer=answer))

    app.router.add_get("/", give_page)
    # A route for each card, since not every card is for every token.
    for name in (*CARDS, "{name}"):
        app.router.add_get(f"/cards/{name}", give_card)
    app.router.add_get("/static/{name}", _give_static)
    add_entrance(app)


async def _give_static(request: web.Request) -> web.StreamResponse:
    file = STATIC_FILES.get(request.match_info["name"])
    if file is None:
        raise ProblemError(HTTPStatus.NOT_FOUND, f"there is no file {request.path}; see the page at /")
    return web.Response(body=file.content, headers={"Content-Type": file.content_type})


def _html(text: str) -> web.Response:
    return web.Response(text=text, content_type="text/html", charset="utf-8")
