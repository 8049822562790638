"""What people tell of the house: that the filter was changed (`/v1/filter/change`)."""

import asyncio
from datetime import date, timedelta

from aiohttp import web
from pydantic import BaseModel, ConfigDict, Field

from ..engine.filter_change import FilterChanges, record_filter_change, withdraw_filter_change
from .bodies import BODY_PROBLEMS, JSON_MEDIA_TYPE, read_model, unusable
from .routing import SERVICE, Route, json_answer

LONGEST_AGO = timedelta(days=3660)
_FORM = '{"on": "2026-05-01"}'


class FilterChanged(BaseModel):
    """The day on which the filter was changed, by the house's own calendar."""

    model_config = ConfigDict(extra="forbid", strict=True)

    on: date = Field(description="Such as 2026-05-01; not to come, and not more than ten years ago.")


async def take_filter_change(request: web.Request) -> web.StreamResponse:
    """Record that the filter was changed; the next assessment counts from there."""
    changed = await read_model(request, FilterChanged, _FORM)
    service = request.app[SERVICE]
    # Somewhere on Earth it is tomorrow already.
    today = service.clock().date()
    if not today - LONGEST_AGO <= changed.on <= today + timedelta(days=1):
        raise unusable(f"{changed.on} is to come or more than ten years ago; send {_FORM}", "/on", readable=True)
    return json_answer(await asyncio.to_thread(record_filter_change, service.store, changed.on))


async def withdraw(request: web.Request) -> web.StreamResponse:
    """Take back what was recorded last."""
    return json_answer(await asyncio.to_thread(withdraw_filter_change, request.app[SERVICE].store))


CHANGE_ROUTES = (
    Route(
        "PUT",
        "/v1/filter/change",
        take_filter_change,
        "Record the day on which the filter was changed",
        FilterChanges,
        takes={JSON_MEDIA_TYPE: (FilterChanged,)},
        problems=BODY_PROBLEMS,
    ),
    Route("DELETE", "/v1/filter/change", withdraw, "Take back the change recorded last", FilterChanges),
)
