"""`GET /v1/readings`: ranges, resolutions and their limits."""

import statistics
from datetime import UTC, datetime, timedelta

import pytest

from moteledger.api.readings import ReadingsQuery, readings_answer
from moteledger.store import Reading, tend

START = "2026-01-31T12:00:00Z"
START_US = 1_769_860_800_000_000  # date -u -d 2026-01-31T12:00:00Z +%s


@pytest.fixture
def readings(service) -> list[Reading]:
    readings = [Reading(START_US + i * 60_000_000, "indoor.pm25", (i * 37 % 101) / 4) for i in range(120)]
    service.store.append(readings)
    return readings


async def test_readings_of_a_range_come_as_they_are_end_not_included(service, readings) -> None:
    query = {"signal": "indoor.pm25", "from": "2026-01-31T12:01:00Z", "to": "2026-01-31T12:03:00Z"}
    response = await service.get("/v1/readings", params=query)
    assert response.status == 200
    assert await response.json() == {
        "signal": "indoor.pm25",
        "unit": "ug/m3",
        "from": "2026-01-31T12:01:00Z",
        "to": "2026-01-31T12:03:00Z",
        "time": ["2026-01-31T12:01:00Z", "2026-01-31T12:02:00Z"],
        "value": [readings[1].value, readings[2].value],
    }


async def test_without_times_the_last_day_is_given(service, readings) -> None:
    service.store.append([Reading(START_US - 2 * 86_400_000_000, "indoor.pm25", 1.0)])
    answer = await (await service.get("/v1/readings?signal=indoor.pm25")).json()
    assert answer["value"] == [reading.value for reading in readings]


def test_an_end_that_nobody_named_lets_an_answer_stay_unchanged_for_minutes(service, readings) -> None:
    now = datetime(2026, 1, 31, 14, 1, tzinfo=UTC)
    query = ReadingsQuery.model_validate({"signal": "indoor.pm25"})
    answers = [readings_answer(service.store, query, now + timedelta(minutes=later)) for later in range(5)]
    assert {(answer.start, answer.end) for answer in answers} == {("2026-01-30T14:10:00Z", "2026-01-31T14:10:00Z")}
    later = readings_answer(service.store, query, now + timedelta(minutes=4, seconds=1))
    assert later.end == "2026-01-31T14:15:00Z"


async def test_fractions_of_a_second_are_kept(service) -> None:
    service.store.append([Reading(START_US + 250_000, "duct.static_pressure", 50.0)])
    answer = await (await service.get("/v1/readings?signal=duct.static_pressure")).json()
    assert answer["time"] == ["2026-01-31T12:00:00.250000Z"]


async def test_a_plus_sign_in_a_zone_may_come_unescaped(service, readings) -> None:
    response = await service.get(
        "/v1/readings?signal=indoor.pm25&from=2026-01-31T13:00:00+01:00&to=" + "2026-01-31T12:02:00Z"
    )
    answer = await response.json()
    assert answer["from"] == START
    assert len(answer["value"]) == 2


async def test_a_resolution_gives_mean_low_high_and_count_by_interval(service, readings) -> None:
    query = {"signal": "indoor.pm25", "from": START, "to": "2026-01-31T14:00:00Z", "resolution": "15min"}
    answer = await (await service.get("/v1/readings", params=query)).json()
    values = [reading.value for reading in readings]
    quarters = [values[i : i + 15] for i in range(0, 120, 15)]
    assert answer["resolution_s"] == 900
    assert answer["time"][:2] == [START, "2026-01-31T12:15:00Z"]
    assert answer["mean"] == pytest.approx([statistics.fmean(quarter) for quarter in quarters])
    assert answer["low"] == [min(quarter) for quarter in quarters]
    assert answer["high"] == [max(quarter) for quarter in quarters]
    assert answer["count"] == [15] * 8


@pytest.mark.parametrize(
    ("query", "place", "detail"),
    [
        ("", "signal", "signal is missing; add it"),
        ("signal=indoor.pm2", "signal", "signal: 'indoor.pm2' is not a signal; did you mean"),
        ("signal=indoor.pm25&signal=fan.power", "signal", "signal stands twice; give it once"),
        (
            "signal=indoor.pm25&form=1",
            "form",
            "form is no parameter of this path; known are signal, from, to, resolution",
        ),
        ("signal=indoor.pm25&from=yesterday", "from", "from: 'yesterday' is not an RFC 3339 time"),
        ("signal=indoor.pm25&to=2026-01-31T12:00:00", "to", "to: '2026-01-31T12:00:00' has no time zone"),
        ("signal=indoor.pm25&resolution=quarter", "resolution", "resolution: 'quarter' is not a duration; write"),
        ("signal=indoor.pm25&resolution=0min", "resolution", "'0min' is not a duration"),
        ("signal=indoor.pm25&resolution=-5min", "resolution", "'-5min' is not a duration"),
        (f"signal=indoor.pm25&from={START}&to={START}", "from", "from 2026-01-31T12:00:00Z is not before to"),
        # 3,653 days, 2 h and 10 min are 315,627,000 s.
        (
            "signal=indoor.pm25&from=2016-01-31T12:00:00Z&resolution=1s",
            "resolution",
            "these are more than 10000 intervals; ask for a shorter time or for resolution=31563s or coarser",
        ),
    ],
)
async def test_a_query_that_cannot_be_met_names_parameter_value_and_fix(
    service, query: str, place: str, detail: str
) -> None:
    response = await service.get(f"/v1/readings?{query}")
    assert response.status == 400
    document = await response.json()
    assert document["place"] == place
    assert detail in document["detail"]


async def test_more_readings_than_one_answer_holds_are_refused_with_a_resolution_that_fits(service) -> None:
    service.store.append(Reading(START_US + i * 100_000, "duct.static_pressure", 50.0) for i in range(10_001))
    url = f"/v1/readings?signal=duct.static_pressure&from={START}&to=2026-01-31T14:00:00Z"
    response = await service.get(url)
    assert response.status == 400
    detail = (await response.json())["detail"]
    assert detail.startswith("these are more than 10000 readings; ask for a shorter time or for resolution=1s")
    answer = await (await service.get(url + "&resolution=1s")).json()
    assert sum(answer["count"]) == 10_001


async def test_health_tells_the_newest_reading_and_a_store_that_fails(service, readings) -> None:
    response = await service.get("/healthz")
    assert await response.json() == {
        "status": "ok",
        "time": "2026-01-31T14:05:00Z",
        "newest_reading": "2026-01-31T13:59:00Z",
        "store_trouble": None,
        "failing_sources": 0,
    }
    service.store.close()
    assert (await service.get("/healthz")).status == 503


async def test_health_of_an_empty_store_is_good(service) -> None:
    assert (await (await service.get("/healthz")).json())["newest_reading"] is None


async def test_the_mean_of_a_state_is_its_share_of_the_time_not_of_its_readings(service) -> None:
    # On at 12:00, off at 12:15, said to be off three times more: on for a quarter of the hour.
    minutes = {0: 1.0, 15: 0.0, 20: 0.0, 30: 0.0, 50: 0.0, 90: 1.0}
    service.store.append([Reading(START_US + n * 60_000_000, "fan.running", value) for n, value in minutes.items()])
    query = {"signal": "fan.running", "from": START, "to": "2026-01-31T14:00:00Z", "resolution": "1h"}
    answer = await (await service.get("/v1/readings", params=query)).json()
    assert answer["mean"] == pytest.approx([0.25, 0.5])
    assert answer["count"] == [5, 1]
    assert (answer["low"], answer["high"]) == ([0.0, 1.0], [1.0, 1.0])


async def test_a_reading_of_a_thinned_hour_is_told_as_too_late(service, readings) -> None:
    service.store.append([Reading(START_US + 30 * 3_600_000_000, "indoor.pm25", 1.0)])
    tend(service.store, START_US + 31 * 3_600_000_000, 20 * 3_600_000_000)
    late = {"time": START, "signal": "indoor.pm25", "value": readings[0].value}
    answer = await service.post("/v1/readings", json=late)
    assert answer.status == 200
    assert await answer.json() == {
        "accepted": 0,
        "repeated": 0,
        "differing": 0,
        "too_late": 1,
        "refused": 0,
        "refusals": [],
    }


async def test_the_newest_of_each_signal_is_told_at_once(service, readings) -> None:
    assert await (await service.get("/v1/readings/newest")).json() == {
        "readings": {"indoor.pm25": {"time": "2026-01-31T13:59:00Z", "value": readings[-1].value, "unit": "ug/m3"}}
    }
    service.store.append([Reading(START_US, "filter.pressure_drop", 61.0)])
    told = (await (await service.get("/v1/readings/newest")).json())["readings"]
    assert told["filter.pressure_drop"] == {"time": START, "value": 61.0, "unit": "Pa"}
