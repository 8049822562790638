"""The newest readings at a moment, as pages, metrics and alarms take them."""

from datetime import datetime

from ..intake.moments import FUTURE_US
from ..store import Reading, Store, newest_until, to_us


def not_ahead_us(now: datetime) -> int:
    """The latest time that a reading may have by now without its clock being ahead; us since 1970 UTC."""
    return to_us(now) + FUTURE_US


def newest_now(store: Store, now: datetime) -> dict[str, Reading]:
    """The newest reading of every signal by name (see `newest_until`). Raises StoreError."""
    return newest_until(store, not_ahead_us(now))
