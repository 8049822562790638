"""A fan whose clock is wrong: put right once, where readings become a grid, so that all that follows keeps one time.

The house is stepped by hand, minute by minute; its fan runs in rounds that are never alike, as weather makes them.
"""

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest

from moteledger.engine import Assessment, assess
from moteledger.engine.assessment import Known
from moteledger.engine.filter_past import steady_drop
from moteledger.engine.grid import gridded
from moteledger.settings import House
from moteledger.store import Series
from motemodel.measure import clock_lag

Houses = Callable[..., House]
Told = Callable[..., Series]

DAYS = 6
HOUR_LATE = 1.0
CLEAN_AIR_PER_H, VOLUME_M3 = 2.5, 150.0 * 2.44


@cache
def minutes() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Ends of the minutes (h), the fan, and outdoor and indoor means: dC/dt = 0.4 C_out - (0.6 + 2.5 fan) C."""
    random = np.random.default_rng(9)
    ends = np.arange(1, DAYS * 1440 + 1) / 60.0
    starts = np.cumsum(random.uniform(1.0, 2.6, 120)) - 2.0
    lengths = random.uniform(0.3, 0.8, starts.size)
    fan = ((ends[:, None] > starts) & (ends[:, None] <= starts + lengths)).any(axis=1).astype(np.float64)
    outdoor = 25.0 + 10.0 * np.sin(2.0 * np.pi * ends / 24.0) + 6.0 * np.sin(ends / 3.1)
    indoor, level = np.empty(ends.size), 10.0
    for k in range(ends.size):
        change = (0.4 * outdoor[k] - (0.6 + CLEAN_AIR_PER_H * fan[k]) * level) / 60.0
        indoor[k] = level + 0.5 * change
        level += change
    return ends, fan, outdoor, np.maximum(indoor + random.normal(0.0, 0.2, ends.size), 0.0)


@pytest.fixture(scope="module")
def told(series: Told) -> Callable[..., dict[str, Series]]:
    """The readings; the fan's stamps, and the drop's, are so many hours late."""

    def readings(fan_late_h: float = 0.0, drop_late_h: float | None = None) -> dict[str, Series]:
        ends, fan, outdoor, indoor = minutes()
        found = {
            "indoor.pm25": series(ends, indoor),
            "outdoor.pm25": series(ends, outdoor),
            "fan.running": series(ends - 1.0 / 60.0 + fan_late_h, fan),
        }
        if drop_late_h is not None:
            shown = 50.0 + np.random.default_rng(3).normal(0.0, 0.5, fan.size)
            found["filter.pressure_drop"] = series(ends + drop_late_h, np.where(fan > 0.5, shown, 0.0))
        return found

    return readings


@pytest.fixture(scope="module")
def assessed(house: Houses, told: Callable[..., dict[str, Series]]) -> Callable[[float], Assessment]:
    return cache(lambda late_h: assess(house(), told(late_h)))


def test_the_grid_moves_the_fan_to_the_airs_time_and_says_so(house: Houses, told: Any) -> None:
    late, right = (gridded(house(), told(late_h)) for late_h in (HOUR_LATE, 0.0))
    (remark,) = late.remarks
    assert remark.startswith("the air follows the fan ")
    assert remark.split()[5] in {"58", "59", "60", "61", "62"}
    assert "earlier than the stamps say" in remark
    assert right.remarks == ()
    middle = slice(120, -120)
    # Two of the hundred-odd minutes of each round, at most, are out by two.
    assert np.mean(np.abs(late.fan - right.fan)[middle]) < 4.0 / 100.0
    assert not clock_lag(late.values_or_nan("indoor.pm25"), late.fan, late.grid.step_h).told


@pytest.mark.parametrize("drop_late_h", [0.0, HOUR_LATE])
def test_a_drop_keeps_its_own_time_or_moves_with_the_fan_whichever_it_was_stamped_by(
    drop_late_h: float, house: Houses, told: Any
) -> None:
    """Either way the drop with the fan running is 50 Pa, never the nought of a fan at rest."""
    surveyed = house(filter={"merv": 11})
    drop = steady_drop(surveyed, gridded(surveyed, told(HOUR_LATE, drop_late_h)))
    assert drop is not None
    known = drop[np.isfinite(drop)]
    assert known.size > 0.8 * np.count_nonzero(minutes()[1][:-60])
    assert np.mean(known > 40.0) > 0.9


def test_ledger_and_delivery_of_an_assessment_follow_and_the_remark_is_shown_once(
    assessed: Callable[[float], Assessment],
) -> None:
    late, right = assessed(HOUR_LATE), assessed(0.0)
    assert sum("clocks is wrong" in remark for remark in late.data_quality.remarks) == 1
    assert not any("clock" in remark for remark in right.data_quality.remarks)
    assert late.ledger.filtered_mg == pytest.approx(right.ledger.filtered_mg, rel=0.1)
    found = late.estimates.clean_air_delivered_m3h
    assert isinstance(found, Known)
    assert found.value == pytest.approx(CLEAN_AIR_PER_H * VOLUME_M3, rel=0.1)


def test_the_trace_shows_the_fan_when_the_air_fell(assessed: Callable[[float], Assessment]) -> None:
    late, right = (
        np.array([point.fan_fraction if point.fan_fraction is not None else np.nan for point in assessed(late_h).trace])
        for late_h in (HOUR_LATE, 0.0)
    )
    known = np.isfinite(late) & np.isfinite(right)
    assert np.corrcoef(late[known], right[known])[0, 1] > 0.9


@pytest.mark.parametrize("every_min", [5, 10, 15])
@pytest.mark.parametrize("phase_min", [0, 2, 4])
def test_a_fan_that_is_only_asked_for_now_and_then_is_no_clock_that_is_wrong(
    every_min: int, phase_min: int, house: Houses, series: Told, told: Any
) -> None:
    """It is told late by up to that interval; and its run has ended at any time in the last one."""
    readings = told(drop_late_h=0.0)
    asked = readings["fan.running"]
    readings["fan.running"] = Series(asked.time_us[phase_min::every_min], asked.value[phase_min::every_min])
    surveyed = house(filter={"merv": 11})
    grid = gridded(surveyed, readings)
    assert grid.remarks == ()
    drop = steady_drop(surveyed, grid)
    assert drop is not None
    known = drop[np.isfinite(drop)]
    assert known.size > 0.5 * np.count_nonzero(minutes()[1])
    assert np.mean(known > 40.0) > 0.99


def test_an_hour_is_more_than_sampling_explains(house: Houses, told: Any) -> None:
    readings = told(HOUR_LATE)
    asked = readings["fan.running"]
    readings["fan.running"] = Series(asked.time_us[::10], asked.value[::10])
    (remark,) = gridded(house(), readings).remarks
    assert 58 <= int(remark.split()[5]) <= 68
