"""The store: readings are appended and never changed; snapshots keep what was concluded from them.

A forecast alone is changed: it gives way to a newer one of the same moment.
"""

import math
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future
from contextlib import AbstractContextManager, contextmanager
from operator import attrgetter, index
from pathlib import Path
from queue import Empty, LifoQueue
from typing import TypeVar

import numpy as np

from ..signals import OUTDOOR_FORECAST
from . import hours
from .readings import Appended, Held, Reading, Series, Thinned
from .schema import LOCK_PATIENCE_S, StoreError, connect, explain, open_store_file
from .writer import Writer

T = TypeVar("T")

Observer = Callable[[dict[str, Reading]], None]
"""Told of each batch once it is safe on the disk: its newest reading of every signal."""

_SERIES = np.dtype([("time_us", np.int64), ("value", np.float64)])
_LARGEST_TIME_US = 2**63 - 1
_PROBE = "probe"


class Store:
    """The readings of one house in one SQLite file; safe to use from many threads at once.

    One writer thread commits; each read uses a connection of its own from a pool and sees the last commit, never half
    a batch. What `append` acknowledged survives `kill -9` and, if the disk keeps its word, a power cut. Every method
    raises StoreError, naming the file and what to do, when the disk or the file fails.

    Example::

        with Store.open(path) as store:
            store.append([Reading(to_us(now), "indoor.pm25", 8.5)])  # Appended(new=1, repeated=0, differing=0)
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._writer = Writer(path, connection)
        self._readers: LifoQueue[sqlite3.Connection] = LifoQueue()
        self._observers: tuple[Observer, ...] = ()
        self._taken = Appended()
        self._closed = False

    @classmethod
    def open(cls, path: Path | str, *, lock_patience_s: float = LOCK_PATIENCE_S) -> "Store":
        """Open the store at `path`, creating or upgrading it as needed.

        Waits up to `lock_patience_s` for another program's lock. Raises StoreError for a file that is no store, was
        written by a newer version, is locked or may not be written.
        """
        path = Path(path).absolute()
        return cls(path, open_store_file(path, lock_patience_s))

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Commit what is queued and close the file; later calls of anything but `close` raise StoreError."""
        self._closed = True
        while True:
            try:
                self._readers.get_nowait().close()
            except Empty:
                break
        self._writer.close()

    @property
    def is_closed(self) -> bool:
        """Whether it was closed, after which it tells and takes nothing."""
        return self._closed

    def append(self, readings: Iterable[Reading]) -> Appended:
        """Keep a batch, all or none of it, and return once it is safe on the disk.

        A reading whose signal and time are there already changes nothing, unless it is a forecast: of a moment the last
        one told stays. Raises ValueError, keeping nothing, for a value that is not finite or a time outside 64 bits,
        and TypeError for a time that is no whole number.
        """
        return self.append_soon(readings).result()

    def append_soon(self, readings: Iterable[Reading]) -> Future[Appended]:
        """As `append`, without waiting: the future is done once the batch is safe on the disk."""
        batch = [_checked(reading) for reading in readings]
        # The primary key's order: neighbouring rows go to the same page.
        batch.sort(key=attrgetter("signal", "time_us"))
        promise = self._writer.submit(lambda connection: self._insert(connection, batch))
        promise.add_done_callback(self._count)
        if self._observers:
            promise.add_done_callback(lambda done: self._tell_observers(done, batch))
        return promise

    def observe(self, observer: Observer) -> Callable[[], None]:
        """Have `observer` told of every batch with new readings, after it is safe on the disk; returns how to end that.

        It is called in the writer's thread and holds up all who append: it must do next to nothing and raise nothing.
        """
        self._observers = (*self._observers, observer)

        def end() -> None:
            self._observers = tuple(other for other in self._observers if other is not observer)

        return end

    @property
    def taken(self) -> Appended:
        """What became of all batches that were kept since the store was opened."""
        return self._taken

    def _count(self, promise: Future[Appended]) -> None:
        # The writer's thread alone keeps promises, so that nothing is counted twice or lost.
        if not promise.cancelled() and promise.exception() is None:
            self._taken = self._taken.and_also(promise.result())

    def trouble(self) -> StoreError | None:
        """Why the disk does not take what is written, by the last that was; None if it does, and has for a minute."""
        return self._writer.trouble()

    def probe(self) -> None:
        """Write next to nothing, to see whether the disk takes it."""
        self.keep_snapshot(_PROBE, 0, "{}")

    def size_bytes(self) -> int:
        """The room taken on the disk, write-ahead log included."""
        beside = (self.path, self.path.with_name(f"{self.path.name}-wal"))
        try:
            return sum(path.stat().st_size for path in beside if path.exists())
        except OSError as error:
            raise StoreError(self.path, f"cannot be found ({error.strerror}); check the disk") from error

    def series(self, signal: str, start_us: int, end_us: int, *, limit: int | None = None) -> Series:
        """The readings of `signal` with start_us <= time < end_us, in order of time; at most the first `limit`."""
        with self._reader() as reader:
            rows = reader.execute(
                "SELECT time, value FROM reading WHERE signal = (SELECT id FROM signal WHERE name = ?)"
                " AND time >= ? AND time < ? ORDER BY time LIMIT ?",
                (signal, start_us, end_us, -1 if limit is None else limit),
            )
            table = np.fromiter(rows, _SERIES)
        return Series(table["time_us"].copy(), table["value"].copy())

    def thinned(self, signal: str, start_us: int, end_us: int, interval_us: int) -> Thinned:
        """Mean, lowest and highest reading of each interval of `interval_us` that has any, start_us <= time < end_us.

        Intervals start at whole multiples of `interval_us` since 1970 UTC; the first and the last may be cut short by
        the bounds. A thinned hour counts whole, as if it lay where it starts. Raises ValueError for an interval that is
        not positive.
        """
        if interval_us <= 0:
            raise ValueError(f"an interval of {interval_us} us cannot hold readings; give a positive one")
        with self._reader() as reader:
            return hours.by_intervals(reader, signal, start_us, end_us, interval_us)

    def held(self, signal: str, start_us: int, end_us: int, interval_us: int, hold_us: int) -> Held:
        """A state by intervals as in `thinned`, weighted by time; a value holds for `hold_us` at most.

        Within a thinned hour each reading is taken to have held until the next. Raises ValueError for an interval that
        is not positive.
        """
        if interval_us <= 0:
            raise ValueError(f"an interval of {interval_us} us cannot hold readings; give a positive one")
        with self._reader() as reader:
            return hours.held(reader, signal, start_us, end_us, interval_us, hold_us)

    def latest(self, signal: str, *, until_us: int = _LARGEST_TIME_US) -> Reading | None:
        """The newest reading of `signal` that is of no later time than `until_us`, if there is any."""
        with self._reader() as reader:
            row = reader.execute(
                "SELECT time, value FROM reading WHERE signal = (SELECT id FROM signal WHERE name = ?)"
                " AND time <= ? ORDER BY time DESC LIMIT 1",
                (signal, until_us),
            ).fetchone()
        return None if row is None else Reading(row[0], signal, row[1])

    def latest_all(self) -> dict[str, Reading]:
        """The newest reading of every signal that has any, by name."""
        with self._reader() as reader:
            rows = reader.execute(
                "SELECT signal.name, reading.time, reading.value FROM signal JOIN reading ON reading.signal = signal.id"
                " AND reading.time = (SELECT max(time) FROM reading WHERE reading.signal = signal.id)"
                " ORDER BY signal.name"
            ).fetchall()
        return {name: Reading(time_us, name, value) for name, time_us, value in rows}

    def signals(self) -> tuple[str, ...]:
        """The names of all signals of which readings were ever kept."""
        with self._reader() as reader:
            return tuple(name for (name,) in reader.execute("SELECT name FROM signal ORDER BY name"))

    def extent(self) -> tuple[int, int] | None:
        """The times of the oldest and the newest reading of any signal that is measured, none of a forecast.

        In microseconds since 1970 UTC; None if there is none.
        """
        with self._reader() as reader:
            first, last = reader.execute(
                "SELECT min((SELECT min(time) FROM reading WHERE reading.signal = signal.id)),"
                " max((SELECT max(time) FROM reading WHERE reading.signal = signal.id)) FROM signal WHERE name <> ?",
                (OUTDOOR_FORECAST,),
            ).fetchone()
        return None if first is None else (first, last)

    def keep_snapshot(self, kind: str, time_us: int, document: str, *, newest: int = 1000) -> None:
        """Keep a JSON document concluded at `time_us`, in place of an earlier one of that kind and time.

        Of each kind the `newest` latest are kept and older ones dropped, so that the file does not grow without bound.
        """

        def work(connection: sqlite3.Connection) -> None:
            connection.execute("INSERT OR REPLACE INTO snapshot VALUES (?, ?, ?)", (kind, time_us, document))
            connection.execute(
                "DELETE FROM snapshot WHERE kind = ? AND time <= "
                "(SELECT time FROM snapshot WHERE kind = ? ORDER BY time DESC LIMIT 1 OFFSET ?)",
                (kind, kind, newest),
            )

        if newest < 1:
            raise ValueError(f"{newest} snapshots to keep would drop the one given; keep at least 1")
        self._writer.submit(work).result()

    def keep_snapshots(self, kind: str, documents: Mapping[int, str]) -> None:
        """Keep JSON documents by their times, all or none, in place of earlier ones; none is ever dropped."""
        rows = [(kind, time_us, document) for time_us, document in documents.items()]
        self._writer.submit(
            lambda connection: connection.executemany("INSERT OR REPLACE INTO snapshot VALUES (?, ?, ?)", rows)
        ).result()

    def latest_snapshot(self, kind: str) -> tuple[int, str] | None:
        """The time and the JSON of the newest snapshot of `kind`, if there is any."""
        with self._reader() as reader:
            row = reader.execute(
                "SELECT time, document FROM snapshot WHERE kind = ? ORDER BY time DESC LIMIT 1", (kind,)
            ).fetchone()
        return None if row is None else (row[0], row[1])

    def snapshots(self, kind: str, *, newest: int) -> list[tuple[int, str]]:
        """The times and the JSON of the `newest` latest snapshots of `kind`, the newest first."""
        with self._reader() as reader:
            return reader.execute(
                "SELECT time, document FROM snapshot WHERE kind = ? ORDER BY time DESC LIMIT ?", (kind, newest)
            ).fetchall()

    def snapshots_after(self, kind: str, time_us: int) -> list[tuple[int, str]]:
        """The times and the JSON of the snapshots of `kind` later than `time_us`, the oldest first."""
        with self._reader() as reader:
            return reader.execute(
                "SELECT time, document FROM snapshot WHERE kind = ? AND time > ? ORDER BY time", (kind, time_us)
            ).fetchall()

    def write(self, work: Callable[[sqlite3.Connection], T]) -> Future[T]:
        """Run `work` on the writing connection; the future is done once what it did is safe on the disk.

        For tables that a module of its own looks after. `work` shares its transaction with others and must not commit.
        """
        return self._writer.submit(work)

    def read(self) -> AbstractContextManager[sqlite3.Connection]:
        """A connection that only reads, for the length of a `with`; errors of the database become StoreError."""
        return self._reader()

    def _tell_observers(self, done: Future[Appended], batch: list[Reading]) -> None:
        if done.cancelled() or done.exception() is not None or not done.result().new:
            return
        # The batch is in order of signal and time: of each signal, the last one stays.
        newest = {reading.signal: reading for reading in batch}
        for observer in self._observers:
            observer(newest)

    def _insert(self, connection: sqlite3.Connection, batch: list[Reading]) -> Appended:
        ids = {name: signal_id(connection, name) for name in {reading.signal for reading in batch}}
        touched = {(ids[signal], hours.hour_of(time_us)) for time_us, signal, _ in batch}
        too_late = 0
        if thinned := hours.thinned_among(connection, touched):
            whole = len(batch)
            batch = [each for each in batch if (ids[each.signal], hours.hour_of(each.time_us)) not in thinned]
            too_late = whole - len(batch)
        cursor = connection.executemany(
            "INSERT INTO reading (signal, time, value) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
            ((ids[signal], time_us, value) for time_us, signal, value in batch),
        )
        new = max(cursor.rowcount, 0)
        forecast = ids.get(OUTDOOR_FORECAST)
        if forecast is not None:
            # In the order they came, so that the last one told of a moment stays.
            renewed = connection.executemany(
                "UPDATE reading SET value = ?1 WHERE signal = ?2 AND time = ?3 AND value <> ?1",
                [(value, forecast, time_us) for time_us, signal, value in batch if signal == OUTDOOR_FORECAST],
            )
            new += max(renewed.rowcount, 0)
        if new:
            hours.mark_stale(connection, touched - thinned)
        if new == len(batch):
            return Appended(new, too_late=too_late)
        # Every reading of the batch now has a row; one that holds another value was there first.
        kept = connection.cursor()
        differing = sum(
            kept.execute(
                "SELECT value <> ? FROM reading WHERE signal = ? AND time = ?", (value, ids[signal], time_us)
            ).fetchone()[0]
            for time_us, signal, value in batch
            if signal != OUTDOOR_FORECAST
        )
        return Appended(new, len(batch) - new - differing, differing, too_late)

    @contextmanager
    def _reader(self) -> Iterator[sqlite3.Connection]:
        if self._closed:
            raise StoreError(self.path, "is closed; open it again")
        try:
            reader = self._readers.get_nowait()
        except Empty:
            reader = connect(self.path)
            reader.execute("PRAGMA query_only = ON")
        try:
            yield reader
        except sqlite3.Error as error:
            raise StoreError(self.path, explain(error)) from error
        finally:
            # A closed store takes no connection back.
            if self._closed:
                reader.close()
            else:
                self._readers.put(reader)


def signal_id(connection: sqlite3.Connection, name: str) -> int:
    """The number that a signal has in the file; one that has none yet is given one."""
    row = connection.execute("SELECT id FROM signal WHERE name = ?", (name,)).fetchone()
    if row is None:
        row = connection.execute("INSERT INTO signal (name) VALUES (?) RETURNING id", (name,)).fetchone()
    return int(row[0])


def _checked(reading: Reading) -> Reading:
    time_us, signal, value = reading
    if not math.isfinite(value):
        raise ValueError(f"{signal}: {value} is not a value; leave the reading out")
    time_us = index(time_us)
    if abs(time_us) > _LARGEST_TIME_US:
        raise ValueError(f"{signal}: {time_us} is not a time in microseconds; give a whole number within 64 bits")
    return Reading(time_us, signal, float(value))
