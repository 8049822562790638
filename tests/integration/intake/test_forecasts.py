"""Forecasts at the gate: the one signal that may be of a time to come, and whose newer value stands."""

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from moteledger.intake import RecordingError, accept, backfill, moment_us, read_records
from moteledger.intake.moments import text_of
from moteledger.signals import OUTDOOR_FORECAST, SIGNALS
from moteledger.store import Appended, Reading, Store, to_us

NOW_US = to_us(datetime(2026, 1, 31, 14, 5, tzinfo=UTC))
HOUR_US = 3_600_000_000


def plain(signal: str, ahead_h: float) -> dict[str, object]:
    return {"time": text_of(NOW_US + round(ahead_h * HOUR_US)), "signal": signal, "value": 1.0}


def senml(signal: str, ahead_h: float) -> dict[str, object]:
    return {"bn": signal[:4], "n": signal[4:], "t": ahead_h * 3600.0, "v": 1.0}


@pytest.mark.parametrize("form", [plain, senml])
def test_of_all_signals_the_forecast_alone_may_be_of_a_time_to_come(form) -> None:
    for name in [*SIGNALS, "room:bed.pm25"]:
        found = read_records(json.dumps([form(name, 1.0)]).encode(), NOW_US)
        assert bool(found.readings) == (name == OUTDOOR_FORECAST)
        assert all("ahead of the clock here" in refusal.reason for refusal in found.refusals)


@pytest.mark.parametrize("form", [plain, senml])
@pytest.mark.parametrize(("ahead_h", "taken"), [(-48.0, 1), (0.0, 1), (72.0, 1), (72.2, 0), (1000.0, 0)])
def test_a_forecast_reaches_three_days_ahead_and_no_further(form, ahead_h: float, taken: int) -> None:
    found = read_records(json.dumps([form(OUTDOOR_FORECAST, ahead_h)]).encode(), NOW_US)
    assert (len(found.readings), found.refused) == (taken, 1 - taken)


def test_a_recording_may_hold_a_forecast_of_the_hours_to_come_beside_nothing_else_of_them(tmp_path: Path) -> None:
    path = tmp_path / "forecast.csv"
    with Store.open(tmp_path / "house.sqlite") as store:
        for name in (OUTDOOR_FORECAST, "outdoor.pm25"):
            path.write_text(f"time,signal,value\n2026-02-01T12:00:00Z,{name},30\n")
            if name == OUTDOOR_FORECAST:
                assert backfill(path, store, NOW_US).appended.new == 1
            else:
                with pytest.raises(RecordingError, match="ahead of the clock here"):
                    backfill(path, store, NOW_US)


def test_a_newer_forecast_of_an_hour_stands_and_a_measured_value_stays(tmp_path: Path) -> None:
    hour = moment_us("2026-02-01T12:00:00Z")

    def told(forecast: float, measured: float) -> list[Reading]:
        return [Reading(hour, OUTDOOR_FORECAST, forecast), Reading(NOW_US, "outdoor.pm25", measured)]

    with Store.open(tmp_path / "house.sqlite") as store:
        assert accept(store, told(30.0, 9.0)) == Appended(new=2)
        assert accept(store, told(55.0, 10.0)) == Appended(new=1, differing=1)
        assert accept(store, told(55.0, 9.0)) == Appended(repeated=2)
        assert accept(store, [*told(60.0, 9.0), *told(70.0, 9.0)]) == Appended(new=2, repeated=2)
        assert store.series(OUTDOOR_FORECAST, 0, 2 * hour).value.tolist() == [70.0]
        assert store.series("outdoor.pm25", 0, 2 * hour).value.tolist() == [9.0]


def test_a_forecast_does_not_make_the_measured_readings_look_newer(tmp_path: Path) -> None:
    with Store.open(tmp_path / "house.sqlite") as store:
        accept(store, [Reading(NOW_US + HOUR_US, OUTDOOR_FORECAST, 5.0)])
        assert store.extent() is None
        accept(store, [Reading(NOW_US, "outdoor.pm25", 5.0)])
        assert store.extent() == (NOW_US, NOW_US)
        assert store.latest(OUTDOOR_FORECAST) == Reading(NOW_US + HOUR_US, OUTDOOR_FORECAST, 5.0)
