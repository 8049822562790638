"""How soon the service answers with five million readings in its store."""

import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter, sleep

import numpy as np

from ..signals import SIGNALS
from ..store import Store, tend, to_us
from .row import BenchRow
from .running import Running, request, running, scratch

_MINUTE_US = 60_000_000
_ASKED = 150
_WAITS_S = 90.0
_FILL = """
INSERT INTO reading
WITH RECURSIVE step (n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM step WHERE n + 1 < :count)
SELECT :signal, :first + n * 60000000, CASE WHEN :state THEN n % 30 < 10 ELSE 6.0 + (n * 7919 % 97) / 16.0 END FROM step
"""
_STALE = "INSERT INTO stale SELECT DISTINCT signal, time - time % 3600000000 FROM reading"


def answers_with_five_million(readings: int = 5_000_000) -> BenchRow:
    """The 99th percentile of each of the endpoints that read, and the worst of them, from one client."""
    now = datetime.now(UTC).replace(second=0, microsecond=0)
    with scratch() as folder:
        _fill(folder / "store.db", now, readings)
        with running(folder) as service:
            _wait_for_assessment(service)
            p99 = {name: _p99_s(service, path) for name, path in _paths(now).items()}
        plain = _plain_s(folder / "store.db")
    worst = max(p99, key=lambda name: p99[name])
    return BenchRow(
        name="answers-with-five-million",
        work=f"99th percentile of the slowest of {len(p99)} endpoints, {readings:,} readings stored",
        measured=p99[worst],
        aim=0.020,
        note=f"{', '.join(f'{name} {1e3 * seconds:.1f} ms' for name, seconds in sorted(p99.items()))}; "
        f"a year by days from the readings themselves in plain SQL: {1e3 * plain:.0f} ms",
    )


def _paths(now: datetime) -> dict[str, str]:
    def since(days: int) -> str:
        moment = now - timedelta(days=days)
        return f"/v1/readings?signal=indoor.pm25&from={moment:%Y-%m-%dT%H:%M:%SZ}&to={now:%Y-%m-%dT%H:%M:%SZ}"

    return {
        "a day as it is": since(1),
        "a day by 5 min": since(1) + "&resolution=5min",
        "a month by hours": since(30) + "&resolution=1h",
        "a year by days": since(365) + "&resolution=1d",
        "air": "/v1/air",
        "ledger": "/v1/ledger",
        "filter": "/v1/filter",
        "delivery": "/v1/delivery",
        "fan": "/v1/answer/fan",
        "health": "/healthz",
    }


def _fill(path: Path, now: datetime, readings: int) -> None:
    """Ten signals by the minute up to now, straight into the table: how they come in is another bench's matter."""
    names = [name for name in SIGNALS if "runtime" not in name][:10]
    count = readings // len(names)
    first_us = to_us(now) - count * _MINUTE_US
    with Store.open(path) as store:

        def work(connection: sqlite3.Connection) -> None:
            for number, name in enumerate(names, start=1):
                connection.execute("INSERT INTO signal VALUES (?, ?)", (number, name))
                state = SIGNALS[name].high == 1.0
                bounds = {"count": count, "signal": number, "first": first_us, "state": state}
                connection.execute(_FILL, bounds)
            connection.execute(_STALE)

        store.write(work).result()
        tend(store, to_us(now), None)


def _wait_for_assessment(service: Running) -> None:
    connection = service.connection()
    ends = perf_counter() + _WAITS_S
    while request(connection, "GET", "/v1/air")[0] != 200:
        if perf_counter() > ends:
            raise RuntimeError(f"no assessment came within {_WAITS_S:g} s")
        sleep(0.2)


def _p99_s(service: Running, path: str) -> float:
    connection = service.connection()
    times = []
    for _ in range(_ASKED):
        started = perf_counter()
        status, _answer = request(connection, "GET", path)
        times.append(perf_counter() - started)
        if status != 200:
            raise RuntimeError(f"{path} was answered with {status}")
    connection.close()
    return float(np.quantile(times, 0.99))


def _plain_s(path: Path) -> float:
    connection = sqlite3.connect(path)
    asked = (
        "SELECT time / 86400000000, avg(value), min(value), max(value), count(*) FROM reading"
        " WHERE signal = 1 AND time >= (SELECT max(time) FROM reading WHERE signal = 1) - 365 * 86400000000 GROUP BY 1"
    )
    times = []
    for _ in range(5):
        started = perf_counter()
        connection.execute(asked).fetchall()
        times.append(perf_counter() - started)
    connection.close()
    return min(times)
