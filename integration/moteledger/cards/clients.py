"""The contractor's page: the houses that are looked after, those whose delivery has slipped furthest first."""

from collections.abc import Sequence
from datetime import datetime

from ..engine.standing import Client
from ..settings import Collecting
from .templating import templates_of

_templates = templates_of("moteledger.cards")


def render_clients(clients: Sequence[Client], settings: Collecting, *, now: datetime) -> str:
    """The page of all houses, in the order given."""
    return _templates.get_template("clients.html").render(clients=clients, settings=settings, now=now)
