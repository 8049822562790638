"""Durable intake over HTTP: each reading is on the disk before it is acknowledged."""

import json
import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from time import gmtime, perf_counter, strftime

from .row import BenchRow
from .running import Running, request, running, scratch

_FIRST_S = 1_767_225_600
_BATCH, _BATCHES, _CLIENTS = 5000, 40, 4
_SINGLES, _SINGLE_CLIENTS = 2000, 8


def intake_in_batches() -> BenchRow:
    """Readings a second from four clients that send 5000 a request."""
    bodies = [_body(n * _BATCH, _BATCH) for n in range(_BATCHES)]
    rate, plain = _measured(bodies, _CLIENTS, _BATCH)
    return BenchRow(
        name="intake-in-batches",
        work=f"{_BATCHES * _BATCH:,} readings over HTTP in requests of {_BATCH:,}, {_CLIENTS} clients",
        measured=rate,
        aim=20_000.0,
        unit="per s",
        note=f"plain SQLite inserts of the same, one transaction a batch, without HTTP: {plain:,.0f} per s",
    )


def intake_one_by_one() -> BenchRow:
    """Readings a second from eight clients that send one a request."""
    bodies = [_body(n, 1) for n in range(_SINGLES)]
    rate, plain = _measured(bodies, _SINGLE_CLIENTS, 1)
    return BenchRow(
        name="intake-one-by-one",
        work=f"{_SINGLES:,} readings over HTTP, one a request, {_SINGLE_CLIENTS} clients",
        measured=rate,
        aim=500.0,
        unit="per s",
        note=f"plain SQLite, one transaction a reading, without HTTP: {plain:,.0f} per s",
    )


def _body(first: int, count: int) -> bytes:
    readings = [
        {
            "time": strftime("%Y-%m-%dT%H:%M:%SZ", gmtime(_FIRST_S + n)),
            "signal": "duct.static_pressure",
            "value": n % 100,
        }
        for n in range(first, first + count)
    ]
    return json.dumps(readings).encode()


def _measured(bodies: list[bytes], clients: int, count: int) -> tuple[float, float]:
    """Readings a second through the service, and into a plain table."""
    with scratch() as folder:
        with running(folder) as service:
            started = perf_counter()
            with ThreadPoolExecutor(clients) as threads:
                kept = sum(threads.map(lambda n: _send(service, bodies[n::clients]), range(clients)))
            seconds = perf_counter() - started
        if kept != len(bodies) * count:
            raise RuntimeError(f"only {kept} of {len(bodies) * count} readings were kept")
        return kept / seconds, kept / _plain_s(folder / "plain.db", len(bodies), count)


def _send(service: Running, bodies: list[bytes]) -> int:
    connection = service.connection()
    kept = 0
    for body in bodies:
        status, answer = request(connection, "POST", "/v1/readings", body)
        if status != 200:
            raise RuntimeError(f"the service answered {status}")
        kept += int(json.loads(answer)["accepted"])
    connection.close()
    return kept


def _plain_s(path: Path, transactions: int, count: int) -> float:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("CREATE TABLE reading (signal TEXT, time INTEGER, value REAL, PRIMARY KEY (signal, time))")
    started = perf_counter()
    for n in range(transactions):
        rows = [("duct.static_pressure", n * count + k, float(k)) for k in range(count)]
        connection.execute("BEGIN")
        connection.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
        connection.execute("COMMIT")
    seconds = perf_counter() - started
    connection.close()
    return seconds
