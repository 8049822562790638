"""The houses of a collector that somebody looks at: each is broadcast from its first viewer to its last."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import ExitStack, asynccontextmanager, suppress
from dataclasses import dataclass
from datetime import datetime

from ..intake import text_of
from ..store import to_us
from ..store.houses import HouseStores
from .broadcast import Broadcaster
from .problems import not_now


class _NoAssessments:
    """A collector assesses nothing: a house tells it what it found."""

    def current(self) -> None:
        """None, always."""


@dataclass
class _Watched:
    broadcaster: Broadcaster
    gathering: asyncio.Task[None]
    viewers: int = 0


class Watching:
    """Broadcasts the houses of a collector to who looks at them; runs in the event loop.

    A house that is looked at keeps its store open, so that no more than `most` are at once.
    """

    def __init__(self, houses: HouseStores, clock: Callable[[], datetime], most: int) -> None:
        self._houses = houses
        self._clock = clock
        self._most = most
        self._watched: dict[str, _Watched] = {}
        self._closing = False

    @asynccontextmanager
    async def broadcaster(self, house: str) -> AsyncIterator[Broadcaster]:
        """What tells of a house, for one viewer; raises ProblemError if too many are looked at, and StoreError."""
        # Opening and closing a store waits for the disk.
        lent = ExitStack()
        store = await asyncio.to_thread(lent.enter_context, self._houses.using(house))
        try:
            watched = self._watched.get(house)
            if self._closing or (watched is None and len(self._watched) >= self._most):
                raise not_now(f"{self._most} houses are looked at already, or the collector is ending")
            if watched is None or watched.broadcaster.store is not store:
                watched = self._begin(house, Broadcaster(store, _NoAssessments(), self._clock), watched)
            # Counted before anything is waited for: another that leaves meanwhile must not end it.
            watched.viewers += 1
            try:
                # From here on it observes the store; what comes later is told.
                await asyncio.sleep(0)
                yield watched.broadcaster
            finally:
                watched.viewers -= 1
                if not watched.viewers:
                    await self._end(house, watched)
        finally:
            await asyncio.shield(asyncio.to_thread(lent.close))

    def tell_alarm(self, house: str) -> None:
        """Tell who looks at a house that its alarms have changed; may be called from any thread."""
        watched = self._watched.get(house)
        if watched is not None:
            watched.broadcaster.tell_alarm("", {"time": text_of(to_us(self._clock()))})

    def close(self) -> None:
        """Have every stream end."""
        self._closing = True
        for watched in self._watched.values():
            watched.broadcaster.close()

    def _begin(self, house: str, broadcaster: Broadcaster, replaced: _Watched | None) -> _Watched:
        if replaced is not None:
            # Its file was taken away: who looked at it comes back and finds the new one.
            replaced.broadcaster.close()
        watched = _Watched(broadcaster, asyncio.create_task(broadcaster.gather()))
        self._watched[house] = watched
        return watched

    async def _end(self, house: str, watched: _Watched) -> None:
        if self._watched.get(house) is watched:
            del self._watched[house]
        watched.gathering.cancel()
        with suppress(asyncio.CancelledError):
            await watched.gathering
