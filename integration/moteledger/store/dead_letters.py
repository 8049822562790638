"""Messages that an address refused for good: put aside, and sent again or discarded only when a person says so."""

import sqlite3
from dataclasses import dataclass

from .store import Store

MOST_KEPT = 1000
"""Of all webhooks together; the oldest make room."""

_COLUMNS = "webhook, event, happened, document, status, refused, again"
_OF_ONE = "webhook = ? AND event = ? AND happened = ?"


@dataclass(frozen=True)
class DeadLetter:
    """A message of a webhook that was refused: what had happened and when, and the status of the refusal.

    Times in microseconds since 1970 UTC; `again` is whether a person has asked for it to be sent once more.
    """

    webhook: str
    event: str
    happened_us: int
    document: str
    status: int
    refused_us: int
    again: bool = False


class DeadLetters:
    """The dead letters in a store; every method waits for the disk and raises StoreError when it fails."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def put_aside(self, letter: DeadLetter) -> None:
        """Keep a letter, in place of the same one refused before."""

        def work(connection: sqlite3.Connection) -> None:
            connection.execute(
                f"INSERT OR REPLACE INTO dead_letter ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)",  # noqa: S608  our own
                (
                    letter.webhook,
                    letter.event,
                    letter.happened_us,
                    letter.document,
                    letter.status,
                    letter.refused_us,
                    int(letter.again),
                ),
            )
            connection.execute(
                "DELETE FROM dead_letter WHERE refused < "
                "(SELECT refused FROM dead_letter ORDER BY refused DESC LIMIT 1 OFFSET ?)",
                (MOST_KEPT - 1,),
            )

        self._store.write(work).result()

    def all(self) -> tuple[DeadLetter, ...]:
        """Every letter, the one refused last first."""
        return self._found("1 ORDER BY refused DESC, webhook, happened DESC", ())

    def wanted_again(self, webhook: str) -> tuple[DeadLetter, ...]:
        """Those of a webhook that are to be sent once more, the oldest first."""
        return self._found("webhook = ? AND again ORDER BY happened", (webhook,))

    def send_again(self, webhook: str, event: str, happened_us: int) -> DeadLetter | None:
        """Have a letter sent once more; None if there is no such one."""
        return self._change("UPDATE dead_letter SET again = 1", webhook, event, happened_us)

    def discard(self, webhook: str, event: str, happened_us: int) -> DeadLetter | None:
        """Let go of a letter, and say which it was; None if there is no such one."""
        return self._change("DELETE FROM dead_letter", webhook, event, happened_us)

    def _change(self, statement: str, *key: str | int) -> DeadLetter | None:
        def work(connection: sqlite3.Connection) -> DeadLetter | None:
            row = connection.execute(f"{statement} WHERE {_OF_ONE} RETURNING {_COLUMNS}", key).fetchone()
            return None if row is None else _letter(row)

        return self._store.write(work).result()

    def _found(self, condition: str, values: tuple[str, ...]) -> tuple[DeadLetter, ...]:
        with self._store.read() as reader:
            rows = reader.execute(f"SELECT {_COLUMNS} FROM dead_letter WHERE {condition}", values).fetchall()  # noqa: S608
        return tuple(map(_letter, rows))


def _letter(row: tuple[str, str, int, str, int, int, int]) -> DeadLetter:
    webhook, event, happened_us, document, status, refused_us, again = row
    return DeadLetter(webhook, event, happened_us, document, status, refused_us, again=bool(again))
