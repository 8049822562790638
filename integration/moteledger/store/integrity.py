"""Whether a store is sound: what SQLite says of the file, and whether its tables agree with each other."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

from .hours import HOUR_US
from .schema import StoreError, connect, explain, refuse_other_files, version_of

_MOST_TOLD = 20
_VERSION_WITH_HOURS = 3
_ROUNDING = 1e-9
"""Sums of an hour may differ by this share of the sum of their sizes: another SQLite may add up in another way."""

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
        """WITH spell AS (
            SELECT signal, start, time, value, value * (
                (lead(time, 1, time) OVER (PARTITION BY signal, start ORDER BY time) - time) / 3.6e9) AS held
            FROM (SELECT signal, time - (time % :hour + :hour) % :hour AS start, time, value FROM reading)
        ),
        here AS (
            SELECT signal, start, count(*) AS count, sum(value) AS total, min(value) AS low, max(value) AS high,
                min(time) AS first_time, max(time) AS last_time, sum(held) AS held, sum(abs(value)) AS size
            FROM spell GROUP BY signal, start
        )
        SELECT count(*) FROM hourly AS told LEFT JOIN here ON here.signal = told.signal AND here.start = told.start
        WHERE NOT thinned
        AND NOT EXISTS (SELECT 1 FROM stale WHERE stale.signal = told.signal AND stale.start = told.start)
        AND (
            (told.count, told.low, told.high, told.first_time, told.last_time)
            IS NOT (here.count, here.low, here.high, here.first_time, here.last_time)
            OR (abs(told.total - here.total) <= :rounding * size) IS NOT TRUE
            OR (abs(told.held - here.held) <= :rounding * size) IS NOT TRUE
            OR first_value IS NOT (SELECT value FROM reading
                WHERE reading.signal = told.signal AND time = told.first_time)
            OR last_value IS NOT (SELECT value FROM reading
                WHERE reading.signal = told.signal AND time = told.last_time)
        )""",
    ),
    (
        "{} hours have figures that no readings can have",
        """SELECT count(*) FROM hourly WHERE (
            count > 0 AND low <= high
            AND total BETWEEN count * low - :rounding * count * max(abs(low), abs(high))
                AND count * high + :rounding * count * max(abs(low), abs(high))
            AND first_value BETWEEN low AND high AND last_value BETWEEN low AND high
            AND held BETWEEN min(low, 0.0) - :rounding * abs(low) AND max(high, 0.0) + :rounding * abs(high)
            AND start <= first_time AND first_time <= last_time AND last_time < start + :hour
        ) IS NOT TRUE""",
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
                bounds = {"hour": HOUR_US, "rounding": _ROUNDING}
                counts = [(told, connection.execute(asked, bounds).fetchone()[0]) for told, asked in _QUESTIONS]
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
