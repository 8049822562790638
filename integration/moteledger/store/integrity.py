"""Whether a store is sound: what SQLite says of the file, and whether its tables agree with each other."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

from .hours import HOUR_US
from .schema import StoreError, connect, explain, refuse_other_files, version_of

_MOST_TOLD = 20
_VERSION_WITH_HOURS = 3
_QUESTIONS: tuple[tuple[str, str], ...] = (
    (
        "{} readings are no number or of no signal",
        """SELECT count(*) FROM reading LEFT JOIN signal ON signal.id = reading.signal
        WHERE signal.id IS NULL OR abs(value) > 1.7e308""",
    ),
    (
        "{} hours have readings and neither figures nor the mark that they are to be made",
        """SELECT count(*) FROM (SELECT DISTINCT signal, time - (time % :hour + :hour) % :hour AS start
        FROM reading) AS here
        WHERE NOT EXISTS (SELECT 1 FROM hourly WHERE hourly.signal = here.signal AND hourly.start = here.start)
        AND NOT EXISTS (SELECT 1 FROM stale WHERE stale.signal = here.signal AND stale.start = here.start)""",
    ),
    (
        "{} thinned hours have readings still",
        """SELECT count(*) FROM hourly WHERE thinned AND EXISTS (SELECT 1 FROM reading
        WHERE reading.signal = hourly.signal AND time >= start AND time < start + :hour)""",
    ),
    (
        "{} hours have figures that are not those of their readings",
        """SELECT count(*) FROM hourly WHERE NOT thinned
        AND NOT EXISTS (SELECT 1 FROM stale WHERE stale.signal = hourly.signal AND stale.start = hourly.start)
        AND (count, low, high, first_time, last_time) IS NOT (
            SELECT count(*), min(value), max(value), min(time), max(time) FROM reading
            WHERE reading.signal = hourly.signal AND time >= start AND time < start + :hour)""",
    ),
)
"""What must not be found, and how many of it there are."""


def problems_of(path: Path) -> tuple[str, ...]:
    """All that is wrong with the store at `path`, nothing if it is sound; it may be in use. It is not changed.

    Raises StoreError for a file that is no store, is missing or cannot be read at all.
    """
    if not path.is_file():
        raise StoreError(path, "no such file; give the store that is to be checked")
    found: list[str] = []
    with closing(connect(path)) as connection:
        try:
            connection.execute("PRAGMA query_only = ON")
            refuse_other_files(connection, path)
            found += [told for (told,) in connection.execute(f"PRAGMA quick_check({_MOST_TOLD})") if told != "ok"]
            found += [
                f"row {row} of {table} points at no {parent}"
                for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check").fetchmany(_MOST_TOLD)
            ]
            # The tables of an older version are brought up to date when the service opens the file.
            if not found and version_of(connection) >= _VERSION_WITH_HOURS:
                counts = [
                    (told, connection.execute(asked, {"hour": HOUR_US}).fetchone()[0]) for told, asked in _QUESTIONS
                ]
                found += [told.format(count) for told, count in counts if count]
            found += _broken_documents(connection)
        except sqlite3.DatabaseError as error:
            found.append(explain(error))
    return tuple(found)


def _broken_documents(connection: sqlite3.Connection) -> list[str]:
    broken = []
    for kind, time_us, document in connection.execute("SELECT kind, time, document FROM snapshot"):
        try:
            json.loads(document)
        except ValueError:
            broken.append(f"the {kind} kept for {time_us} is no JSON")
    return broken[:_MOST_TOLD]
