"""What is new, told to all who look on: one bounded ring of news that every viewer reads at a pace of their own.

Readings come from the store's observer, after they are safe on the disk: within a second only the newest of each
signal stays. Each piece of news is written as an event (HTML Standard, section 9.2 "Server-sent events") once, for all
viewers together. A viewer is no more than a place in the ring, so that a slow one costs no memory and holds up nobody.
"""

import asyncio
import json
import secrets
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import partial
from itertools import islice
from threading import Lock

from ..engine.assessment import Assessment
from ..engine.newest import not_ahead_us
from ..intake import text_of
from ..signals import signal_named
from ..store import Reading, Store, to_us
from .routing import AssessmentSource

TICK_S = 1.0
RING_SIZE = 10_000


class Kind(StrEnum):
    """The types of event."""

    READING = "reading"
    ASSESSMENT = "assessment"
    ALARM = "alarm"
    RESET = "reset"


@dataclass(frozen=True, slots=True)
class Position:
    """How far a viewer has come: the run of the service, the number of the last event in it, and when that was."""

    run: str
    number: int
    time_ms: int

    def __str__(self) -> str:
        return f"{self.run}-{self.number}-{self.time_ms}"

    @classmethod
    def read(cls, text: str) -> "Position | None":
        """The position that an event's id tells; None for what is no id of ours."""
        run, *numbers = text.split("-")
        if (
            len(run) != 8
            or len(numbers) != 2
            or not all(n.isascii() and n.isdecimal() and len(n) < 16 for n in numbers)
        ):
            return None
        return cls(run, int(numbers[0]), int(numbers[1]))


@dataclass(frozen=True, slots=True)
class News:
    """One event; `key` is the signal or the alarm's name, `time_us` the reading's time, `text` the event on the wire.

    Of a kind and a key, the newest alone tells how things stand.
    """

    kind: Kind
    key: str
    time_us: int
    number: int
    text: bytes


def event_text(kind: Kind, document: dict[str, object], position: Position | None = None) -> bytes:
    """An event as the standard has it: JSON holds no line break, so that one data line is enough."""
    data = json.dumps(document, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    event_id = "" if position is None else f"id: {position}\n"
    return f"event: {kind.value}\n{event_id}data: {data}\n\n".encode()


def reading_text(reading: Reading, position: Position | None = None) -> bytes:
    """A reading as an event."""
    document: dict[str, object] = {
        "signal": reading.signal,
        "time": text_of(reading.time_us),
        "value": reading.value,
        "unit": signal_named(reading.signal).unit,
    }
    return event_text(Kind.READING, document, position)


def assessment_text(assessment: Assessment, position: Position | None = None) -> bytes:
    """Word of an assessment as an event: whoever shows one fetches it anew."""
    return event_text(Kind.ASSESSMENT, {"time": text_of(to_us(assessment.period.end))}, position)


class Broadcaster:
    """Gathers what is new and wakes the viewers, at most once a second; runs in the event loop.

    A reading that is not newer than the last one told of its signal is late: it is kept in the store and not told here;
    unless the last one is of a time still to come, stamped by a clock that has been set right since.
    """

    def __init__(self, store: Store, source: AssessmentSource, clock: Callable[[], datetime]) -> None:
        self.run = secrets.token_hex(4)
        self.closing = False
        self.viewers = 0
        self.store = store
        self.source = source
        self.clock = clock
        self._ring: deque[News] = deque(maxlen=RING_SIZE)
        self._last = 0
        self._newest_us: dict[str, int] = {}
        self._pending: dict[str, Reading] = {}
        self._alarms: dict[str, dict[str, object]] = {}
        self._pending_lock = Lock()
        self._wanted = asyncio.Event()
        self._arrived = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None

    @property
    def position(self) -> Position:
        """The place after the last event."""
        return Position(self.run, self._last, to_us(self.clock()) // 1000)

    async def gather(self) -> None:
        """Tell what comes until cancelled, or until the store is closed: then every stream ends."""
        self._loop = asyncio.get_running_loop()
        end = self.store.observe(self._take)
        told = self.source.current()
        try:
            while not self.store.is_closed:
                with suppress(TimeoutError):
                    async with asyncio.timeout(TICK_S):
                        await self._wanted.wait()
                self._wanted.clear()
                current = self.source.current()
                if current is not told and current is not None:
                    self._add(Kind.ASSESSMENT, "", 0, partial(assessment_text, current))
                    self._wake_viewers()
                told = current
                if self._tell_pending():
                    # A first reading is told at once; those of the second after it wait for its end.
                    await asyncio.sleep(TICK_S)
            self.close()
        finally:
            end()

    def tell_alarm(self, name: str, document: dict[str, object]) -> None:
        """Tell that an alarm has changed; may be called from any thread."""
        with self._pending_lock:
            self._alarms[name] = document
        self._wake()

    def close(self) -> None:
        """Have every stream end."""
        self.closing = True
        self._wake_viewers()

    def since(self, number: int) -> Iterator[News] | None:
        """The news after that of `number`, in order; None if the ring does not hold them."""
        missing = self._last - number
        if not 0 <= missing <= len(self._ring):
            return None
        return islice(self._ring, len(self._ring) - missing, None)

    async def news(self, after: int) -> None:
        """Wait until there is anything after the event of number `after`, or the end."""
        while self._last <= after and not self.closing:
            await self._arrived.wait()

    def _take(self, newest: dict[str, Reading]) -> None:
        with self._pending_lock:
            for signal, reading in newest.items():
                waiting = self._pending.get(signal)
                if waiting is None or waiting.time_us < reading.time_us:
                    self._pending[signal] = reading
        self._wake()

    def _wake(self) -> None:
        if self._loop is not None and not self._wanted.is_set():
            with suppress(RuntimeError):  # The loop has ended; so have the viewers.
                self._loop.call_soon_threadsafe(self._wanted.set)

    def _tell_pending(self) -> bool:
        with self._pending_lock:
            readings, self._pending = self._pending, {}
            alarms, self._alarms = self._alarms, {}
        for name, document in alarms.items():
            self._add(Kind.ALARM, name, 0, partial(event_text, Kind.ALARM, document))
        latest_us = not_ahead_us(self.clock())
        for signal, reading in readings.items():
            told_us = self._newest_us.get(signal, reading.time_us - 1)
            if reading.time_us > told_us or told_us > latest_us:
                self._newest_us[signal] = reading.time_us
                self._add(Kind.READING, signal, reading.time_us, partial(reading_text, reading))
        self._wake_viewers()
        return bool(readings or alarms)

    def _add(self, kind: Kind, key: str, time_us: int, write: Callable[[Position], bytes]) -> None:
        self._last += 1
        self._ring.append(News(kind, key, time_us, self._last, write(self.position)))

    def _wake_viewers(self) -> None:
        self._arrived.set()
        self._arrived = asyncio.Event()
