"""Alarms over HTTP: what stands, to whom, and that a person has seen it."""

from datetime import timedelta

import pytest

from moteledger.api.alarms import ALARM_WATCH
from moteledger.engine.alarm_watch import AlarmWatch
from moteledger.engine.alarms import SilenceWatch
from moteledger.store import Reading, to_us

LONG_AGO = timedelta(hours=5)


@pytest.fixture
async def silent(service):
    """A service whose indoor sensor has stopped."""
    app = service.client.app
    now = app[ALARM_WATCH]._clock()
    watch = app[ALARM_WATCH]
    watch._watched = (SilenceWatch("indoor.pm25"), SilenceWatch("filter.pressure_drop"))
    for signal in ("indoor.pm25", "filter.pressure_drop"):
        service.store.append([Reading(to_us(now - LONG_AGO), signal, 5.0)])
    assert isinstance(watch, AlarmWatch)
    watch.look()
    return service


async def test_what_stands_is_told_with_what_to_do(silent) -> None:
    told = await (await silent.get("/v1/alarms")).json()
    assert {alarm["name"] for alarm in told["standing"]} == {"silent-indoor-pm25", "silent-filter-pressure-drop"}
    assert all(alarm["phase"] == "raised" and alarm["next_step"] for alarm in told["standing"])
    assert len(told["past"]) == 2


async def test_a_person_may_say_that_it_was_seen(silent) -> None:
    seen = await silent.request("PUT", "/v1/alarms/acknowledged", json={"name": "silent-indoor-pm25"})
    assert seen.status == 200
    assert (await seen.json())["acknowledged"] is not None


@pytest.mark.parametrize("body", [{}, {"name": "none"}, {"name": 3}, {"name": "a", "more": 1}])
async def test_what_names_no_alarm_is_refused(silent, body) -> None:
    refused = await silent.request("PUT", "/v1/alarms/acknowledged", json=body)
    assert refused.status == 422
    assert (await refused.json())["detail"]
