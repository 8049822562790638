"""The one writer: a thread that owns the writing connection and commits what waits for it in groups."""

import sqlite3
import threading
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from time import monotonic
from typing import Generic, TypeVar

from .schema import StoreError, explain, hinders_writing, is_full

T = TypeVar("T")

FileNumber = tuple[int, int]

QUIET_S = 60.0
"""A disk is taken to be well again once it has refused nothing for so long: small writes may still find room where
large ones do not.
"""

_LARGEST_GROUP = 256


class _Job(Generic[T]):
    """A piece of work on the connection, and the promise of its result."""

    def __init__(self, work: Callable[[sqlite3.Connection], T]) -> None:
        self._work = work
        self.promise: Future[T] = Future()
        self._result: T

    def run(self, connection: sqlite3.Connection) -> None:
        self._result = self._work(connection)

    def acknowledge(self) -> None:
        self.promise.set_result(self._result)


class Writer:
    """Runs pieces of work one after the other and keeps their promises only once they are safe on the disk.

    Whatever waits when the disk becomes free shares one transaction and one flush (group commit), so that many small
    writers together are almost as fast as one large batch. Work that fails is undone alone.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self._path = path
        self._connection = connection
        self._file = file_number(path)
        self._jobs: SimpleQueue[_Job[object] | None] = SimpleQueue()
        self._closing = threading.Lock()
        self._closed = False
        self._refused: tuple[float, StoreError] | None = None
        self._wrote = True
        self._thread = threading.Thread(target=self._run, name="store writer", daemon=True)
        self._thread.start()

    def submit(self, work: Callable[[sqlite3.Connection], T]) -> Future[T]:
        """Queue `work`; the future is done once it is committed, or holds the StoreError that prevented it."""
        job = _Job(work)
        with self._closing:
            if self._closed:
                raise StoreError(self._path, "is closed; open it again")
            self._jobs.put(job)  # type: ignore[arg-type]
        return job.promise

    def trouble(self) -> StoreError | None:
        """Why the disk does not take what is written; None if it does, and has for a while."""
        refused = self._refused
        if refused is None or (self._wrote and monotonic() - refused[0] > QUIET_S):
            return None
        return refused[1]

    def close(self) -> None:
        """Finish all that is queued, then close the connection; calling it again does nothing."""
        with self._closing:
            if not self._closed:
                self._closed = True
                self._jobs.put(None)
        self._thread.join()

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            group = [job]
            last = False
            while len(group) < _LARGEST_GROUP and not last:
                try:
                    following = self._jobs.get_nowait()
                except Empty:
                    break
                if following is None:
                    last = True
                else:
                    group.append(following)
            self._commit_group(group)
            if last:
                break
        self._connection.close()

    def _commit_group(self, group: list[_Job[object]]) -> None:
        group = [job for job in group if job.promise.set_running_or_notify_cancel()]
        error = self._commit(group)
        if error is None:
            for job in group:
                job.acknowledge()
        elif len(group) == 1:
            group[0].promise.set_exception(self._told(error))
        else:
            for job in group:
                self._commit_alone(job)

    def _commit_alone(self, job: _Job[object]) -> None:
        error = self._commit([job])
        if error is None:
            job.acknowledge()
        else:
            job.promise.set_exception(self._told(error))

    def _commit(self, group: list[_Job[object]]) -> Exception | None:
        """Run and commit all of `group`, or none of it and return why."""
        try:
            self._require_file()
            self._connection.execute("BEGIN IMMEDIATE")
            for job in group:
                job.run(self._connection)
            self._connection.execute("COMMIT")
            self._require_file()
        except Exception as error:
            # Whoever waits is told of the first error; a second one here must not end this thread, or all would hang.
            with suppress(sqlite3.Error):
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
            if isinstance(error, _FileGoneError):
                self._wrote, self._refused = False, (monotonic(), error)
            elif isinstance(error, sqlite3.Error) and hinders_writing(error):
                self._wrote, self._refused = False, (monotonic(), StoreError(self._path, explain(error)))
            return error
        self._wrote = True
        return None

    def _require_file(self) -> None:
        """What is written into a file that has no name any more is lost, though the disk takes it."""
        if file_number(self._path) != self._file:
            raise _FileGoneError(
                self._path, "was removed or replaced while in use; put it back, or start the service again"
            )

    def _told(self, error: Exception) -> Exception:
        if not isinstance(error, sqlite3.Error):
            return error
        told = StoreError(self._path, explain(error), disk_is_full=is_full(error))
        told.__cause__ = error
        return told


class _FileGoneError(StoreError):
    """Another file, or none, stands where the store was opened."""


def file_number(path: Path) -> FileNumber | None:
    """What tells a file from another that has come to stand in its place; None if there is none."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino
