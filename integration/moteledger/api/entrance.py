"""The door for browsers: `/enter#TOKEN` takes a token or a link once and gives a cookie in its place.

What follows # in an address is sent to no server and stands in no log and in no Referer; the page takes it from there,
clears it from the address and the history, and sends it in a body.
"""

from typing import Annotated

from aiohttp import web
from pydantic import BaseModel, ConfigDict, Field

from ..cards import render_entrance
from ..store.tokens import Scope
from .auth import COOKIE, DOORKEEPER, ENTRANCE
from .bodies import BODY_PROBLEMS, JSON_MEDIA_TYPE, read_model
from .routing import Route, json_answer
from .scopes import SCOPES

_LONGEST_COOKIE_S = 400 * 86_400
"""Browsers keep no cookie longer (RFC 6265bis section 5.5, from memory)."""

_LANDINGS = ("/", "/contractor")


class Entering(BaseModel):
    """A token or the token of a link."""

    model_config = ConfigDict(extra="forbid", strict=True)

    token: Annotated[str, Field(max_length=200)]


class Entered(BaseModel):
    """Where the browser may go now."""

    goes_to: str


async def _give_page(_: web.Request) -> web.StreamResponse:
    return web.Response(
        text=render_entrance(), content_type="text/html", charset="utf-8", headers={"Cache-Control": "no-store"}
    )


async def _enter(request: web.Request) -> web.StreamResponse:
    """Exchange a token for the cookie of this browser."""
    text = (await read_model(request, Entering, '{"token": "mote_..."}')).token
    doorkeeper = request.app[DOORKEEPER]
    token, cookie = await doorkeeper.check(request, doorkeeper.tokens.exchange, text.strip())
    lasts_s = _LONGEST_COOKIE_S
    if token.expires_us is not None:
        lasts_s = min(lasts_s, (token.expires_us - doorkeeper.now_us()) // 1_000_000)
    response = json_answer(Entered(goes_to=_landing(token.scopes)))
    response.set_cookie(COOKIE, cookie, max_age=lasts_s, httponly=True, samesite="Strict", secure=request.secure)
    return response


def _landing(scopes: frozenset[Scope]) -> str:
    """The page that a token opens; one that opens none ends at the first and is told so there."""
    return next((path for path in _LANDINGS if SCOPES["GET", path] & scopes), _LANDINGS[0])


ENTRANCE_ROUTES = (
    Route(
        "GET", ENTRANCE, _give_page, "The page that takes a link's token from the address", None, media_type="text/html"
    ),
    Route(
        "POST",
        ENTRANCE,
        _enter,
        "Exchange a token, or that of a link, for this browser's cookie",
        Entered,
        takes={JSON_MEDIA_TYPE: (Entering,)},
        problems=BODY_PROBLEMS,
    ),
)
