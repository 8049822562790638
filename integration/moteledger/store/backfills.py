"""How far each recording has been brought in, so that an interrupted backfill goes on where it was."""

import sqlite3
from dataclasses import dataclass

from .readings import Appended
from .store import Store

NOTHING = Appended()


@dataclass(frozen=True)
class Backfill:
    """A recording, known by its content: how many of its chunks and readings are in, what became of them."""

    digest: str
    chunks: int = 0
    readings: int = 0
    appended: Appended = NOTHING
    finished: bool = False


def find_backfill(store: Store, digest: str) -> Backfill | None:
    """What is known of the recording with this digest; None if it was never begun. Raises StoreError."""
    with store.read() as reader:
        row = reader.execute(
            "SELECT chunks, readings, new, repeated, differing, too_late, finished FROM backfill WHERE digest = ?",
            (digest,),
        ).fetchone()
    if row is None:
        return None
    chunks, readings, new, repeated, differing, too_late, finished = row
    return Backfill(digest, chunks, readings, Appended(new, repeated, differing, too_late), bool(finished))


def keep_backfill(store: Store, state: Backfill) -> None:
    """Remember how far it is, once that is safe on the disk; raises StoreError."""
    new, repeated, differing, too_late = state.appended

    def work(connection: sqlite3.Connection) -> None:
        connection.execute(
            "INSERT OR REPLACE INTO backfill VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (state.digest, state.chunks, state.readings, new, repeated, differing, too_late, int(state.finished)),
        )

    store.write(work).result()
