"""What people change from a card without any script: that the filter was changed, and another wish for the fan.

A form comes as its own media type and could be sent by a page of a stranger's site. So each holds a token that only a
page of this service could have read: an HMAC (RFC 2104) of the form's path and the reader's grant, under a key that
lives as long as the process. The guard of origins stands before it; either alone would do.
"""

import asyncio
import hashlib
import hmac
import secrets
from datetime import date, timedelta
from http import HTTPStatus
from typing import Annotated, Literal
from urllib.parse import parse_qs

from aiohttp import web
from aiohttp.typedefs import Handler
from pydantic import BaseModel, Field, ValidationError

from ..cards import Forms, render_notice
from ..engine.assessment import Action
from ..engine.filter_change import record_filter_change, withdraw_filter_change
from ..settings import House
from .auth import GRANT
from .bodies import BODY_PROBLEMS, read_body
from .changes import LONGEST_AGO
from .dead_letters import WhichLetter, discard, send_again
from .routing import SERVICE, Route
from .scopes import SCOPES

CONTRACTOR_PAGE = "/contractor"
FORM_MEDIA_TYPE = "application/x-www-form-urlencoded"
FILTER_FORM, FAN_FORM, LETTER_FORM = "/filter/change", "/fan/wish", "/dead-letters"
_MOST_FIELDS = 10
_LONGEST_WISH_MIN = 480
_LETTER_ACTS = {"again": send_again, "discard": discard}
_ACTIONS: dict[str, Action] = {"run": "run", "rest": "rest", "leave": "leave"}


class _Form(BaseModel):
    """What every form holds."""

    token: str = Field(description="As it stands in the form; good for the one who was shown it, and for this process.")


class FilterForm(_Form):
    """That the filter was changed, or that it was not."""

    do: Literal["record", "withdraw"] = "record"
    on: date | None = Field(None, description="The day, to record it.")


class WishForm(_Form):
    """What a person wants of the fan."""

    do: Literal["run", "rest", "leave", "plan"]
    minutes: Annotated[int, Field(ge=1, le=_LONGEST_WISH_MIN)] | None = None


class LetterForm(_Form):
    """What is to be done with which dead letter."""

    do: Literal["again", "discard"]
    webhook: str
    id: str


class _NotTakenError(Exception):
    """A form that is not taken: its status and why, for the reader."""

    def __init__(self, status: HTTPStatus, why: str) -> None:
        self.status = status
        super().__init__(why)


class FormKeeper:
    """Gives the forms of a house their tokens and takes what comes back."""

    def __init__(self, house: House) -> None:
        self._house = house
        self._key = secrets.token_bytes(32)

    def routes(self) -> tuple[Route, ...]:
        """The routes that the forms are sent to."""

        def form(path: str, handler: Handler, summary: str, fields: type[BaseModel]) -> Route:
            takes: dict[str, tuple[type[BaseModel], ...]] = {FORM_MEDIA_TYPE: (fields,)}
            done = HTTPStatus.SEE_OTHER
            return Route("POST", path, handler, summary, None, takes=takes, problems=BODY_PROBLEMS, done=done)

        return (
            form(FILTER_FORM, self.take_filter_change, "The form of the filter's card", FilterForm),
            form(FAN_FORM, self.take_wish, "The form of the fan's card", WishForm),
            form(LETTER_FORM, self.settle_letter, "The forms of the alarms' card", LetterForm),
        )

    def forms(self, request: web.Request) -> Forms:
        """The forms that the reader may send."""
        return Forms(
            self._given(request, FILTER_FORM), self._given(request, FAN_FORM), self._given(request, LETTER_FORM)
        )

    async def take_filter_change(self, request: web.Request) -> web.StreamResponse:
        """Record that the filter was changed, or take that back; then show the card again."""
        service = request.app[SERVICE]
        try:
            fields = await self._fields(request)
            if fields.get("do") == "withdraw":
                await asyncio.to_thread(withdraw_filter_change, service.store)
            else:
                today = service.clock().astimezone(self._house.zone).date()
                await asyncio.to_thread(record_filter_change, service.store, _day(fields.get("on", ""), today))
        except _NotTakenError as refusal:
            return self._refused(refusal, "The change was not recorded", "filter")
        return _shown_again(request, "filter")

    async def take_wish(self, request: web.Request) -> web.StreamResponse:
        """Let a person's wish stand in for the plan, or go back to the plan; then show the card again."""
        fan = request.app[SERVICE].fan
        try:
            fields = await self._fields(request)
            if fields.get("do") == "plan":
                await asyncio.to_thread(fan.lift)
            else:
                action, minutes = _wish(fields)
                await asyncio.to_thread(fan.override, action, timedelta(minutes=minutes), "from the page")
        except _NotTakenError as refusal:
            return self._refused(refusal, "The fan goes on as it was", "fan")
        return _shown_again(request, "fan")

    async def settle_letter(self, request: web.Request) -> web.StreamResponse:
        """Have a dead letter sent again or discard it; then show the card again."""
        try:
            fields = await self._fields(request)
            act = _LETTER_ACTS.get(fields.get("do", ""))
            try:
                which = WhichLetter(webhook=fields.get("webhook", ""), id=fields.get("id", ""))
            except ValidationError:
                which = None
            if act is None or which is None:
                raise _NotTakenError(HTTPStatus.UNPROCESSABLE_ENTITY, "Choose what is to be done with which message.")
            if await asyncio.to_thread(act, request.app[SERVICE], which) is None:
                raise _NotTakenError(HTTPStatus.UNPROCESSABLE_ENTITY, "That message is no longer put aside.")
        except _NotTakenError as refusal:
            return self._refused(refusal, "The message stays as it was", "alarms")
        return _shown_again(request, "alarms")

    def _given(self, request: web.Request, path: str) -> str:
        return self._token(request, path) if request[GRANT].scopes & SCOPES["POST", path] else ""

    def _token(self, request: web.Request, path: str) -> str:
        text = f"{path} {request[GRANT].token or ''}"
        return hmac.new(self._key, text.encode(), hashlib.sha256).hexdigest()

    async def _fields(self, request: web.Request) -> dict[str, str]:
        body = await read_body(request, FORM_MEDIA_TYPE)
        try:
            found = parse_qs(body.decode(), max_num_fields=_MOST_FIELDS)
        except ValueError:
            raise _NotTakenError(HTTPStatus.BAD_REQUEST, "What came is no form of this page.") from None
        fields = {name: values[-1] for name, values in found.items()}
        token = fields.get("token", "").encode()
        if not hmac.compare_digest(token, self._token(request, request.path).encode()):
            raise _NotTakenError(
                HTTPStatus.FORBIDDEN, "The page was older than the service behind it. Go back and send it once more."
            )
        return fields

    def _refused(self, refusal: _NotTakenError, title: str, card: str) -> web.Response:
        page = render_notice(self._house, title, str(refusal), f"/cards/{card}")
        return web.Response(text=page, status=refusal.status, content_type="text/html", charset="utf-8")


def _day(text: str, today: date) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise _NotTakenError(
            HTTPStatus.UNPROCESSABLE_ENTITY, f"No day such as {today.isoformat()} was given. Go back and choose one."
        ) from None
    if not today - LONGEST_AGO <= day <= today:
        raise _NotTakenError(
            HTTPStatus.UNPROCESSABLE_ENTITY, f"{day.isoformat()} is to come or more than ten years ago. Choose another."
        )
    return day


def _wish(fields: dict[str, str]) -> tuple[Action, int]:
    action, minutes = _ACTIONS.get(fields.get("do", "")), fields.get("minutes", "")
    # As many digits as a number of minutes may have: Python refuses to read endless ones.
    if action is None or not (minutes.isascii() and minutes.isdecimal() and len(minutes) < 5):
        raise _NotTakenError(HTTPStatus.UNPROCESSABLE_ENTITY, "Choose what the fan should do, and for how long.")
    if not 1 <= int(minutes) <= _LONGEST_WISH_MIN:
        raise _NotTakenError(HTTPStatus.UNPROCESSABLE_ENTITY, "A wish holds for 1 to 480 minutes. Choose another time.")
    return action, int(minutes)


def _shown_again(request: web.Request, card: str) -> web.Response:
    """See other (RFC 9110 section 15.4.4): a page that is loaded again sends nothing twice."""
    host, came_from = request.headers.get("Host", "\0"), request.headers.get("Referer", "").removesuffix("/")
    pages = {host: "/", f"{host}{CONTRACTOR_PAGE}": CONTRACTOR_PAGE}
    place = next((f"{page}#{card}" for end, page in pages.items() if came_from.endswith(end)), f"/cards/{card}")
    return web.Response(status=HTTPStatus.SEE_OTHER, headers={"Location": place})
