"""From a house file with speeds to the speed that an automation is told over HTTP, on readings made by small steps."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import create_app
from moteledger.engine import Engine
from moteledger.settings import read_house
from moteledger.store import Reading, Store, to_us

HOUSE = """
name = "Knot Cottage"
[house]
floor_area = "150 m2"
[air_handler]
airflow = "1200 m3/h"
fan_power = "400 W"
[targets]
pm25 = "2 ug/m3"
[[quiet_hours]]
start = 21:00:00
end = 07:00:00
[fan]
speeds = [
    { name = "low", airflow = "600 m3/h", power = "50 W", quiet = true },
    { name = "high", airflow = "1200 m3/h", power = "400 W" },
]
"""
NOW = datetime(2026, 3, 4, 23, tzinfo=UTC)
STEP = timedelta(minutes=5)


def readings(end: datetime) -> list[Reading]:
    """Four days of dC/dt = 0.35 C_out - (0.6 + 3.0 fan) C, 1/h, the fan on for twenty minutes of every second hour."""
    random, minutes = np.random.default_rng(3), 4 * 1440
    start, level, found = to_us(end) - minutes * 60_000_000, 14.0, []
    for minute in range(minutes):
        at, on = start + minute * 60_000_000, float(minute % 120 < 20)
        outdoor = 30.0 + 12.0 * np.sin(minute / 500.0)
        level += (0.35 * outdoor - (0.6 + 3.0 * on) * level) / 60.0
        read = round(level + random.normal(0.0, 0.2), 1)
        found.append(Reading(at + 60_000_000, "indoor.pm25", read))
        if minute % 10 == 9:
            found.append(Reading(at + 60_000_000, "outdoor.pm25", round(outdoor, 1)))
        if minute % 5 == 0:
            found.append(Reading(at, "fan.running", on))
    return found


async def test_in_smoke_the_answer_at_night_names_the_quiet_speed_and_the_day_is_left_to_the_high_one(
    tmp_path: Path,
) -> None:
    file = tmp_path / "house.toml"
    file.write_text(HOUSE, encoding="utf-8")
    with Store.open(tmp_path / "house.sqlite") as store:
        store.append(readings(NOW))
        engine = Engine(read_house(file), store, lambda: NOW)
        engine.refresh()
        async with TestClient(TestServer(create_app(store, engine, fan=engine.fan, clock=lambda: NOW))) as client:
            advice = (await (await client.get("/v1/advice/fan")).json())["fan"]
            answer = await (await client.get("/v1/answer/fan")).json()
    assert advice["holds_target"] is False
    assert (answer["action"], answer["speed"]) == ("run", "low")
    by_day = {"low": 0, "high": 0}
    for span in advice["schedule"]:
        begins, ends = (datetime.fromisoformat(span[end]) for end in ("start", "end"))
        for k in range((ends - begins) // STEP):
            day = 7 <= (begins + k * STEP).hour < 21
            assert day or span["speed"] == "low"
            by_day[span["speed"]] += day
    # All that the fan can do is asked for, but for a little that costs the most.
    assert by_day["high"] > 0.9 * (2 * 14 * 12)
