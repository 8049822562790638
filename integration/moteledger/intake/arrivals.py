"""What came from each source: its state, its counts, and by signal the last value, how it was converted and when.

Kept in memory from the start of the service on; for people who set a house up, for the health check and for metrics.
"""

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from threading import Lock

from pydantic import BaseModel, ConfigDict, Field

from ..settings import House
from ..store import Appended, Reading
from .mapping import Arrived, Refused
from .moments import text_of
from .purposes import MissingSignals, missing_signals
from .records import Records, Refusal

REFUSALS_KEPT = 20


class SignalArrival(BaseModel):
    """The last of one signal: as it came, what was made of it, when; `raw` is null where it came ready to be kept."""

    model_config = ConfigDict(frozen=True)

    signal: str
    raw: str | None = None
    raw_unit: str | None = None
    value: float | None = Field(None, description="In the signal's own unit; null if no reading was kept yet.")
    time: str | None = None
    received: str | None = None
    kept: int = Field(0, description="Readings kept, new or there already.")
    refused: int = 0
    absent: int = Field(0, description="Documents without the mapped place.")
    last_refusal: Refusal | None = None


class SourceReport(BaseModel):
    """One source: whether it works, and what came from it."""

    model_config = ConfigDict(frozen=True)

    name: str
    kind: str
    address: str
    state: str = Field(description="waiting (nothing yet), good, or failing.")
    last_good: str | None
    error: str | None
    next_try: str | None
    failures: int = Field(description="Attempts that failed since the start.")
    documents: int
    accepted: int
    repeated: int
    differing: int
    refused: int
    too_late: int = Field(0, description="Readings of hours thinned to their figures; not kept.")
    waiting: int | None = Field(None, description="Of a collector: readings that are stored here until it takes them.")
    put_aside: int | None = Field(None, description="Of a collector: readings that it refused, kept here.")
    refusals: list[Refusal] = Field(description="The last refused records.")
    signals: list[SignalArrival]


class SourcesReport(BaseModel):
    """All sources, and the signals that would tell more of this house."""

    time: str
    sources: list[SourceReport]
    missing: list[MissingSignals]


@dataclass
class _OfSignal:
    arrived: Arrived | None = None
    reading: Reading | None = None
    received_us: int = 0
    kept: int = 0
    refused: int = 0
    absent: int = 0
    last_refusal: Refusal | None = None


class Source:
    """One source's state and counts; safe to use from many threads."""

    def __init__(self, name: str, kind: str, address: str, signals: Iterable[str] = ()) -> None:
        self.name, self.kind, self.address = name, kind, address
        self._lock = Lock()
        self._signals = {signal: _OfSignal() for signal in signals}
        self._refusals: deque[Refusal] = deque(maxlen=REFUSALS_KEPT)
        self._appended = Appended()
        self._documents = self._refused = self._failures = 0
        self._last_good_us: int | None = None
        self._next_try_us: int | None = None
        self._error: str | None = None
        self.consecutive_failures = 0
        self._waiting: int | None = None
        self._put_aside: int | None = None

    def waits(self, waiting: int, put_aside: int) -> None:
        """So many readings are still to be sent, and so many were refused and kept."""
        with self._lock:
            self._waiting, self._put_aside = waiting, put_aside

    def good(self, now_us: int) -> None:
        """It answered as it should."""
        with self._lock:
            self._last_good_us, self._next_try_us, self._error = now_us, None, None
            self.consecutive_failures = 0

    def failed(self, problem: str, next_try_us: int) -> None:
        """It did not, and will be tried again."""
        with self._lock:
            self._error, self._next_try_us = problem, next_try_us
            self._failures += 1
            self.consecutive_failures += 1

    def knows(self, reading: Reading) -> bool:
        """Whether this very reading is the last that was kept of its signal, so that it need not go to the disk."""
        with self._lock:
            known = self._signals.get(reading.signal)
            return known is not None and known.reading == reading

    def took(
        self,
        appended: Appended,
        now_us: int,
        *,
        documents: int = 1,
        arrived: Iterable[Arrived] = (),
        refused: Iterable[Refused] = (),
        absent: Iterable[str] = (),
    ) -> None:
        """Count what a mapping made of some documents, once what it accepted is on the disk."""
        with self._lock:
            self._documents += documents
            self._appended = self._appended.and_also(appended)
            for each in arrived:
                known = self._signals.setdefault(each.reading.signal, _OfSignal())
                known.kept += 1
                known.arrived, known.reading, known.received_us = each, each.reading, now_us
            for one in refused:
                known = self._signals.setdefault(one.signal, _OfSignal())
                known.refused += 1
                known.last_refusal = one.refusal
                self._refused += 1
                self._refusals.append(one.refusal)
            for signal in absent:
                self._signals.setdefault(signal, _OfSignal()).absent += 1

    def took_records(self, appended: Appended, records: Records, now_us: int) -> None:
        """Count what came ready to be kept, as by HTTP."""
        with self._lock:
            self._documents += 1
            self._appended = self._appended.and_also(appended)
            self._last_good_us = now_us
            self._refused += records.refused
            self._refusals.extend(records.refusals)
            for reading in records.readings:
                known = self._signals.setdefault(reading.signal, _OfSignal())
                known.kept += 1
                known.reading, known.received_us = reading, now_us

    def refused_document(self, refusal: Refusal) -> None:
        """Count a document that could not be read at all."""
        with self._lock:
            self._documents += 1
            self._refused += 1
            self._refusals.append(refusal)

    def report(self) -> SourceReport:
        """Its state now."""
        with self._lock:
            state = "failing" if self._error else "waiting" if self._last_good_us is None else "good"
            return SourceReport(
                name=self.name,
                kind=self.kind,
                address=self.address,
                state=state,
                last_good=_text(self._last_good_us),
                error=self._error,
                next_try=_text(self._next_try_us),
                failures=self._failures,
                documents=self._documents,
                accepted=self._appended.new,
                repeated=self._appended.repeated,
                differing=self._appended.differing,
                refused=self._refused,
                too_late=self._appended.too_late,
                waiting=self._waiting,
                put_aside=self._put_aside,
                refusals=list(self._refusals),
                signals=[_of_signal(name, known) for name, known in self._signals.items()],
            )


class Arrivals:
    """All sources of a house; `pushed` is whoever sends readings by HTTP."""

    def __init__(self, house: House | None = None) -> None:
        self._house = house
        self.pushed = Source("push", "http", "POST /v1/readings")
        self._sources: list[Source] = [self.pushed]

    def source(self, name: str, kind: str, address: str, signals: Iterable[str] = ()) -> Source:
        """A source that is added to the others."""
        made = Source(name, kind, address, signals)
        self._sources.append(made)
        return made

    def sources(self) -> list[SourceReport]:
        """The state of each source now."""
        return [source.report() for source in self._sources]

    def report(self, stored: Iterable[str], now_us: int) -> SourcesReport:
        """All of it: what came, and what is missing beside the signals that are `stored`."""
        sources = self.sources()
        come = {each.signal for source in sources for each in source.signals if each.value is not None}
        missing = missing_signals(self._house, come | set(stored))
        return SourcesReport(time=text_of(now_us), sources=sources, missing=missing)


def _text(time_us: int | None) -> str | None:
    return None if time_us is None else text_of(time_us)


def _of_signal(name: str, known: _OfSignal) -> SignalArrival:
    return SignalArrival(
        signal=name,
        raw=known.arrived.raw if known.arrived else None,
        raw_unit=known.arrived.unit if known.arrived else None,
        value=known.reading.value if known.reading else None,
        time=_text(known.reading.time_us if known.reading else None),
        received=_text(known.received_us or None),
        kept=known.kept,
        refused=known.refused,
        absent=known.absent,
        last_refusal=known.last_refusal,
    )


Clock = Callable[[], int]
"""The time now in microseconds since 1970 UTC."""
