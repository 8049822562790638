"""Tending the store: every hour's figures are made once it has ended, and readings too old to be kept are dropped."""

from typing import NamedTuple

from . import hours
from .store import Store

_DAY_US = 24 * hours.HOUR_US
_HOURS_AT_ONCE = 100
"""Few enough for a transaction to be short even with a reading a second: intake waits for it."""


class Tended(NamedTuple):
    """How many hours' figures were made, and how many hours' readings dropped."""

    rolled_up: int
    thinned: int


def tend(store: Store, now_us: int, keep_raw_us: int | None) -> Tended:
    """Make the figures of all hours that have ended, then drop readings older than `keep_raw_us` (None: keep all).

    Ages are counted from the newest reading where the clock is ahead of it, and as many days as `keep_raw_us` has keep
    their readings whatever the clock shows: one that jumps years ahead drops nothing, and if it stamps readings before
    it is set right, a day for each day of these. May be ended at any point and run again. Raises StoreError.
    """
    rolled_up = _all(store, hours.roll_up, now_us)
    extent = store.extent()
    if keep_raw_us is None or extent is None:
        return Tended(rolled_up, 0)
    before_us = store.write(lambda connection: hours.end_of_day_back(connection, keep_raw_us // _DAY_US)).result()
    if before_us is None:
        return Tended(rolled_up, 0)
    return Tended(rolled_up, _all(store, hours.thin, min(min(now_us, extent[1]) - keep_raw_us, before_us)))


def _all(store: Store, work: hours.Work, before_us: int) -> int:
    total = 0
    while done := store.write(lambda connection: work(connection, before_us, _HOURS_AT_ONCE)).result():
        total += done
    return total
