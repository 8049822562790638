"""The one gate to the store: whatever way readings come, they end here."""

from collections.abc import Iterable
from functools import lru_cache
from itertools import islice

from ..signals import signal_named
from ..store import Appended, Reading, Store

_BATCH = 50_000
_signal = lru_cache(maxsize=256)(signal_named)


def accept(store: Store, readings: Iterable[Reading]) -> Appended:
    """Keep readings for good and say how many were new, repeated, or differed from what was there.

    Returns once all are safe on the disk. Each batch of 50,000 is kept whole or not at all; since repeating a reading
    changes nothing, an interrupted run is simply run again. Raises ValueError for a signal that does not exist or a
    value outside what it can be, StoreError if the store fails.
    """
    waiting = iter(readings)
    taken = Appended()
    while batch := list(islice(waiting, _BATCH)):
        for reading in batch:
            _signal(reading.signal).value_from(reading.value, None)
        taken = taken.and_also(store.append(batch))
    return taken
