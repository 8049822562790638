"""Keeps readings for good: SQLite, append-only, one writer, durable before acknowledged."""

from .readings import Appended, Reading, Series, Thinned, from_us, to_us
from .schema import StoreError
from .store import Store

__all__ = ["Appended", "Reading", "Series", "Store", "StoreError", "Thinned", "from_us", "to_us"]
