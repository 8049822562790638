"""When each signal was last heard of, by the clock that nobody can set: a stamp alone is as right as the clock here.

A clock that was set back makes old readings new again, one after the other; one that was ahead has left readings of a
time to come, which turn new when that time comes. Neither is news.
"""

from collections.abc import Callable
from datetime import datetime, timedelta

from ..store import Reading, Store
from .assessment import DataBehind


class Heard:
    """Notes what comes into a store from now on; what is there already counts as heard now."""

    def __init__(self, store: Store, monotonic: Callable[[], float]) -> None:
        self._monotonic = monotonic
        self._from_s = monotonic()
        self._last_s: dict[str, float] = {}
        store.observe(self._note)

    def bounded(self, behind: DataBehind, now: datetime) -> DataBehind:
        """The same, good for no longer after it was last heard of than its newest reading is by its stamp."""
        heard_s = self._last_s.get(behind.signal, self._from_s)
        left = behind.good_until - behind.newest - timedelta(seconds=self._monotonic() - heard_s)
        return behind.model_copy(update={"good_until": min(behind.good_until, now + left)})

    def _note(self, newest: dict[str, Reading]) -> None:
        tick_s = self._monotonic()
        self._last_s.update(dict.fromkeys(newest, tick_s))
