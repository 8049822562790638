"""`GET /v1/ledger/days`: the ledger of each whole day, also of those whose readings were dropped long ago."""

import asyncio
from datetime import date
from http import HTTPStatus
from typing import Annotated

from aiohttp import web
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, WithJsonSchema

from ..engine.assessment import LedgerDay
from ..engine.day_books import days_kept, total_mg
from .problems import ProblemError
from .queries import read_query
from .routing import SERVICE, Route, json_answer

_DAY_LENGTH = len("2026-01-31")


def _day(text: object) -> date:
    try:
        if len(str(text)) != _DAY_LENGTH:
            raise ValueError
        return date.fromisoformat(str(text))
    except ValueError:
        raise ValueError("is not a day; write it as 2026-01-31") from None


QueryDay = Annotated[date, BeforeValidator(_day), WithJsonSchema({"type": "string", "format": "date"})]


class LedgerDaysQuery(BaseModel):
    """Which days to give."""

    model_config = ConfigDict(extra="forbid")

    first: QueryDay | None = Field(None, alias="from", description="The first day (default: the first there is).")
    end: QueryDay | None = Field(None, alias="to", description="The day after the last (default: all there are).")


class LedgerDays(BaseModel):
    """The days' ledgers in their order, by the house's own calendar, and their sum."""

    days: tuple[LedgerDay, ...]
    total: dict[str, float] = Field(description="Each entry summed over these days, mg.")


async def give_days(request: web.Request) -> web.StreamResponse:
    """The ledgers of the days asked for."""
    query = read_query(request, LedgerDaysQuery)
    if query.first is not None and query.end is not None and query.first >= query.end:
        raise ProblemError(HTTPStatus.BAD_REQUEST, f"from {query.first} is not before to {query.end}", place="from")
    kept = await asyncio.to_thread(days_kept, request.app[SERVICE].store)
    days = tuple(
        each
        for each in kept
        if (query.first is None or each.day >= query.first) and (query.end is None or each.day < query.end)
    )
    return json_answer(LedgerDays(days=days, total=total_mg(days)))


LEDGER_DAYS_ROUTE = Route(
    "GET",
    "/v1/ledger/days",
    give_days,
    "The ledger of each whole day, also of those whose readings were dropped",
    LedgerDays,
    parameters=LedgerDaysQuery,
    problems=(HTTPStatus.BAD_REQUEST,),
)
