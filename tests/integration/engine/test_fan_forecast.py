"""The supplied forecast of the outdoor air: followed where it covers the hours ahead, no surer than it has been right.

Forecasts and weather are made here, with errors that are known; nothing of the project makes them.
"""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from moteledger.engine import Engine, assess
from moteledger.engine.fan_outlook import HORIZON_H, ahead
from moteledger.engine.forecast_age import forecast_age_h
from moteledger.engine.grid import gridded
from moteledger.engine.supplied_forecast import following
from moteledger.settings import House
from moteledger.signals import OUTDOOR_FORECAST
from moteledger.store import Reading, Series, Store, from_us
from motemodel.plan import Forecast, outdoor_forecast

Made = Callable[..., Any]
DAYS = 2


@pytest.fixture(scope="module")
def readings(lived_in: Made) -> dict[str, Series]:
    return lived_in(DAYS, entry=0.35, loss=0.6, clean_air_per_h=3.0)


def persistence(history: np.ndarray) -> Forecast:
    return outdoor_forecast(history, np.arange(history.size) % 24, HORIZON_H)


def test_the_hours_ahead_follow_the_supplied_forecast(house: Made, series: Made, readings: dict[str, Series]) -> None:
    grid = gridded(house(), readings)
    hours = 24.0 * DAYS + np.arange(0.0, HORIZON_H + 2.0)
    smoke = np.where(hours < 24.0 * DAYS + 10.0, 20.0, 180.0)
    found = ahead(house(), grid, series(hours, smoke))
    assert found.supplied_h == HORIZON_H
    assert found.forecast.value[:9] == pytest.approx(20.0)
    assert found.forecast.value[11:] == pytest.approx(180.0)
    assert ahead(house(), grid).forecast.value.max() < 60.0


def test_where_it_ends_it_fades_into_persistence() -> None:
    history = np.full(72, 10.0)
    history[::2] = 12.0
    usual = persistence(history)
    found, covered = following(72.0 + np.arange(9.0), np.full(9, 80.0), history, 72.0, usual)
    assert covered == 9
    assert found.value[:9] == pytest.approx(80.0)
    assert (np.diff(found.value[8:16]) < 1.0).all()
    assert 10.0 < found.value[10] < 80.0
    assert found.value[15:] == pytest.approx(usual.value[15:])
    assert found.high[15:] == pytest.approx(usual.high[15:])


@pytest.mark.parametrize(
    "hours",
    [
        [],
        [-30.0, -20.0, -1.0],
        [0.0, 1.0, 2.0, 3.0, 4.0],
        [0.0, 1.0, 4.5, 5.0, 6.0, 7.0],
        [2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0],
    ],
    ids=["none", "all past", "ends before six hours", "a gap of more than three hours", "begins late"],
)
def test_persistence_is_taken_where_the_next_six_hours_are_not_covered(hours: list[float]) -> None:
    history = np.linspace(5.0, 20.0, 48)
    usual = persistence(history)
    found, covered = following(48.0 + np.array(hours), np.full(len(hours), 300.0), history, 48.0, usual)
    assert covered == 0
    assert found is usual


def test_the_basis_says_which_of_the_two_it_is(house: Made, series: Made, readings: dict[str, Series]) -> None:
    def basis(supplied_h: float | None) -> str:
        end = 24.0 * DAYS
        more = {} if supplied_h is None else {OUTDOOR_FORECAST: series(end + np.arange(0.0, supplied_h + 1.0), 30.0)}
        told = assess(house(), {**readings, **more})
        assert OUTDOOR_FORECAST not in {each.signal for each in told.data_quality.signals}
        assert OUTDOOR_FORECAST not in told.data_quality.missing
        assert {each.signal for each in told.fan.based_on} == {"indoor.pm25", "outdoor.pm25"}
        assert told.period.end == from_us(int(readings["indoor.pm25"].time_us[-1]))
        return told.fan.forecast_basis

    own = "outdoor PM2.5 now, fading into this place's own daily pattern"
    assert basis(None).startswith(own)
    assert basis(3).startswith(own)
    assert basis(54).startswith("the supplied forecast of outdoor PM2.5 for 48 h;")
    assert basis(12).startswith("the supplied forecast of outdoor PM2.5 for 13 h, then this place's own daily pattern;")


def test_an_unchecked_forecast_has_the_usual_spread_and_a_checked_one_that_of_its_errors() -> None:
    history = np.full(48, 20.0)
    usual = persistence(history)
    after = 48.0 + np.arange(0.0, 26.0)
    unchecked, _ = following(after, np.full(26, 20.0), history, 48.0, usual)
    growth = np.sqrt(1.0 + 0.5 / 24.0)
    # Half an hour ahead; 1.645 standard deviations of 0.5 in ln(C + 1) (common practice, no source).
    assert np.log(unchecked.high[0] + 1.0) - np.log(21.0) == pytest.approx(1.645 * 0.5 * growth, rel=1e-3)
    always = np.arange(0.0, 74.0)
    for factor in (1.2, 2.0):
        wrong = np.full(74, 21.0 * factor - 1.0)
        checked, _ = following(always, wrong, history, 48.0, usual)
        half = np.log(checked.high[0] + 1.0) - np.log(21.0 * factor)
        assert half == pytest.approx(1.645 * np.log(factor) * growth, rel=1e-3)


@pytest.mark.parametrize("error", [0.15, 0.4, 0.8])
def test_nine_of_ten_simulated_hours_fall_within_the_spread(error: float) -> None:
    # Errors of a normal law in ln(C + 1), alike at all leads: 90 % intervals must hold 90 %, and a little more where
    # allowance is made for leads that could not be checked.
    random = np.random.default_rng(7)
    inside = []
    for _ in range(150):
        level = 3.0 + np.sin(np.arange(14 * 24 + HORIZON_H) / 9.0 + random.uniform(0.0, 6.0))
        true = np.expm1(level)
        told = np.expm1(np.maximum(level + random.normal(0.0, error, level.size), 0.0))
        history = true[: 14 * 24]
        found, covered = following(
            np.arange(level.size) + 0.5, told, history, float(history.size), persistence(history)
        )
        assert covered == HORIZON_H
        inside.append((found.low <= true[14 * 24 :]) & (true[14 * 24 :] <= found.high))
    by_hour = np.mean(inside, axis=0)
    assert 0.86 < by_hour[:6].mean() < 0.95
    assert 0.90 < by_hour.mean() < 0.985


@given(
    points=st.dictionaries(st.floats(-100.0, 100.0), st.floats(-50.0, 20_000.0), max_size=60),
    past=st.lists(st.one_of(st.just(float("nan")), st.floats(-10.0, 20_000.0)), max_size=80),
    now=st.floats(0.0, 5_000.0),
)
def test_no_forecast_however_ragged_gives_anything_but_ordered_finite_air(
    points: dict[float, float], past: list[float], now: float
) -> None:
    hours = np.unique(np.array(sorted(points)) + 100.0)
    values = np.array(list(points.values()))[: hours.size]
    history = np.array([*past, now])
    usual = persistence(history)
    found, covered = following(hours, values, history, 100.0, usual)
    assert covered == 0 or 6 <= covered <= HORIZON_H
    for curve in (found.low, found.value, found.high, found.expected):
        assert curve.shape == (HORIZON_H,)
        assert np.isfinite(curve).all()
        assert (curve >= 0.0).all()
    assert (found.low <= found.value).all()
    assert (found.value <= found.high).all()


def test_the_service_reads_the_forecast_of_the_hours_to_come(
    house: Callable[..., House], still: Made, series: Made, tmp_path: Path
) -> None:
    known = {**still(6.0), OUTDOOR_FORECAST: series(6.0 + np.arange(0.0, 73.0), 90.0)}
    now = from_us(int(known["indoor.pm25"].time_us[-1]))
    with Store.open(tmp_path / "house.sqlite") as store:
        for name, each in known.items():
            store.append(map(Reading, each.time_us.tolist(), [name] * len(each), each.value.tolist()))
        told = Engine(house(), store, lambda: now).refresh()
    assert told is not None
    assert told.fan.forecast_basis.startswith("the supplied forecast")
    assert told.period.end == now
    assert all(hour.outdoor_pm25 > 85.0 for hour in told.fan.hours_ahead)
    assert told.fan.valid_until <= now + timedelta(minutes=15)


def test_the_age_of_a_forecast_counts_from_when_it_last_brought_anything_new(series: Made, tmp_path: Path) -> None:
    def told_at(now_h: float, made_h: float, value: float = 40.0) -> float:
        window = series(np.arange(made_h - 5.0, made_h + 40.0), value)
        now_us = int(series([now_h], 0.0).time_us[0])
        return forecast_age_h(store, window, now_us)

    with Store.open(tmp_path / "house.sqlite") as store:
        assert told_at(10.0, 10.0) == 0.0
        # Sent again and again, it grows older; hours from before it was first seen may drop out of sight.
        assert told_at(13.0, 10.0) == pytest.approx(3.0)
        later = series(np.arange(10.0, 50.0), 40.0)
        assert forecast_age_h(store, later, int(series([14.0], 0.0).time_us[0])) == pytest.approx(4.0)
    with Store.open(tmp_path / "house.sqlite") as store:
        assert told_at(15.0, 10.0) == pytest.approx(5.0)
        assert told_at(16.0, 10.0, value=41.0) == 0.0
        assert told_at(17.0, 11.0, value=41.0) == 0.0
        assert told_at(12.0, 11.0, value=41.0) == 0.0


def test_an_older_forecast_is_less_sure_as_if_its_hours_lay_farther_ahead() -> None:
    history = np.full(48, 20.0)
    usual = persistence(history)
    after = 48.0 + np.arange(0.0, HORIZON_H + 2.0)
    new, old = (following(after, np.full(after.size, 20.0), history, 48.0, usual, age_h=age)[0] for age in (0.0, 12.0))
    assert old.high[:36] == pytest.approx(new.high[12:])
    assert old.value == pytest.approx(new.value)


def test_a_source_that_sends_one_forecast_for_ever_is_followed_for_a_day_and_then_left_aside(
    house: Callable[..., House], still: Made, series: Made, tmp_path: Path
) -> None:
    told = still(6.0 + 30.0)
    end = int(told["indoor.pm25"].time_us[-1])
    now = [from_us(end - 30 * 3_600_000_000)]

    def send(store: Store, name: str, each: Series) -> None:
        store.append(map(Reading, each.time_us.tolist(), [name] * len(each), each.value.tolist()))

    basis = []
    with Store.open(tmp_path / "house.sqlite") as store:
        for name, each in told.items():
            send(store, name, each)
        for hours in (0, 23, 25, 26):
            now[0] = from_us(end - (30 - hours) * 3_600_000_000)
            # The very same hours, sent anew; from hour 26 on with one more.
            send(store, OUTDOOR_FORECAST, series(6.0 + np.arange(0.0, 60.0 + (hours >= 26)), 90.0))
            # A new engine each time: the age outlives the process.
            assessment = Engine(house(), store, lambda: now[0]).refresh()
            assert assessment is not None
            basis.append(assessment.fan.forecast_basis)
    followed = ["supplied forecast of outdoor PM2.5 for" in each for each in basis]
    assert followed == [True, True, False, True]
    assert "left aside: nothing new in it for 25 h" in basis[2]
