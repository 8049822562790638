"""The year ahead of a house: its usual temperature and its fan's running, from a part of the year and what is usual."""

import csv
from collections import defaultdict
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.plan import Climate, RunningHabit, Season, running_ahead, running_habit, usual_season
from motemodel.plan.season import YEAR_DAYS

DATA = Path(__file__).parents[2] / "reference" / "data" / "outdoor_pm25_beijing_2014_extract.csv"
KNOWN = RunningHabit(np.array([0.1, 0.02, 16.0, 0.05, 22.0]), 1e-12 * np.eye(5), 0.03, 0.5)
STEADY = Season(np.array([12.0, 12.0, 0.0]), 1e-9 * np.eye(3), 3.0)


def weather(rng: np.random.Generator, days: int, spread: float = 3.0, kept: float = 0.8) -> np.ndarray:
    """Departures of daily temperatures from their season, a red noise."""
    now, found = rng.normal(0.0, spread), np.empty(days)
    for k in range(days):
        now = kept * now + rng.normal(0.0, spread * np.sqrt(1.0 - kept**2))
        found[k] = now
    return found


def test_three_measured_months_tell_the_fourth() -> None:
    # Hourly temperatures measured in Beijing in January, May, July and October 2014: Liang et al. (2015), as named in
    # the file. A continental July is told from the other three months, within what a month may differ from its normal.
    by_day = defaultdict(list)
    with DATA.open() as lines:
        rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    for moment, _, degrees in rows[1:]:
        if degrees:
            by_day[date.fromisoformat(moment[:10])].append(float(degrees))
    day = np.array([(d - date(2014, 1, 1)).days for d in sorted(by_day)], dtype=float)
    mean = np.array([np.mean(by_day[d]) for d in sorted(by_day)])
    july = (day >= 181) & (day < 212)
    found = usual_season(day, np.where(july, np.nan, mean))
    assert found.expected_c(day[july]).mean() == pytest.approx(mean[july].mean(), abs=3.0)


def test_without_a_record_the_climate_stands_as_stated() -> None:
    found = usual_season(np.array([]), np.array([]), Climate(10.0, 14.0))
    assert found.expected_c(np.array([20.0, 20.0 + YEAR_DAYS / 2.0])) == pytest.approx([-4.0, 24.0])


def test_a_southern_summer_is_known_by_its_warm_january() -> None:
    day = np.arange(90.0)
    found = usual_season(day, 20.0 + weather(np.random.default_rng(3), 90))
    assert found.expected_c(np.array([200.0]))[0] < 12.0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_half_a_year_of_weather_tells_the_other_half(seed: int) -> None:
    rng = np.random.default_rng(seed)
    day = np.arange(0.0, 183.0)
    found = usual_season(day, 9.0 - 11.0 * np.cos(2.0 * np.pi * (day - 20.0) / YEAR_DAYS) + weather(rng, 183))
    ahead = np.arange(183.0, 365.0)
    true = 9.0 - 11.0 * np.cos(2.0 * np.pi * (ahead - 20.0) / YEAR_DAYS)
    assert np.abs(found.expected_c(ahead) - true).max() < 5.0


def test_a_habit_is_found_from_a_year_of_its_own_days() -> None:
    rng = np.random.default_rng(4)
    outdoor = np.linspace(-8.0, 32.0, 365)
    share = KNOWN.share(outdoor) + rng.normal(0.0, 0.02, 365)
    found = running_habit(share, outdoor)
    assert found.share(np.array([-5.0, 10.0, 19.0, 30.0])) == pytest.approx(
        KNOWN.share(np.array([-5.0, 10.0, 19.0, 30.0])), abs=0.02
    )


def test_who_has_seen_only_winter_expects_the_usual_of_summer() -> None:
    # 0.06 of the hour for each K above 22 degC: Stephens, Siegel & Novoselac (2011), Building and Environment 46.
    outdoor = np.linspace(-8.0, 8.0, 90)
    found = running_habit(KNOWN.share(outdoor), outdoor)
    assert found.share(np.array([30.0]))[0] == pytest.approx(0.06 * 8.0, abs=0.08)
    assert found.share(np.array([0.0]))[0] == pytest.approx(0.02 * 16.0, abs=0.03)


def test_a_fan_set_to_circulate_is_expected_to_go_on() -> None:
    rng = np.random.default_rng(5)
    outdoor = 18.0 + rng.normal(0.0, 1.0, 80)
    share = np.where(np.arange(80) < 50, 0.05, 0.35) + rng.normal(0.0, 0.02, 80)
    found = running_habit(share, outdoor)
    assert found.share(np.array([18.0]))[0] == pytest.approx(0.35, abs=0.04)


def test_without_any_day_a_house_is_as_usual() -> None:
    found = running_habit(np.array([np.nan]), np.array([np.nan]))
    assert found.share(np.array([30.0]))[0] > found.share(np.array([19.0]))[0] > 0.0


def test_the_interval_of_the_running_ahead_holds_it_nine_times_in_ten() -> None:
    # Monte Carlo as the oracle (JCGM 101:2008): winters drawn by lot against mean and deviation told beforehand.
    rng = np.random.default_rng(6)
    day = np.arange(330.0, 390.0)
    told = running_ahead(KNOWN, STEADY, day)
    usual = STEADY.expected_c(day)
    lived = []
    for _ in range(300):
        share = KNOWN.share(usual + weather(rng, day.size)) + weather(rng, day.size, 0.03, 0.5)
        lived.append(np.clip(share, 0.0, 1.0).sum())
    held = np.abs(np.array(lived) - told.run_days[-1]) <= 1.645 * told.run_days_sd[-1]
    assert 0.85 <= held.mean() <= 0.995
    assert np.mean(lived) == pytest.approx(told.run_days[-1], rel=0.03)


def test_a_warm_spell_of_today_fades() -> None:
    day = np.arange(0.0, 60.0)
    still, warm = running_ahead(KNOWN, STEADY, day), running_ahead(KNOWN, STEADY, day, anomaly_k=6.0)
    less = still.run_days - warm.run_days
    assert less[0] > 0.0
    assert less[-1] - less[29] < 0.05


def test_days_and_values_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="one to each"):
        usual_season(np.arange(3.0), np.arange(2.0))
    with pytest.raises(ValueError, match="one to each"):
        running_habit(np.arange(3.0), np.arange(2.0))


values = st.one_of(st.just(np.nan), st.floats(-40.0, 45.0))


@settings(max_examples=30)
@given(st.lists(st.tuples(values, st.one_of(st.just(np.nan), st.floats(0.0, 1.0))), max_size=40), st.floats(0, 365))
def test_whatever_was_recorded_the_running_ahead_is_between_none_and_always(days: list, start: float) -> None:
    outdoor, share = (np.array([d[k] for d in days], dtype=float) for k in (0, 1))
    usual = usual_season(start + np.arange(float(len(days))), outdoor)
    told = running_ahead(running_habit(share, outdoor), usual, start + len(days) + np.arange(100.0))
    assert np.isfinite(told.run_days).all()
    assert (np.diff(told.run_days, prepend=0.0) >= 0.0).all()
    assert told.run_days[-1] <= 100.0
    assert (told.run_days_sd > 0.0).all()
