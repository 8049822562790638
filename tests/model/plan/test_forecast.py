"""The hours ahead: what is now fades into what is usual, and the spread grows up to the place's own."""

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import lognorm, norm

from motemodel.plan import CallHabit, call_habit, outdoor_forecast, temperature_forecast, usual_share_by_hour

RNG = np.random.default_rng(5)


def days(count: int) -> np.ndarray:
    return np.arange(24 * count) % 24


def autoregressive(hours: int, correlation: float, sd: float, mean: float) -> np.ndarray:
    x = np.empty(hours)
    x[0] = 0.0
    for k in range(1, hours):
        x[k] = correlation * x[k - 1] + sd * np.sqrt(1.0 - correlation**2) * RNG.normal()
    return np.expm1(mean + x)


def test_the_forecast_of_an_autoregression_is_its_conditional_mean_and_spread() -> None:
    # Box & Jenkins (1970), chapter 5: x(k) = r^k x(0), variance s2 (1 - r^2k); checked on a simulated series (from
    # memory).
    history = autoregressive(24 * 200, 0.9, 0.6, 3.0)
    forecast = outdoor_forecast(history, days(200), 24)
    x0 = np.log1p(history[-1]) - 3.0
    expected = 3.0 + 0.9 ** np.arange(1, 25) * x0
    assert np.log1p(forecast.value) == pytest.approx(expected, abs=0.25)
    half = 1.645 * 0.6 * np.sqrt(1.0 - 0.9 ** (2.0 * np.arange(1, 25)))
    assert (np.log1p(forecast.high) - np.log1p(forecast.low)) / 2.0 == pytest.approx(half, rel=0.15)


def test_nine_in_ten_hours_of_measured_air_fall_within_the_interval() -> None:
    # Hourly PM2.5 measured in Beijing, 2014 (Liang et al. 2015, Proc. R. Soc. A 471:20150257; CC BY 4.0).
    path = Path(__file__).parents[3] / "integration/moteledger/demo/data/outdoor_pm25.csv"
    rows = [row.split(",") for row in path.read_text(encoding="utf-8").splitlines() if row[:2] == "20"]
    air = np.array([float(row[1]) if row[1] else np.nan for row in rows])
    hour = np.array([int(row[0][11:13]) for row in rows])
    inside = []
    for now in range(24 * 10, air.size - 24, 7):
        if np.isfinite(air[now - 1]):
            forecast = outdoor_forecast(air[:now], hour[:now], 24)
            ahead = air[now : now + 24]
            known = np.isfinite(ahead)
            inside.append(((ahead >= forecast.low) & (ahead <= forecast.high))[known].mean())
    assert 0.80 <= np.mean(inside) <= 0.97


def test_far_ahead_only_the_daily_pattern_is_left() -> None:
    pattern = 20.0 + 15.0 * (days(60) == 8)
    history = pattern + RNG.normal(0.0, 0.5, pattern.size)
    forecast = outdoor_forecast(history, days(60), 48)
    assert int(np.argmax(forecast.value)) % 24 == 8
    assert forecast.value[8 + 24] == pytest.approx(35.0, rel=0.15)


def test_constant_air_is_forecast_as_constant_and_certain() -> None:
    forecast = outdoor_forecast(np.full(72, 12.0), days(3), 24)
    assert forecast.value == pytest.approx(12.0)
    assert forecast.high - forecast.low == pytest.approx(0.0, abs=1e-9)


def test_one_hour_of_data_gives_a_wide_forecast_rather_than_none() -> None:
    forecast = outdoor_forecast(np.array([30.0]), np.array([4]), 24)
    assert forecast.value[0] == pytest.approx(30.0, rel=0.1)
    assert forecast.high[-1] > 60.0


def test_old_news_is_less_certain_news() -> None:
    fresh = autoregressive(24 * 30, 0.9, 0.6, 3.0)
    stale = fresh.copy()
    stale[-12:] = np.nan
    hours = days(30)
    spread_fresh = outdoor_forecast(fresh, hours, 3)
    spread_stale = outdoor_forecast(stale, hours, 3)
    assert np.log1p(spread_stale.high[0]) - np.log1p(spread_stale.low[0]) > np.log1p(spread_fresh.high[0]) - np.log1p(
        spread_fresh.low[0]
    )


def test_nothing_known_is_an_error_that_says_so() -> None:
    with pytest.raises(ValueError, match="no hour"):
        outdoor_forecast(np.full(24, np.nan), days(1), 24)
    with pytest.raises(ValueError, match="1 or more"):
        outdoor_forecast(np.ones(24), days(1), 0)
    with pytest.raises(ValueError, match="give one to each"):
        outdoor_forecast(np.ones(24), days(2), 1)


def test_usual_calls_are_the_mean_of_each_hour() -> None:
    share = np.where(days(4) < 6, 0.5, 0.0)
    share[30] = np.nan
    usual = usual_share_by_hour(share, days(4))
    assert usual[:6] == pytest.approx(0.5)
    assert usual[6:] == pytest.approx(0.0)
    assert usual_share_by_hour(np.array([0.3]), np.array([2])) == pytest.approx(0.3)


@given(arrays(np.float64, st.integers(1, 100), elements=st.floats(0.0, 1e4) | st.just(float("nan"))))
def test_any_history_with_a_known_hour_gives_an_ordered_finite_forecast(history: np.ndarray) -> None:
    if not np.isfinite(history).any():
        history[0] = 1.0
    forecast = outdoor_forecast(history, np.arange(history.size) % 24, 30)
    assert (forecast.low <= forecast.value).all()
    assert (forecast.value <= forecast.high).all()
    assert np.isfinite(forecast.high).all()
    assert (forecast.low >= 0.0).all()


def test_the_expected_value_is_the_mean_of_a_lognormal() -> None:
    # scipy.stats as the oracle: the mean of exp(N(mu, s)), less the one of ln(C + 1).
    history = autoregressive(24 * 60, 0.9, 0.6, 3.0)
    forecast = outdoor_forecast(history, days(60), 48)
    mu = np.log1p(forecast.value)
    s = (np.log1p(forecast.high) - mu) / norm.ppf(0.95)
    assert forecast.expected == pytest.approx(lognorm.mean(s, scale=np.exp(mu)) - 1.0)
    assert (forecast.expected >= forecast.value).all()


def test_the_habit_of_calls_is_found_from_a_house_that_has_one() -> None:
    rng = np.random.default_rng(8)
    outdoor = rng.uniform(-10.0, 35.0, 24 * 60)
    truth = CallHabit(0.05, 14.0, 0.02, 22.0, 0.05)
    share = np.clip(truth.share(outdoor) + rng.normal(0.0, 0.05, outdoor.size), 0.0, 1.0)
    found = call_habit(share, outdoor)
    assert found is not None
    there = np.linspace(-8.0, 34.0, 50)
    assert found.share(there) == pytest.approx(truth.share(there), abs=0.06)


def test_a_habit_takes_two_days_and_never_cools_the_more_the_colder_it_is() -> None:
    assert call_habit(np.full(47, 0.5), np.full(47, 20.0)) is None
    flat = call_habit(np.full(60, 0.25), np.full(60, 20.0))
    assert flat is not None
    assert flat.share(np.array([-20.0, 20.0, 40.0])) == pytest.approx(0.25)
    backwards = call_habit(np.linspace(1.0, 0.0, 100), np.linspace(10.0, 30.0, 100))
    assert backwards is not None
    assert backwards.cooling_per_k == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(ValueError, match="one to each"):
        call_habit(np.ones(3), np.ones(2))


def test_temperature_ahead_fades_into_the_usual_day() -> None:
    usual = 15.0 + 8.0 * np.sin(2.0 * np.pi * (days(30) - 9) / 24.0)
    ahead = temperature_forecast(usual, days(30), 48)
    assert int(np.argmax(ahead[:24])) == 15
    assert ahead.max() - ahead.min() == pytest.approx(16.0 * 30.0 / 37.0, rel=0.1)
    with pytest.raises(ValueError, match=r"0\.\.23"):
        temperature_forecast(np.ones(2), np.array([0, 24]), 3)


@given(arrays(np.float64, 60, elements=st.floats(0.0, 1.0)), arrays(np.float64, 60, elements=st.floats(-40.0, 50.0)))
def test_any_house_has_a_habit_between_nought_and_one(share: np.ndarray, outdoor: np.ndarray) -> None:
    found = call_habit(share, outdoor)
    assert found is not None
    ahead = found.share(np.linspace(-60.0, 60.0, 20))
    assert ((ahead >= 0.0) & (ahead <= 1.0)).all()
