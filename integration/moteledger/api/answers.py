"""What an automation acts on: `/v1/answer/fan`, a person's wish in its place, and the decisions of the past."""

import asyncio
from datetime import timedelta
from typing import Annotated

from aiohttp import web
from pydantic import BaseModel, ConfigDict, Field

from ..engine.assessment import Action
from ..engine.fan_answer import FanAnswer
from ..engine.fan_control import DECISION, LONGEST_OVERRIDE
from ..engine.fan_score import Decision, Score, score_of, scored
from ..store import from_us
from .bodies import BODY_PROBLEMS, JSON_MEDIA_TYPE, read_model
from .routing import SERVICE, Route, Service, json_answer

MOST_DECISIONS = 200

_LONGEST_MIN = LONGEST_OVERRIDE // timedelta(minutes=1)
_OVERRIDE_FORM = f'{{"action": "run", "rest" or "leave", "minutes": 1 to {_LONGEST_MIN}}}'


class FanOverride(BaseModel):
    """What a person wants of the fan in place of the plan, and for how long."""

    model_config = ConfigDict(extra="forbid", strict=True)

    action: Action
    minutes: Annotated[int, Field(ge=1, le=_LONGEST_MIN)] = Field(description="For how long, from now on.")
    note: Annotated[str, Field(max_length=200)] = Field("", description="Why, for others to see.")


class Decisions(BaseModel):
    """The latest changes of the answer, the newest first, each with what came of it, and what came of all together."""

    decisions: tuple[Decision, ...]
    score: Score


async def give_fan_answer(request: web.Request) -> web.StreamResponse:
    """What the fan should do now."""
    return json_answer(await asyncio.to_thread(request.app[SERVICE].fan.answer))


async def give_decisions(request: web.Request) -> web.StreamResponse:
    """The latest decisions with their reasons."""
    decisions = await asyncio.to_thread(decided, request.app[SERVICE], MOST_DECISIONS)
    return json_answer(Decisions(decisions=decisions, score=score_of(decisions)))


async def take_override(request: web.Request) -> web.StreamResponse:
    """Let a person's wish stand in for the plan."""
    wanted = await read_model(request, FanOverride, _OVERRIDE_FORM)
    fan = request.app[SERVICE].fan
    lasting = timedelta(minutes=wanted.minutes)
    return json_answer(await asyncio.to_thread(fan.override, wanted.action, lasting, wanted.note))


async def lift_override(request: web.Request) -> web.StreamResponse:
    """Go back to the plan."""
    return json_answer(await asyncio.to_thread(request.app[SERVICE].fan.lift))


def decided(service: Service, most: int) -> tuple[Decision, ...]:
    """The latest decisions, the newest first, with their outcomes; raises StoreError."""
    found = service.store.snapshots(DECISION, newest=most)
    decisions = [(from_us(time_us), FanAnswer.model_validate_json(document)) for time_us, document in found]
    return scored(decisions, service.store.series, service.clock())


ANSWER_ROUTES = (
    Route("GET", "/v1/answer/fan", give_fan_answer, "What the fan should do now, and until when that holds", FanAnswer),
    Route(
        "GET",
        "/v1/answer/fan/decisions",
        give_decisions,
        f"The latest {MOST_DECISIONS} changes of the fan's answer, the newest first, and what came of each",
        Decisions,
    ),
    Route(
        "PUT",
        "/v1/answer/fan/override",
        take_override,
        "Let a person's wish stand in for the plan, for a while; least run and rest times still hold",
        FanAnswer,
        takes={JSON_MEDIA_TYPE: (FanOverride,)},
        problems=BODY_PROBLEMS,
    ),
    Route(
        "DELETE",
        "/v1/answer/fan/override",
        lift_override,
        "Go back from a person's wish to the plan; without one, nothing changes",
        FanAnswer,
    ),
)
