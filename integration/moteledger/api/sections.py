"""The sections of the newest assessment, each at its own path, and with its cautions where it advises."""

from collections.abc import Awaitable, Callable
from datetime import date
from typing import Literal

from aiohttp import web
from pydantic import BaseModel

from ..engine.assessment import (
    Air,
    Assessment,
    Caution,
    Delivery,
    Event,
    FanAdvice,
    Figure,
    Figures,
    FilterLimit,
    Ledger,
    Period,
    PressureChange,
)
from .problems import not_now
from .routing import SERVICE, Route, json_answer


class Section(BaseModel):
    """Part of an assessment; `period` is the time the assessment covers."""

    house: str
    period: Period


class AirSection(Section):
    """The air at the end of the period."""

    air: Air


class LedgerSection(Section):
    """The account of particle mass over the period."""

    ledger: Ledger


class EventsSection(Section):
    """Particles made indoors."""

    events: tuple[Event, ...]


class DeliverySection(Section):
    """Clean air delivered against expected, and the figures behind it."""

    delivery: Delivery
    estimates: Figures
    expected: Figures
    cautions: tuple[Caution, ...]


class FilterState(BaseModel):
    """The filter as it is: its drop at the reference airflow, the limit of it, the mass on it, since when it is in."""

    drop_at_reference_pa: Figure
    drop_when_new_pa: Figure | None
    reference_airflow_m3h: float | None
    drop_limit_pa: float | None
    deposited_g: Figure
    installed_on: date | None
    change_seen_on: date | None
    pressure_changes: tuple[PressureChange, ...]
    limits: tuple[FilterLimit, ...]


class FilterSection(Section):
    """The filter as it is."""

    filter: FilterState


class FilterChange(BaseModel):
    """When to change the filter, and why; by when to order one, when changing it costs least, and all its limits.

    A day ten years (3,650 days) after the end of the period stands for that day or any later one.
    """

    change_on: date | None
    change_between: tuple[date, date] | None
    reason: str
    order_by: date | None
    cost_best_on: date | None
    limits: tuple[FilterLimit, ...]


class FilterAdviceSection(Section):
    """When to change the filter, with what to be careful of."""

    filter: FilterChange
    cautions: tuple[Caution, ...]


class FanAdviceSection(Section):
    """The fan's schedule for the hours ahead, with what to be careful of."""

    fan: FanAdvice
    cautions: tuple[Caution, ...]


def _air(whole: Assessment) -> AirSection:
    return AirSection(house=whole.house, period=whole.period, air=whole.air)


def _ledger(whole: Assessment) -> LedgerSection:
    return LedgerSection(house=whole.house, period=whole.period, ledger=whole.ledger)


def _events(whole: Assessment) -> EventsSection:
    return EventsSection(house=whole.house, period=whole.period, events=whole.events)


def _delivery(whole: Assessment) -> DeliverySection:
    return DeliverySection(
        house=whole.house,
        period=whole.period,
        delivery=whole.delivery,
        estimates=whole.estimates,
        expected=whole.expected,
        cautions=_cautions(whole, "delivery"),
    )


def _filter(whole: Assessment) -> FilterSection:
    state = FilterState(
        drop_at_reference_pa=whole.filter.drop_at_reference_pa,
        drop_when_new_pa=whole.filter.drop_when_new_pa,
        reference_airflow_m3h=whole.filter.reference_airflow_m3h,
        drop_limit_pa=whole.filter.drop_limit_pa,
        deposited_g=whole.filter.deposited_g,
        installed_on=whole.filter.installed_on,
        change_seen_on=whole.filter.change_seen_on,
        pressure_changes=whole.filter.pressure_changes,
        limits=whole.filter.limits,
    )
    return FilterSection(house=whole.house, period=whole.period, filter=state)


def _filter_advice(whole: Assessment) -> FilterAdviceSection:
    change = FilterChange(
        change_on=whole.filter.change_on,
        change_between=whole.filter.change_between,
        reason=whole.filter.reason,
        order_by=whole.filter.order_by,
        cost_best_on=whole.filter.cost_best_on,
        limits=whole.filter.limits,
    )
    return FilterAdviceSection(
        house=whole.house, period=whole.period, filter=change, cautions=_cautions(whole, "filter")
    )


def _fan_advice(whole: Assessment) -> FanAdviceSection:
    return FanAdviceSection(house=whole.house, period=whole.period, fan=whole.fan, cautions=_cautions(whole, "fan"))


def _cautions(whole: Assessment, applies_to: Literal["fan", "filter", "delivery"]) -> tuple[Caution, ...]:
    return tuple(caution for caution in whole.cautions if caution.applies_to == applies_to)


def section_route(path: str, section: Callable[[Assessment], Section], answer: type[Section], summary: str) -> Route:
    """A route that serves one section of the newest assessment, or says that there is none yet."""

    async def give(request: web.Request) -> web.StreamResponse:
        whole = request.app[SERVICE].source.current()
        if whole is None:
            raise not_now("there is no assessment yet; it takes readings of indoor and outdoor air and a little time")
        return json_answer(section(whole))

    handler: Callable[[web.Request], Awaitable[web.StreamResponse]] = give
    return Route("GET", path, handler, summary, answer)


PUBLISHED_SECTIONS: dict[str, Callable[[Assessment], Section]] = {
    "air": _air,
    "ledger": _ledger,
    "delivery": _delivery,
    "filter": _filter,
    "advice/fan": _fan_advice,
    "advice/filter": _filter_advice,
}
"""What the broker's twin tells, by its path below /v1 and below the root topic.

Events stay away: whoever reads a broker would learn from them when people are at home.
"""

SECTION_ROUTES = (
    section_route("/v1/air", _air, AirSection, "The air indoors and outdoors now"),
    section_route("/v1/ledger", _ledger, LedgerSection, "The account of particle mass: what came in, what took it out"),
    section_route("/v1/delivery", _delivery, DeliverySection, "Clean air delivered against what was expected"),
    section_route("/v1/filter", _filter, FilterSection, "The filter as it is"),
    section_route("/v1/events", _events, EventsSection, "Particles made indoors: when and how much"),
    section_route("/v1/advice/fan", _fan_advice, FanAdviceSection, "When the fan should run, with its cautions"),
    section_route("/v1/advice/filter", _filter_advice, FilterAdviceSection, "When to change the filter, and why"),
)
