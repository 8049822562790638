"""A filter outlives its readings: its days are kept, and what they tell is told when the readings are gone."""

from collections.abc import Callable
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from moteledger.engine import Engine, assess
from moteledger.engine.assessment import Known
from moteledger.engine.filter_days import filter_days_kept, keep_filter_days
from moteledger.engine.filter_past import filter_past
from moteledger.engine.grid import gridded
from moteledger.engine.on_record import OnRecord
from moteledger.engine.service import SPAN
from moteledger.settings import House
from moteledger.store import Reading, Series, Store, to_us

Houses = Callable[..., House]
DAYS = 44
FILTER = {"merv": 13, "final_drop": "125 Pa", "installed": "2026-03-02", "longest_use": "1100 d"}


@pytest.fixture
def store(tmp_path: Path):
    with Store.open(tmp_path / "house.sqlite") as opened:
        yield opened


@pytest.fixture
def readings(series: Callable[..., Series]) -> dict[str, Series]:
    """Six weeks by the quarter, the fan on in every second one, the drop growing by an eightieth a day."""
    hours = np.arange(0.0, 24.0 * DAYS, 0.25)
    runs = (np.arange(hours.size) % 2 == 0).astype(np.float64)
    still = 6.0 + 0.5 * np.sin(hours)
    return {
        "indoor.pm25": series(hours + 0.25, still),
        "outdoor.pm25": series(hours + 0.25, still + 2.0),
        "outdoor.temperature": series(hours + 0.25, 10.0 + np.sin(hours)),
        "fan.running": series(hours, runs),
        "filter.pressure_drop": series(hours + 0.25, runs * (60.0 * np.exp(hours / 24.0 / 80.0) + 0.2 * np.sin(hours))),
    }


def surveyed(house: Houses, **tables: Any) -> House:
    return house(filter=FILTER, air_handler={"airflow": "1000 m3/h"}, **tables)


def test_kept_days_are_those_that_were_read(house: Houses, store: Store, readings: dict[str, Series]) -> None:
    one = surveyed(house)
    past = filter_past(one, gridded(one, readings))
    assert keep_filter_days(store, one, past) >= DAYS - 2
    kept = filter_days_kept(store, one, 0, to_us(datetime.fromisoformat("2030-01-01T00:00:00Z")))
    assert kept is not None
    inside = np.isin(past.time_us, kept.time_us)
    for name in ("drop_pa", "run_share", "outdoor_c", "indoor_ug_m3", "static_pa"):
        assert np.allclose(getattr(kept, name), getattr(past, name)[inside], rtol=1e-4, equal_nan=True), name


def test_days_understood_by_other_settings_or_none_are_left_out(
    house: Houses, store: Store, readings: dict[str, Series]
) -> None:
    one = surveyed(house)
    keep_filter_days(store, one, filter_past(one, gridded(one, readings)))
    other = house(filter=FILTER, air_handler={"airflow": "900 m3/h"})
    far = to_us(datetime.fromisoformat("2030-01-01T00:00:00Z"))
    assert filter_days_kept(store, other, 0, far) is None
    corrected = surveyed(house, sensors=[{"signal": "filter.pressure_drop", "gain": 1.1}])
    assert filter_days_kept(store, corrected, 0, far) is None
    assert filter_days_kept(store, one, 0, 1) is None
    store.keep_snapshot("filter.day", 5, "{")
    assert filter_days_kept(store, one, 0, 6) is None


def test_a_service_whose_old_readings_are_dropped_goes_on_with_the_date_that_they_told(
    house: Houses, store: Store, readings: dict[str, Series], start: datetime
) -> None:
    for name, each in readings.items():
        pairs = zip(each.time_us.tolist(), each.value.tolist(), strict=True)
        store.append([Reading(moment, name, value) for moment, value in pairs])
    now = start + timedelta(days=DAYS)
    one = surveyed(house, store={"keep_raw": "30 d"})
    whole = Engine(one, store, lambda: now).refresh()
    dropped = to_us(now - SPAN - timedelta(days=1))
    store.write(lambda connection: connection.execute("DELETE FROM reading WHERE time < ?", (dropped,))).result()
    told = Engine(one, store, lambda: now).refresh()
    record = OnRecord.of(store, one, to_us(now) + 1, SPAN)
    forgotten = Engine(surveyed(house), store, lambda: now).refresh()
    assert whole is not None
    assert told is not None
    assert forgotten is not None
    assert isinstance(told.filter.drop_at_reference_pa, Known)
    due = date(2026, 3, 2) + timedelta(days=round(80.0 * np.log(125.0 / 60.0)))
    assert abs((whole.filter.change_on - due).days) <= 4
    assert told.filter.change_on == whole.filter.change_on
    assert assess(one, record.readings, filter_before=record.filter_before).filter == told.filter
    assert told.filter.change_between == whole.filter.change_between
    assert forgotten.filter.change_between != whole.filter.change_between
