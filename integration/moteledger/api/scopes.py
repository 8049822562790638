"""Which token opens which route: one table, complete by law. A route that is not in it keeps the service from starting.

Decided route by route. What a contractor's link shows is what the contractor must know to keep the air handler right:
delivery, filter, pressure, alarms, the fan's state; never the particles indoors nor what was made there, which show
when people are at home. `contribute` writes readings and reads none; `automate` asks about the fan and may override it.
"""

from collections.abc import Iterable

from aiohttp import web

from ..signals import AIR_HANDLER_SIGNALS
from ..store.tokens import Scope

VIEW, CONTRIBUTE, AUTOMATE, CONTRACTOR, ADMIN = Scope

ANYONE: frozenset[Scope] = frozenset()
"""Needs no token even where tokens are required: it shows nothing of the house."""

ANY_TOKEN = frozenset(Scope)


def _to(*scopes: Scope) -> frozenset[Scope]:
    """A route for these scopes and for the house's own administrator."""
    return frozenset({*scopes, ADMIN})


SCOPES: dict[tuple[str, str], frozenset[Scope]] = {
    # How the service is, and how to speak with it.
    ("GET", "/healthz"): ANY_TOKEN,
    ("GET", "/openapi.json"): ANY_TOKEN,
    ("GET", "/metrics"): _to(VIEW),
    ("GET", "/.well-known/wot"): ANY_TOKEN,
    ("GET", "/.well-known/security.txt"): ANYONE,
    # Readings. A contractor gets only the signals of CONTRACTOR_SIGNALS, here and in the stream.
    ("POST", "/v1/readings"): _to(CONTRIBUTE),
    ("GET", "/v1/readings"): _to(VIEW, CONTRACTOR),
    ("GET", "/v1/readings/newest"): _to(VIEW, CONTRACTOR),
    # Of a contractor's collector: a house writes its own readings and its own state, and reads nothing.
    ("PUT", "/v1/state"): _to(CONTRIBUTE),
    ("GET", "/v1/houses"): _to(VIEW),
    ("GET", "/v1/houses/{house}"): _to(VIEW),
    ("GET", "/v1/houses/{house}/readings"): _to(VIEW),
    ("GET", "/v1/houses/{house}/live"): _to(VIEW),
    ("GET", "/houses/{house}"): _to(VIEW),
    # Its addresses and raw values are for who sets the house up.
    ("GET", "/v1/sources"): _to(VIEW),
    ("GET", "/v1/live"): _to(VIEW, CONTRACTOR),
    ("GET", "/v1/alarms"): _to(VIEW, AUTOMATE, CONTRACTOR),
    ("PUT", "/v1/alarms/acknowledged"): _to(AUTOMATE, CONTRACTOR),
    # All that is told to any address, and who may have it told again.
    ("GET", "/v1/dead-letters"): _to(),
    ("PUT", "/v1/dead-letters/resent"): _to(),
    ("PUT", "/v1/dead-letters/discarded"): _to(),
    # The assessment by sections.
    ("GET", "/v1/air"): _to(VIEW),
    ("GET", "/v1/ledger"): _to(VIEW),
    ("GET", "/v1/ledger/days"): _to(VIEW),
    ("GET", "/v1/events"): _to(VIEW),
    ("GET", "/v1/delivery"): _to(VIEW, CONTRACTOR),
    ("GET", "/v1/filter"): _to(VIEW, CONTRACTOR),
    ("GET", "/v1/advice/filter"): _to(VIEW, CONTRACTOR),
    ("GET", "/v1/advice/fan"): _to(VIEW, AUTOMATE),
    # The fan. Its answer tells of the air and of people's wishes: not for a contractor, who reads `fan.running`.
    ("GET", "/v1/answer/fan"): _to(VIEW, AUTOMATE),
    ("GET", "/v1/answer/fan/decisions"): _to(VIEW, AUTOMATE),
    ("PUT", "/v1/answer/fan/override"): _to(AUTOMATE),
    ("DELETE", "/v1/answer/fan/override"): _to(AUTOMATE),
    # Who changes a filter may say so.
    ("PUT", "/v1/filter/change"): _to(AUTOMATE, CONTRACTOR),
    ("DELETE", "/v1/filter/change"): _to(AUTOMATE, CONTRACTOR),
    # Pages.
    ("GET", "/"): _to(VIEW),
    ("GET", "/contractor"): _to(VIEW, CONTRACTOR),
    ("GET", "/cards/air"): _to(VIEW),
    ("GET", "/cards/account"): _to(VIEW),
    ("GET", "/cards/fan"): _to(VIEW),
    ("GET", "/cards/trace"): _to(VIEW),
    ("GET", "/cards/ahead"): _to(VIEW),
    ("GET", "/cards/events"): _to(VIEW),
    ("GET", "/cards/alarms"): _to(VIEW, CONTRACTOR),
    ("GET", "/cards/pressure"): _to(VIEW, CONTRACTOR),
    ("GET", "/cards/filter"): _to(VIEW, CONTRACTOR),
    ("GET", "/cards/delivery"): _to(VIEW, CONTRACTOR),
    ("GET", "/cards/{name}"): _to(VIEW),
    # It tells of the air indoors and of what was made there, so it is the household's to hand on.
    ("GET", "/report"): _to(VIEW),
    ("GET", "/report.pdf"): _to(VIEW),
    ("GET", "/report.json"): _to(VIEW),
    # Forms on the cards, for whoever may do the same over the API.
    ("POST", "/filter/change"): _to(AUTOMATE, CONTRACTOR),
    ("POST", "/fan/wish"): _to(AUTOMATE),
    ("POST", "/dead-letters"): _to(),
    # Of a house that has no file yet, on the loopback address only; a running house has no such route.
    ("POST", "/first-run"): _to(),
    ("GET", "/static/{name}"): ANYONE,
    ("GET", "/enter"): ANYONE,
    ("POST", "/enter"): ANYONE,
}

CONTRACTOR_SIGNALS = AIR_HANDLER_SIGNALS
"""What a contractor reads of the house."""


class UndeclaredRouteError(Exception):
    """A route of the application has no scopes in the table."""


def declared(routes: Iterable[web.AbstractRoute]) -> dict[tuple[str, str], frozenset[Scope]]:
    """The scopes of every route; raises UndeclaredRouteError naming those that are not in the table."""
    found = {}
    missing = []
    for route in routes:
        method = "GET" if route.method == "HEAD" else route.method
        path = route.resource.canonical if route.resource is not None else ""
        if (method, path) in SCOPES:
            found[method, path] = SCOPES[method, path]
        else:
            missing.append(f"{method} {path}")
    if missing:
        raise UndeclaredRouteError(f"declare in SCOPES which tokens open {', '.join(sorted(missing))}")
    return found
