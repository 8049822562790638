"""A changed filter: recorded by somebody or seen in the drop, ordered in time, and kept as long as is cheapest."""

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from moteledger.engine import Engine
from moteledger.engine.assessment import FilterAdvice, Known
from moteledger.engine.filter_advice import filter_advice
from moteledger.engine.filter_change import (
    FilterChanges,
    filter_changes,
    record_filter_change,
    with_filter_since,
    withdraw_filter_change,
)
from moteledger.engine.grid import gridded
from moteledger.settings import House
from moteledger.store import Reading, Series, Store, from_us

Houses = Callable[..., House]
FIRST = date(2026, 3, 2)
DAYS = 20


@pytest.fixture
def store(tmp_path: Path):
    with Store.open(tmp_path / "house.sqlite") as opened:
        yield opened


@pytest.fixture
def advise(house: Houses, series: Callable[..., Series], still: Callable[..., dict[str, Series]]):
    """Advice after twenty days with the fan on half of each hour and a drop told from the hours."""

    def of(drop: Callable[[np.ndarray], np.ndarray], filter_: dict[str, Any], **tables: Any) -> FilterAdvice:
        hours = np.arange(0.0, 24.0 * DAYS, 0.1)
        runs = (hours % 1.0 < 0.5 - 1e-6).astype(np.float64)
        readings = still(24.0 * DAYS) | {
            "fan.running": series(hours, runs),
            "filter.pressure_drop": series(hours + 0.09, runs * (drop(hours) + 0.2 * np.sin(17.0 * hours))),
        }
        surveyed = house(filter={"merv": 13, "final_drop": "125 Pa"} | filter_, **tables)
        grid = gridded(surveyed, readings)
        return filter_advice(surveyed, grid, grid.moment(grid.grid.end_h))

    return of


def grown_and_changed(hours: np.ndarray, changed_h: float) -> np.ndarray:
    """A fortieth a day from 80 Pa, and from 55 Pa after a change."""
    return np.where(hours < changed_h, 80.0 * np.exp(hours / 960.0), 55.0 * np.exp((hours - changed_h) / 960.0))


def test_a_drop_that_falls_and_stays_is_a_change_and_the_trend_begins_anew(advise) -> None:
    told = advise(lambda hours: grown_and_changed(hours, 10 * 24.0), {"installed": "2025-12-01"})
    assert told.change_seen_on == told.installed_on == FIRST + timedelta(days=10)
    assert isinstance(told.drop_at_reference_pa, Known)
    assert told.drop_at_reference_pa.value == pytest.approx(55.0 * np.exp((DAYS - 10.0) / 40.0), abs=1.5)
    due = FIRST + timedelta(days=10 + round(40.0 * np.log(125.0 / 55.0)))
    assert abs((told.change_on - due).days) <= 2


@pytest.mark.parametrize(
    "drop",
    [
        pytest.param(lambda hours: 80.0 + hours / 12.0, id="growth alone"),
        pytest.param(lambda hours: np.where((hours // 24.0) == 10.0, 40.0, 80.0 + hours / 12.0), id="one odd day"),
        pytest.param(lambda hours: np.where(hours < 240.0, 80.0, 70.0), id="a small fall"),
        pytest.param(lambda hours: np.where(hours < 24.0 * (DAYS - 1), 90.0, 50.0), id="a fall of yesterday"),
    ],
)
def test_what_is_no_change_is_taken_for_none(advise, drop) -> None:
    told = advise(drop, {"installed": "2026-02-01"})
    assert (told.change_seen_on, told.installed_on) == (None, date(2026, 2, 1))


def test_days_before_the_stated_change_are_those_of_another_filter(advise) -> None:
    told = advise(lambda hours: grown_and_changed(hours, 8 * 24.0), {"installed": str(FIRST + timedelta(days=8))})
    assert told.change_seen_on is None
    assert isinstance(told.drop_at_reference_pa, Known)
    assert told.drop_at_reference_pa.value == pytest.approx(50.0 + 2.0 * 11.5, abs=1.5)


def test_one_is_ordered_two_weeks_before_it_may_be_due_but_not_long_before_it_likely_is(advise) -> None:
    # Two weeks to buy one, six at most (common practice, no source).
    today, two, six = FIRST + timedelta(days=DAYS), timedelta(days=14), timedelta(days=42)
    known = advise(lambda hours: 60.0 * np.exp(hours / 2880.0), {})
    assert known.order_by == max(known.change_between[0] - two, known.change_on - six, today) < known.change_on - two
    aged = advise(lambda hours: 60.0 + 0.0 * hours, {"installed": "2025-05-01"})
    assert aged.change_between == (aged.change_on, aged.change_on)
    assert aged.order_by == aged.change_on - two
    vague = advise(lambda hours: 60.0 + hours / 48.0, {})
    assert vague.order_by >= vague.change_on - six
    late = advise(lambda hours: 100.0 + hours / 24.0, {})
    assert late.order_by == today > late.change_on - two


def test_the_cheapest_life_is_where_the_mean_cost_of_a_day_is_least(advise) -> None:
    # 400 W at 150 Pa and a drop growing by 1 Pa a day, half of the time, at 0.30 a kilowatt-hour; 25 for a filter.
    told = advise(
        lambda hours: 60.0 + hours / 24.0,
        {"installed": "2026-02-20", "price": 25.0},
        air_handler={
            "blower": "constant-airflow",
            "airflow": "2000 m3/h",
            "fan_power": "400 W",
            "external_static": "150 Pa",
        },
        tariff={"per_kwh": 0.30},
    )
    dearer = 1.0 * 400.0 / 150.0 / 1000.0 * 12.0 * 0.30
    life = minimize_scalar(lambda days: 25.0 / days + dearer * days / 2.0, bounds=(1.0, 2000.0), method="bounded").x
    assert told.cost_best_on is not None
    assert abs((told.cost_best_on - date(2026, 2, 20)).days - life) <= 3


@pytest.mark.parametrize(
    ("filter_", "tables"),
    [
        ({"installed": "2026-02-20"}, {"tariff": {"per_kwh": 0.3}}),
        ({"installed": "2026-02-20", "price": 25.0}, {}),
        ({"price": 25.0}, {"tariff": {"per_kwh": 0.3}}),
        (
            {"installed": "2026-02-20", "price": 25.0},
            {"tariff": {"per_kwh": 0.3}, "air_handler": {"airflow": "1 m3/s"}},
        ),
    ],
)
def test_without_price_tariff_date_or_a_blower_that_answers_in_watts_there_is_no_cheapest_day(
    advise, filter_, tables
) -> None:
    assert advise(lambda hours: 60.0 + hours / 24.0, filter_, **tables).cost_best_on is None


def test_a_recorded_change_is_kept_once_and_can_be_taken_back(store: Store) -> None:
    assert filter_changes(store) == FilterChanges()
    for day in (3, 5, 5, 4):
        record_filter_change(store, date(2026, 5, day))
    assert filter_changes(store).changed_on == (date(2026, 5, 3), date(2026, 5, 5), date(2026, 5, 4))
    assert filter_changes(store).newest == date(2026, 5, 5)
    withdraw_filter_change(store)
    withdraw_filter_change(store)
    assert filter_changes(store).newest == date(2026, 5, 3)
    assert withdraw_filter_change(store) == withdraw_filter_change(store) == FilterChanges()


def test_a_record_that_cannot_be_read_counts_as_none(store: Store) -> None:
    store.keep_snapshot("filter_change", 0, "{")
    assert filter_changes(store) == FilterChanges()


def test_the_later_of_record_and_house_file_counts(house: Houses) -> None:
    filed = house(filter={"merv": 11, "installed": "2026-04-01"})
    assert with_filter_since(filed, date(2026, 5, 1)).filter.installed == date(2026, 5, 1)
    assert with_filter_since(filed, date(2026, 3, 1)) == filed
    assert with_filter_since(filed, None) == filed
    assert with_filter_since(house(filter={"merv": 11}), date(2026, 5, 1)).filter.installed == date(2026, 5, 1)
    assert with_filter_since(house(), date(2026, 5, 1)) == house()


def test_the_service_counts_from_the_recorded_change(house: Houses, still, store: Store) -> None:
    readings = still(6.0)
    for name, each in readings.items():
        store.append(
            [Reading(int(time_us), name, value) for time_us, value in zip(each.time_us, each.value, strict=True)]
        )
    end = from_us(int(readings["indoor.pm25"].time_us[-1]))
    record_filter_change(store, FIRST)
    told = Engine(house(filter={"merv": 11}), store, lambda: end).refresh()
    assert told is not None
    assert told.filter.installed_on == FIRST
