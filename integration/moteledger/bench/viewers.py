"""How late 200 live viewers see a pressure that changes once a second."""

import asyncio
import http.client
import json
from datetime import UTC, datetime
from time import perf_counter

import numpy as np

from .row import BenchRow
from .running import Running, request, running, scratch

_VIEWERS = 200
_READINGS = 10
_EVERY_S = 1.1
_BASE_PA = 100.0


def live_viewers() -> BenchRow:
    """The 99th percentile, over all viewers and readings, from sending a reading to seeing it."""
    with scratch() as folder, running(folder) as service:
        lateness_s, resident_mb = asyncio.run(_watched(service))
    missing = _VIEWERS * _READINGS - len(lateness_s)
    return BenchRow(
        name="live-viewers",
        work=f"{_VIEWERS} viewers of one pressure at {1 / _EVERY_S:.1f} readings a second; 99th percentile of lateness",
        measured=float(np.quantile(lateness_s, 0.99)),
        aim=1.0,
        note=f"median {1e3 * float(np.median(lateness_s)):.0f} ms; {missing} of {_VIEWERS * _READINGS} not seen; "
        f"the service held {resident_mb:.0f} MB",
    )


async def _watched(service: Running) -> tuple[list[float], float]:
    sent: dict[float, float] = {}
    lateness: list[float] = []
    viewers = [asyncio.create_task(_look_on(service, sent, lateness)) for _ in range(_VIEWERS)]
    await asyncio.sleep(2.0)
    connection = service.connection()
    for number in range(_READINGS):
        value = _BASE_PA + number
        sent[value] = perf_counter()
        await asyncio.to_thread(_push, connection, value)
        await asyncio.sleep(_EVERY_S)
    resident_mb = service.resident_mb()
    for viewer in viewers:
        viewer.cancel()
    await asyncio.gather(*viewers, return_exceptions=True)
    return lateness, resident_mb


def _push(connection: http.client.HTTPConnection, value: float) -> None:
    now = datetime.now(UTC).isoformat()
    record = {"time": now, "signal": "duct.static_pressure", "value": value}
    status, answer = request(connection, "POST", "/v1/readings", record)
    if status != 200:
        raise RuntimeError(f"a reading was answered with {status}: {answer[:200]!r}")


async def _look_on(service: Running, sent: dict[float, float], lateness: list[float]) -> None:
    """Read the stream as it comes and note how late each reading is."""
    reader, writer = await asyncio.open_connection("127.0.0.1", service.port)
    writer.write(b"GET /v1/live?signals=duct.static_pressure HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    try:
        while line := await reader.readline():
            if line.startswith(b"data: "):
                value = json.loads(line[6:]).get("value")
                if value in sent:
                    lateness.append(perf_counter() - sent[value])
    finally:
        writer.close()
