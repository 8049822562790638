"""What waits to be sent to a contractor's collector, filled by the transaction that takes a reading in.

A trigger of the file itself puts each new reading of a forwarded signal into the outbox, so that nothing reaches the
readings and not the outbox, whichever program brings it in and however late or out of order. The outbox holds values of
its own: retention may drop the readings meanwhile. What is settled is taken out reading by reading, never by a mark
that others may have slipped under. A house that forwards nothing has no trigger and pays nothing.
"""

import sqlite3
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from .readings import Reading
from .store import Store, signal_id

_TRIGGER = "reading_is_to_be_forwarded"
_WAITING = "SELECT time, name, value FROM outbox JOIN signal ON signal.id = outbox.signal ORDER BY time, signal LIMIT ?"
_OF_SIGNAL = "time = ? AND signal = (SELECT id FROM signal WHERE name = ?)"


@dataclass(frozen=True)
class Forwarding:
    """How it stands: readings that wait, readings put aside since the collector refused them, when it last took any.

    `settled_us` is when the collector last took readings, or when forwarding began.
    """

    waiting: int
    put_aside: int
    settled_us: int


def forward(store: Store, signals: Collection[str], now_us: int, history_us: int = 0) -> None:
    """From now on, put every new reading of these signals, and of no others, into the outbox.

    Where forwarding begins, the readings of the last `history_us` go in, too. What waits of a signal that is no longer
    among them is dropped: the house's owner has taken it off the list. A store that does so already is not written to,
    so that a service can start on a full disk. Raises StoreError.
    """
    names = sorted(set(signals))
    with store.read() as reader:
        known = dict(reader.execute("SELECT name, id FROM signal").fetchall())
        present = reader.execute("SELECT sql FROM sqlite_schema WHERE name = ?", (_TRIGGER,)).fetchone()
    if present is not None and known.keys() >= set(names) and present[0] == _trigger([known[name] for name in names]):
        return

    def work(connection: sqlite3.Connection) -> None:
        ids = [signal_id(connection, name) for name in names]
        connection.execute(f"DROP TRIGGER IF EXISTS {_TRIGGER}")
        connection.execute(_trigger(ids))
        for table in ("outbox", "put_aside"):
            connection.execute(f"DELETE FROM {table} WHERE signal NOT IN ({_listed(ids)})")  # noqa: S608  numbers
        if present is None:
            connection.execute("INSERT OR REPLACE INTO forwarding VALUES (1, ?)", (now_us,))
            connection.executemany(
                "INSERT OR IGNORE INTO outbox SELECT time, signal, value FROM reading WHERE signal = ? AND time >= ?",
                [(each, now_us - history_us) for each in ids] if history_us else (),
            )

    store.write(work).result()


def try_again(store: Store) -> None:
    """Send what was put aside once more, since either side may have been upgraded; raises StoreError."""

    def work(connection: sqlite3.Connection) -> None:
        connection.execute("INSERT OR IGNORE INTO outbox SELECT time, signal, value FROM put_aside")
        connection.execute("DELETE FROM put_aside")

    if forwarding(store).put_aside:
        store.write(work).result()


def stop_forwarding(store: Store) -> int:
    """Put nothing more into the outbox; what waits in it stays, and this is how many readings it is.

    A store that forwards nothing is not written to. Raises StoreError.
    """
    with store.read() as reader:
        asked = "SELECT EXISTS (SELECT 1 FROM sqlite_schema WHERE type = 'trigger' AND name = ?)"
        (forwards,) = reader.execute(asked, (_TRIGGER,)).fetchone()
    if forwards:
        store.write(lambda connection: connection.execute(f"DROP TRIGGER IF EXISTS {_TRIGGER}")).result()
    return forwarding(store).waiting


def first_waiting(store: Store, most: int) -> list[Reading]:
    """The oldest readings that wait, at most so many; raises StoreError."""
    with store.read() as reader:
        return [Reading(*row) for row in reader.execute(_WAITING, (most,))]


def settle(store: Store, taken: Iterable[Reading], refused: Mapping[Reading, str], now_us: int) -> None:
    """Take out what the collector has taken, and put aside, with the reason, what it has refused.

    Returns once that is safe on the disk; raises StoreError.
    """
    taken = list(taken)

    def work(connection: sqlite3.Connection) -> None:
        connection.executemany(
            f"INSERT OR REPLACE INTO put_aside SELECT time, signal, value, ? FROM outbox WHERE {_OF_SIGNAL}",  # noqa: S608
            [(reason, time_us, signal) for (time_us, signal, _), reason in refused.items()],
        )
        connection.executemany(
            f"DELETE FROM outbox WHERE {_OF_SIGNAL}",  # noqa: S608
            [(time_us, signal) for time_us, signal, _ in (*taken, *refused)],
        )
        connection.execute("INSERT OR REPLACE INTO forwarding VALUES (1, ?)", (now_us,))

    store.write(work).result()


def settled_us(store: Store) -> int:
    """When the collector last took readings, or forwarding began; 0 if it never has. Raises StoreError."""
    with store.read() as reader:
        row = reader.execute("SELECT settled FROM forwarding").fetchone()
    return 0 if row is None else int(row[0])


def forwarding(store: Store) -> Forwarding:
    """How forwarding stands; raises StoreError."""
    with store.read() as reader:
        counted = reader.execute(
            "SELECT (SELECT count(*) FROM outbox), (SELECT count(*) FROM put_aside), (SELECT settled FROM forwarding)"
        ).fetchone()
    waiting, aside, settled = counted
    return Forwarding(waiting, aside, settled or 0)


def _trigger(ids: Iterable[int]) -> str:
    # A trigger takes no parameters; the numbers are the file's own.
    return (
        f"CREATE TRIGGER {_TRIGGER} AFTER INSERT ON reading WHEN NEW.signal IN ({_listed(ids)})"  # noqa: S608
        " BEGIN INSERT OR IGNORE INTO outbox VALUES (NEW.time, NEW.signal, NEW.value); END"
    )


def _listed(ids: Iterable[int]) -> str:
    return ", ".join(map(str, ids))
