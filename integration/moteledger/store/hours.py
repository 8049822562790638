"""The figures of each hour of each signal: kept for ever, exact, and all that is left of an hour once it is thinned.

Each append marks the hours it touches as stale; `roll_up` makes their figures anew from the readings and takes the mark
off in one transaction, so that it may be ended at any point and goes on where it was. An hour's figures (count, total,
extremes, its first and last reading, and the state held between the two) can be put together with those of any other
hour without loss, which is what makes a day or a year of them exact.
"""

import sqlite3
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .readings import Held, Thinned

HOUR_US = 3_600_000_000

Work = Callable[[sqlite3.Connection, int, int], int]
"""Up to so many hours that ended by a time are worked on; how many it were."""

_THINNED = np.dtype([("bucket", np.int64), ("mean", float), ("low", float), ("high", float), ("count", np.int64)])
_SPELLS = np.dtype(
    [
        ("first_us", np.int64),
        ("first", np.float64),
        ("last_us", np.int64),
        ("last", np.float64),
        ("held", np.float64),
    ]
)

_ROLL_UP = """
WITH due AS MATERIALIZED (
    SELECT signal, start FROM stale WHERE start + :hour <= :before ORDER BY signal, start LIMIT :most
),
spell AS (
    SELECT due.signal, due.start, time, value,
        value * ((lead(time, 1, time) OVER (PARTITION BY due.signal, due.start ORDER BY time) - time) / 3.6e9) AS held
    FROM due JOIN reading ON reading.signal = due.signal AND time >= due.start AND time < due.start + :hour
),
figure AS (
    SELECT signal, start, count(*) AS count, sum(value) AS total, min(value) AS low, max(value) AS high,
        min(time) AS first_time, max(time) AS last_time, sum(held) AS held
    FROM spell GROUP BY signal, start
)
INSERT OR REPLACE INTO hourly
SELECT figure.signal, start, count, total, low, high, first_time, first.value, last_time, last.value, held, 0
FROM figure
JOIN reading AS first ON first.signal = figure.signal AND first.time = first_time
JOIN reading AS last ON last.signal = figure.signal AND last.time = last_time
"""
_FRESH = """
DELETE FROM stale WHERE (signal, start) IN (
    SELECT signal, start FROM stale WHERE start + :hour <= :before ORDER BY signal, start LIMIT :most
)
"""
_DAYS_BACK = """
SELECT day + :day FROM (
    SELECT DISTINCT start - (start % :day + :day) % :day AS day FROM hourly WHERE thinned = 0
) ORDER BY day DESC LIMIT 1 OFFSET :days
"""
_THINNABLE = """
SELECT signal, start FROM hourly WHERE thinned = 0 AND start + :hour <= :before
    AND NOT EXISTS (SELECT 1 FROM stale WHERE stale.signal = hourly.signal AND stale.start = hourly.start)
ORDER BY start LIMIT :most
"""
# Where an hour's figures stand in for its readings: always once it is thinned, else if it lies whole in the span asked
# for (:first to :last), intervals are of whole hours, and nothing came since its figures were made.
_HOURS = """
FROM hourly WHERE signal = :signal AND start >= :start AND start < :end AND (
    thinned OR (start >= :first AND start < :last AND NOT EXISTS (
        SELECT 1 FROM stale WHERE stale.signal = hourly.signal AND stale.start = hourly.start)))
"""
_BEFORE = "FROM reading WHERE signal = :signal AND time >= :start AND time < :first"
_AFTER = "FROM reading WHERE signal = :signal AND time >= :last AND time < :end"
_STALE = """
FROM stale JOIN reading ON reading.signal = stale.signal AND time >= stale.start AND time < stale.start + :hour
WHERE stale.signal = :signal AND stale.start >= :first AND stale.start < :last
"""
_ONE = "SELECT time, 1, value, value, value"
_BY_INTERVALS = f"""
WITH piece (time, count, total, low, high) AS (
    SELECT start, count, total, low, high {_HOURS}
    UNION ALL {_ONE} {_BEFORE} UNION ALL {_ONE} {_AFTER} UNION ALL {_ONE} {_STALE}
)
SELECT (time - :origin) / :interval AS bucket, sum(total) / sum(count), min(low), max(high), sum(count) FROM piece
GROUP BY bucket ORDER BY bucket
"""  # noqa: S608  all parts are those above
_MOMENT = "SELECT time, value, time, value, 0.0"
_IN_SPELLS = f"""
SELECT first_time, first_value, last_time, last_value, held {_HOURS}
UNION ALL {_MOMENT} {_BEFORE} UNION ALL {_MOMENT} {_AFTER} UNION ALL {_MOMENT} {_STALE}
ORDER BY 1
"""
_STATE_BEFORE = """
SELECT time, value FROM (
    SELECT time, value FROM (
        SELECT time, value FROM reading WHERE signal = :signal AND time < :start ORDER BY time DESC LIMIT 1)
    UNION ALL SELECT last_time, last_value FROM (
        SELECT last_time, last_value FROM hourly WHERE signal = :signal AND start < :start AND thinned
        ORDER BY start DESC LIMIT 1)
) ORDER BY time DESC LIMIT 1
"""


def hour_of(time_us: int) -> int:
    """The start of the hour that a time lies in."""
    return time_us - time_us % HOUR_US


def mark_stale(connection: sqlite3.Connection, hours: set[tuple[int, int]]) -> None:
    """Have the figures of these hours (signal's id, start) made anew."""
    connection.executemany("INSERT OR IGNORE INTO stale VALUES (?, ?)", sorted(hours))


def thinned_among(connection: sqlite3.Connection, hours: set[tuple[int, int]]) -> set[tuple[int, int]]:
    """Those of the hours whose readings are gone."""
    cursor = connection.cursor()
    asked = "SELECT 1 FROM hourly WHERE signal = ? AND start = ? AND thinned"
    return {hour for hour in hours if cursor.execute(asked, hour).fetchone() is not None}


def roll_up(connection: sqlite3.Connection, before_us: int, most: int) -> int:
    """Make the figures of up to `most` stale hours that ended by `before_us`; returns how many it were."""
    bounds = {"hour": HOUR_US, "before": before_us, "most": most}
    connection.execute(_ROLL_UP, bounds)
    return connection.execute(_FRESH, bounds).rowcount


def thin(connection: sqlite3.Connection, before_us: int, most: int) -> int:
    """Drop the readings of up to `most` rolled-up hours that ended by `before_us`; returns how many it were."""
    hours = connection.execute(_THINNABLE, {"hour": HOUR_US, "before": before_us, "most": most}).fetchall()
    for signal, start in hours:
        connection.execute(
            "DELETE FROM reading WHERE signal = ? AND time >= ? AND time < ?", (signal, start, start + HOUR_US)
        )
        connection.execute("UPDATE hourly SET thinned = 1 WHERE signal = ? AND start = ?", (signal, start))
    return len(hours)


def end_of_day_back(connection: sqlite3.Connection, days: int) -> int | None:
    """The end of the day (UTC) with readings before the `days` newest days that have any; None if there is none."""
    row = connection.execute(_DAYS_BACK, {"day": 24 * HOUR_US, "days": days}).fetchone()
    return None if row is None else int(row[0])


def by_intervals(reader: sqlite3.Connection, signal: str, start_us: int, end_us: int, interval_us: int) -> Thinned:
    """See `Store.thinned`."""
    first_start_us = start_us // interval_us * interval_us
    span = _span(reader, signal, start_us, end_us, interval_us)
    rows = reader.execute(_BY_INTERVALS, {**span._asdict(), "origin": first_start_us, "interval": interval_us})
    table = np.fromiter(rows, _THINNED)
    return Thinned(
        interval_us,
        first_start_us + table["bucket"] * interval_us,
        table["mean"].copy(),
        table["low"].copy(),
        table["high"].copy(),
        table["count"].copy(),
    )


def held(reader: sqlite3.Connection, signal: str, start_us: int, end_us: int, interval_us: int, hold_us: int) -> Held:
    """See `Store.held`."""
    edges_us = np.arange(start_us // interval_us * interval_us, end_us, interval_us, dtype=np.int64)
    edges_us = np.append(edges_us, end_us)
    span = _span(reader, signal, start_us, end_us, interval_us)
    before = reader.execute(_STATE_BEFORE, span._asdict()).fetchone()
    spells = np.fromiter(reader.execute(_IN_SPELLS, span._asdict()), _SPELLS)
    if before is not None:
        time_us, value = before
        spells = np.concatenate((np.array([(time_us, value, time_us, value, 0.0)], _SPELLS), spells))
    if not len(spells):
        nothing = np.empty(0)
        return Held(interval_us, np.empty(0, np.int64), nothing, nothing)
    edges_us[0] = start_us
    known_h, on_h = _running_totals(spells, edges_us, hold_us)
    length_h = np.diff(edges_us) / HOUR_US
    known = np.diff(known_h)
    told = known > 1e-12 * length_h
    starts_us = edges_us[:-1] // interval_us * interval_us
    return Held(interval_us, starts_us[told], np.diff(on_h)[told] / known[told], (known / length_h)[told])


def _running_totals(
    spells: NDArray[np.void], edges_us: NDArray[np.int64], hold_us: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Hours for which the state was known, and hours it was on, from the first spell up to each edge.

    Both grow in straight lines between the first reading of a spell, its last, and where that no longer holds.
    """
    following_us = np.append(spells["first_us"][1:], max(int(edges_us[-1]), int(spells["last_us"][-1])))
    until_us = np.minimum(following_us, spells["last_us"] + hold_us)
    corners_us = np.stack((spells["first_us"], spells["last_us"], until_us), axis=1)
    within_h = (spells["last_us"] - spells["first_us"]) / HOUR_US
    after_h = (until_us - spells["last_us"]) / HOUR_US
    nothing = np.zeros(len(spells))
    known = np.stack((nothing, within_h, after_h), axis=1).ravel().cumsum()
    on = np.stack((nothing, spells["held"], after_h * spells["last"]), axis=1).ravel().cumsum()
    # Measured from the first edge: microseconds since 1970 have too many digits for the differences to keep theirs.
    origin_us = edges_us[0]
    places = (corners_us.ravel() - origin_us).astype(np.float64)
    edges = (edges_us - origin_us).astype(np.float64)
    return np.interp(edges, places, known), np.interp(edges, places, on)


class _Span(NamedTuple):
    signal: int | None
    start: int
    end: int
    first: int
    last: int
    hour: int


def _span(reader: sqlite3.Connection, signal: str, start_us: int, end_us: int, interval_us: int) -> _Span:
    """What is asked for, and the whole hours in it that may be answered by their figures."""
    row = reader.execute("SELECT id FROM signal WHERE name = ?", (signal,)).fetchone()
    first, last = -(-start_us // HOUR_US) * HOUR_US, hour_of(end_us)
    if interval_us % HOUR_US or first >= last:
        first = last = start_us
    return _Span(None if row is None else row[0], start_us, end_us, first, last, HOUR_US)
