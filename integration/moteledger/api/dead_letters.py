"""What addresses of webhooks refused for good: the list, and a person's word to send one again or to discard it.

It is for the house's administrator alone: it shows all that is told to any address, and sends what was told long ago.
"""

import asyncio
import json
from collections.abc import Callable
from typing import Annotated, Any

from aiohttp import web
from pydantic import BaseModel, ConfigDict, Field

from ..intake import text_of
from ..store.dead_letters import DeadLetter, DeadLetters
from .bodies import BODY_PROBLEMS, JSON_MEDIA_TYPE, read_model, unusable
from .routing import SERVICE, Route, Service, json_answer

_FORM = '{"webhook": "office", "id": "alarm-1769860800000000"}'


class DeadLetterTold(BaseModel):
    """A message that was refused for good."""

    webhook: str = Field(description="The name of the webhook in the house file.")
    id: str = Field(description="The message's own, as in its header Moteledger-Message.")
    event: str
    happened: str
    refused: str = Field(description="When the address refused it.")
    status: int = Field(description="With which HTTP status it did.")
    again: bool = Field(description="Whether it waits to be sent once more.")
    content: dict[str, Any] = Field(description="What the message tells.")


class DeadLettersTold(BaseModel):
    """The messages that were refused for good, the one refused last first."""

    dead_letters: tuple[DeadLetterTold, ...]


class WhichLetter(BaseModel):
    """One of the dead letters."""

    model_config = ConfigDict(extra="forbid", strict=True)

    webhook: Annotated[str, Field(max_length=40)]
    id: Annotated[str, Field(pattern=r"^[a-z]{1,20}-\d{1,18}$")]


def told(letter: DeadLetter) -> DeadLetterTold:
    """A dead letter as it is shown."""
    return DeadLetterTold(
        webhook=letter.webhook,
        id=f"{letter.event}-{letter.happened_us}",
        event=letter.event,
        happened=text_of(letter.happened_us),
        refused=text_of(letter.refused_us),
        status=letter.status,
        again=letter.again,
        content=json.loads(letter.document),
    )


def send_again(service: Service, which: WhichLetter) -> DeadLetter | None:
    """Have a letter sent once more by its webhook, as long as the house file has that."""
    return _changed(which, DeadLetters(service.store).send_again)


def discard(service: Service, which: WhichLetter) -> DeadLetter | None:
    """Let go of a letter."""
    return _changed(which, DeadLetters(service.store).discard)


def _changed(which: WhichLetter, change: Callable[[str, str, int], DeadLetter | None]) -> DeadLetter | None:
    event, _, happened_us = which.id.partition("-")
    return change(which.webhook, event, int(happened_us))


async def _give(request: web.Request) -> web.StreamResponse:
    letters = await asyncio.to_thread(DeadLetters(request.app[SERVICE].store).all)
    return json_answer(DeadLettersTold(dead_letters=tuple(map(told, letters))))


async def _resend(request: web.Request) -> web.StreamResponse:
    which = await read_model(request, WhichLetter, _FORM)
    service = request.app[SERVICE]
    hooks = [source.name for source in service.arrivals.sources() if source.kind == "webhook"]
    if which.webhook not in hooks:
        named = f"it has {', '.join(hooks)}" if hooks else "it has none"
        raise unusable(
            f"the house file has no webhook {which.webhook!r} to send it to; {named}", "/webhook", readable=True
        )
    return await _answer(send_again, service, which)


async def _discard(request: web.Request) -> web.StreamResponse:
    return await _answer(discard, request.app[SERVICE], await read_model(request, WhichLetter, _FORM))


async def _answer(
    act: Callable[[Service, WhichLetter], DeadLetter | None], service: Service, which: WhichLetter
) -> web.StreamResponse:
    letter = await asyncio.to_thread(act, service, which)
    if letter is None:
        raise unusable(f"no such dead letter {which.id}; /v1/dead-letters lists those there are", "/id", readable=True)
    return json_answer(told(letter))


DEAD_LETTER_ROUTES = (
    Route(
        "GET", "/v1/dead-letters", _give, "The messages that addresses of webhooks refused for good", DeadLettersTold
    ),
    Route(
        "PUT",
        "/v1/dead-letters/resent",
        _resend,
        "Have a dead letter sent once more, at the webhook's next look; refused again, it stays one",
        DeadLetterTold,
        takes={JSON_MEDIA_TYPE: (WhichLetter,)},
        problems=BODY_PROBLEMS,
    ),
    Route(
        "PUT",
        "/v1/dead-letters/discarded",
        _discard,
        "Let go of a dead letter; the answer is the last that is seen of it",
        DeadLetterTold,
        takes={JSON_MEDIA_TYPE: (WhichLetter,)},
        problems=BODY_PROBLEMS,
    ),
)
