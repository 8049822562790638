"""The long past of a filter, read in parts, is one past."""

from collections.abc import Callable, Mapping
from datetime import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moteledger.engine.filter_past import filter_past, past_in_parts, steady_drop, watched
from moteledger.engine.grid import gridded
from moteledger.settings import House
from moteledger.store import Series, to_us
from motemodel.estimate import Estimate

DAYS = 30
DAY_US = 24 * 3_600_000_000


@pytest.fixture
def readings(still: Callable[..., dict[str, Series]], series: Callable[..., Series]) -> dict[str, Series]:
    hours = np.arange(0.0, 24.0 * DAYS, 0.1)
    runs = (hours % 1.0 < 0.5 - 1e-6).astype(np.float64)
    return still(24.0 * DAYS) | {
        "fan.running": series(hours, runs),
        "filter.pressure_drop": series(hours + 0.09, runs * (60.0 + hours / 24.0)),
    }


def between(readings: Mapping[str, Series], first_us: int, end_us: int) -> dict[str, Series]:
    found = {}
    for name, one in readings.items():
        inside = (one.time_us >= first_us) & (one.time_us < end_us)
        found[name] = Series(one.time_us[inside], one.value[inside])
    return found


def test_parts_and_the_whole_tell_the_same_drop_and_growth(
    house: Callable[..., House], readings: dict[str, Series], start: datetime
) -> None:
    surveyed = house(filter={"merv": 13}, air_handler={"airflow": "1000 m3/h"})
    first = to_us(start)
    parts = past_in_parts(surveyed, lambda a, b: between(readings, a, b), first, first + DAYS * DAY_US)
    assert parts is not None
    assert (np.diff(parts.time_us) > 0).all()
    assert parts.time_us[-1] - parts.time_us[0] == pytest.approx(DAYS * DAY_US, rel=0.02)
    whole = filter_past(surveyed, gridded(surveyed, readings))
    one, other = (watched(surveyed, past, None).drop_at_reference_pa for past in (parts, whole))
    assert isinstance(one, Estimate)
    assert isinstance(other, Estimate)
    assert one.value == pytest.approx(other.value, abs=0.3)
    assert one.low < 60.0 + DAYS < one.high


def test_what_cannot_be_read_is_left_out(house: Callable[..., House], start: datetime) -> None:
    first = to_us(start)
    assert past_in_parts(house(), lambda a, b: {}, first, first + DAYS * DAY_US) is None
    assert past_in_parts(house(), lambda a, b: {}, first, first) is None


@pytest.mark.parametrize("scatter_pa", [0.0, 0.7])
def test_a_reading_taken_as_the_fan_stops_tells_nothing_of_the_run_before_it(
    house: Callable[..., House],
    still: Callable[..., dict[str, Series]],
    series: Callable[..., Series],
    scatter_pa: float,
) -> None:
    # Everything is sampled at the same instants, five minutes apart, as in a table with a column for each signal.
    hours = np.arange(0.0, 24.0 * 7, 1.0 / 12.0)
    runs = (hours % 1.0 < 0.25 - 1e-6).astype(np.float64)
    # At rest a sensor reads nought, or about nought: then its steps' means are alike to rounding only.
    rest = (1.0 - runs) * np.random.default_rng(1).normal(0.0, scatter_pa, hours.size)
    # Of a run of three samples the first is taken as it starts and the fourth, of rest, as it stops.
    readings = still(24.0 * 7) | {
        "fan.running": series(hours, runs),
        "filter.pressure_drop": series(hours, 60.0 * runs + rest),
        "duct.static_pressure": series(hours, 150.0 * runs + rest),
    }
    surveyed = house(filter={"merv": 13}, air_handler={"airflow": "1000 m3/h"})
    past = filter_past(surveyed, gridded(surveyed, readings))
    for values, true in ((past.drop_pa, 60.0), (past.static_pa, 150.0)):
        known = values[np.isfinite(values)]
        assert known.size > 100
        assert known == pytest.approx(true)
    steady = steady_drop(surveyed, gridded(surveyed, readings))
    assert steady is not None
    assert np.nanmin(steady) == pytest.approx(60.0), "no step of rest is left"


@pytest.mark.parametrize(
    ("fan_min", "drop_min"), [(1, 5), (1, 10), (5, 5), (10, 10), (15, 15), (5, 1), (10, 1), (15, 1), (30, 1)]
)
def test_a_drop_that_is_read_seldom_is_that_of_the_running_fan(
    house: Callable[..., House],
    still: Callable[..., dict[str, Series]],
    series: Callable[..., Series],
    fan_min: int,
    drop_min: int,
) -> None:
    # Runs of 8 to 25 minutes: some have one reading only, some none but the one that is taken once the fan rests.
    random, minutes = np.random.default_rng(3), 14 * 1440
    runs, at = np.zeros(minutes), 0
    while at < minutes:
        at += int(random.integers(20, 60))
        length = int(random.integers(8, 26))
        runs[at : at + length] = 1.0
        at += length
    hours = np.arange(minutes) / 60.0
    drop = 60.0 * runs + random.normal(0.0, 0.5, minutes)
    readings = still(minutes / 60.0) | {
        "fan.running": series(hours[::fan_min], runs[::fan_min]),
        "filter.pressure_drop": series(hours[::drop_min], drop[::drop_min]),
    }
    surveyed = house(filter={"merv": 13}, air_handler={"airflow": "1000 m3/h"})
    past = filter_past(surveyed, gridded(surveyed, readings))
    known = past.drop_pa[np.isfinite(past.drop_pa)]
    assert known.size > 50
    assert known == pytest.approx(60.0, abs=5.0), "no quarter of an hour is told by a reading at rest"
    assert not watched(surveyed, past, None).steps


@settings(max_examples=40)
@given(drop=st.lists(st.floats(-500.0, 500.0) | st.just(0.0), min_size=2, max_size=30), on=st.integers(0, 2**30 - 1))
def test_whatever_is_read_a_run_keeps_its_highest_and_nothing_is_made_up(drop: list[float], on: int) -> None:
    hours = np.arange(24 * 4) / 4.0
    values = np.resize(np.array(drop), hours.size)
    runs = np.array([float(on >> (k % 30) & 1) for k in range(hours.size)])
    start_us = 1_767_225_600_000_000
    time_us = start_us + np.round(hours * 3.6e9).astype(np.int64)
    readings = {
        "indoor.pm25": Series(time_us, 8.0 + np.sin(9.0 * hours)),
        "outdoor.pm25": Series(time_us, 12.0 + np.sin(9.0 * hours)),
        "fan.running": Series(time_us, runs),
        "filter.pressure_drop": Series(time_us, values),
    }
    surveyed = House.model_validate({"name": "A house", "house": {"floor_area": "150 m2"}, "filter": {"merv": 11}})
    grid = gridded(surveyed, readings)
    steady, read = steady_drop(surveyed, grid), grid.values("filter.pressure_drop")
    if steady is None or read is None:
        return  # What no sensor can read is no reading.
    kept = np.isfinite(steady)
    assert (steady[kept] == read[kept]).all()
    running = np.where(grid.fan > 0.99, read, np.nan)
    if np.isfinite(running).any() and np.nanmax(running) > 0.0:
        assert np.nanmax(steady) == np.nanmax(running)
