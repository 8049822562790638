"""Keeps readings for good: SQLite, append-only, one writer, durable before acknowledged."""

from .backup import back_up
from .integrity import problems_of
from .newest import newest_until
from .readings import Appended, Held, Reading, Series, Thinned, from_us, to_us
from .retention import Tended, tend
from .schema import StoreError
from .store import Store

__all__ = [
    "Appended",
    "Held",
    "Reading",
    "Series",
    "Store",
    "StoreError",
    "Tended",
    "Thinned",
    "back_up",
    "from_us",
    "newest_until",
    "problems_of",
    "tend",
    "to_us",
]
