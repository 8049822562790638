"""Alarms: what stands and what stood (`/v1/alarms`), and that a person has seen one (`/v1/alarms/acknowledged`)."""

import asyncio
from typing import Annotated

from aiohttp import web
from pydantic import BaseModel, ConfigDict, Field

from ..engine.alarm_watch import AlarmWatch, history
from ..engine.alarms import Alarm, is_told_with
from .auth import GRANT
from .bodies import BODY_PROBLEMS, JSON_MEDIA_TYPE, read_model, unusable
from .routing import SERVICE, Route, json_answer

MOST_PAST = 200

ALARM_WATCH: web.AppKey[AlarmWatch] = web.AppKey("alarm_watch", AlarmWatch)


class Alarms(BaseModel):
    """The alarms that stand, and the latest turns of all, the newest first."""

    standing: tuple[Alarm, ...]
    past: tuple[Alarm, ...] = Field(description=f"The latest {MOST_PAST} raisings, endings and acknowledgements.")


class Acknowledgement(BaseModel):
    """Which alarm a person has seen."""

    model_config = ConfigDict(extra="forbid", strict=True)

    name: Annotated[str, Field(max_length=60)]


def shown_alarms(request: web.Request) -> tuple[Alarm, ...]:
    """The alarms that stand, as far as the asker may know of what they watch."""
    return _readable(request, request.app[ALARM_WATCH].standing())


async def give_alarms(request: web.Request) -> web.StreamResponse:
    """What stands and what stood."""
    waiting = [Alarm.model_validate_json(document) for _, document in reversed(request.app[ALARM_WATCH].unkept())]
    kept = await asyncio.to_thread(history, request.app[SERVICE].store, MOST_PAST)
    past = (*waiting, *kept)[:MOST_PAST]
    return json_answer(Alarms(standing=shown_alarms(request), past=_readable(request, past)))


async def acknowledge(request: web.Request) -> web.StreamResponse:
    """Note that a person has seen an alarm."""
    name = (await read_model(request, Acknowledgement, '{"name": "filter-drop"}')).name
    known = {alarm.name for alarm in shown_alarms(request)}
    seen = await asyncio.to_thread(request.app[ALARM_WATCH].acknowledge, name) if name in known else None
    if seen is None:
        raise unusable(f"no alarm {name!r} stands; /v1/alarms lists those that do", "/name", readable=True)
    return json_answer(seen)


def _readable(request: web.Request, alarms: tuple[Alarm, ...]) -> tuple[Alarm, ...]:
    signals = request[GRANT].readable_signals()
    return alarms if signals is None else tuple(alarm for alarm in alarms if is_told_with(alarm, signals))


ALARM_ROUTES = (
    Route("GET", "/v1/alarms", give_alarms, "The alarms that stand and the latest turns of all", Alarms),
    Route(
        "PUT",
        "/v1/alarms/acknowledged",
        acknowledge,
        "Note that a person has seen an alarm that stands",
        Alarm,
        takes={JSON_MEDIA_TYPE: (Acknowledgement,)},
        problems=BODY_PROBLEMS,
    ),
)
