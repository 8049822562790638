"""The filter's drop where the fan's state contradicts it: told as such, and no step, change or date is made of it.

No air, no drop (see tests/model/measure/test_fan_rest.py). The fan runs in rounds that are never alike.
"""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import pytest

from moteledger.engine.assessment import FilterAdvice, Known, NotKnown
from moteledger.engine.filter_advice import filter_advice
from moteledger.engine.grid import GriddedHouse, gridded
from moteledger.settings import House
from moteledger.store import Series

DAYS = 14
MINUTES = np.arange(DAYS * 1440)
Readings = dict[str, Series]


def rounds() -> np.ndarray:
    random = np.random.default_rng(4)
    starts = np.cumsum(random.integers(45, 140, 400))
    return ((starts[:, None] <= MINUTES) & (starts[:, None] + random.integers(10, 40, 400)[:, None] > MINUTES)).any(
        0
    ) * 1.0


@pytest.fixture(scope="module")
def surveyed(house: Callable[..., House]) -> House:
    return house(filter={"merv": 13, "final_drop": "120 Pa"}, air_handler={"airflow": "1800 m3/h"})


@pytest.fixture(scope="module")
def readings(still: Callable[..., Readings], series: Callable[..., Series]) -> Callable[..., Readings]:
    """A drop of 47 to 50 Pa in two weeks, nought at rest; what it and the fan are told as may be changed."""

    def told(
        state: Callable[[np.ndarray], np.ndarray] = lambda fan: fan,
        shown: Callable[[np.ndarray], np.ndarray] = lambda drop: drop,
    ) -> Readings:
        fan = rounds()
        drop = fan * (47.0 + MINUTES / 1440 / DAYS * 3.0) + np.random.default_rng(5).normal(0.0, 0.4, MINUTES.size)
        return still(24.0 * DAYS) | {
            "fan.running": series(MINUTES / 60.0, state(fan)),
            "filter.pressure_drop": series((MINUTES + 1) / 60.0, np.round(shown(drop), 1)),
        }

    return told


@pytest.fixture(scope="module")
def advised(surveyed: House, start: datetime) -> Callable[[Readings], tuple[GriddedHouse, FilterAdvice]]:
    def advice(told: Readings) -> tuple[GriddedHouse, FilterAdvice]:
        grid = gridded(surveyed, told)
        return grid, filter_advice(surveyed, grid, start + timedelta(days=DAYS))

    return advice


def remarks(grid: GriddedHouse) -> str:
    return "; ".join(grid.qualities["filter.pressure_drop"].remarks)


def test_a_drop_that_agrees_with_the_fan_is_told_and_nothing_is_said(readings: Any, advised: Any) -> None:
    grid, advice = advised(readings())
    assert remarks(grid) == ""
    assert isinstance(advice.drop_at_reference_pa, Known)
    assert advice.drop_at_reference_pa.value == pytest.approx(50.0, abs=1.0)


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"state": np.ones_like}, "falls to nought again and again while the fan is told to run"),
        ({"shown": lambda drop: np.full(drop.size, 47.3)}, "does not fall while the fan is told to rest"),
        (
            {"shown": lambda drop: 47.0 + 0.01 * drop},
            "does not fall while the fan is told to rest",
        ),
    ],
)
def test_a_contradiction_all_along_is_the_reason_why_the_drop_is_not_known(
    changed: dict[str, Any], told: str, readings: Any, advised: Any
) -> None:
    grid, advice = advised(readings(**changed))
    assert told in remarks(grid)
    assert "that the fan's state is that of this blower" in remarks(grid)
    assert isinstance(advice.drop_at_reference_pa, NotKnown)
    assert told in advice.drop_at_reference_pa.reason
    assert "see that" in advice.drop_at_reference_pa.reason
    assert told in advice.reason
    assert advice.pressure_changes == ()
    assert advice.change_seen_on is None
    assert advice.change_on is None
    assert grid.qualities["filter.pressure_drop"].coverage == 0.0


@pytest.mark.parametrize(
    "changed",
    [
        {"state": lambda fan: np.where(MINUTES < 9 * 1440, fan, 1.0)},
        {"shown": lambda drop: np.where(MINUTES < 9 * 1440, drop, 60.0)},
    ],
)
def test_what_came_before_the_contradiction_still_tells_the_drop(
    changed: dict[str, Any], readings: Any, advised: Any
) -> None:
    grid, advice = advised(readings(**changed))
    assert "those readings are left out" in remarks(grid)
    assert grid.qualities["filter.pressure_drop"].coverage == pytest.approx(9 / 14, abs=0.02)
    assert advice.pressure_changes == ()
    assert advice.change_seen_on is None
    assert isinstance(advice.drop_at_reference_pa, Known)
    assert advice.drop_at_reference_pa.value == pytest.approx(47.0 + 9 / 14 * 3.0, abs=1.0)


def test_a_hose_that_is_off_is_told_as_that(readings: Any, advised: Any) -> None:
    grid, advice = advised(readings(shown=lambda drop: np.where(MINUTES < 9 * 1440, drop, 0.2)))
    assert "left out" not in remarks(grid)
    assert [change.likely for change in advice.pressure_changes] == ["pressure port blocked or hose off"]


@pytest.mark.parametrize(
    ("shown_pa", "likely"), [(0.01, "pressure port blocked or hose off"), (0.4, "filter changed"), (1.0, None)]
)
def test_a_hose_that_is_off_and_a_new_filter_are_seen_where_the_fan_is_only_sampled(
    shown_pa: float, likely: str | None, readings: Any, advised: Any
) -> None:
    told = readings(shown=lambda drop: (2.5 - (2.5 - shown_pa) * (MINUTES > 9 * 1440)) * drop if likely else drop)
    told["fan.running"] = Series(told["fan.running"].time_us[3::10], told["fan.running"].value[3::10])
    grid, advice = advised(told)
    assert "left out" not in remarks(grid)
    assert [change.likely for change in advice.pressure_changes] == ([likely] if likely else [])


def test_calls_are_no_state_of_the_fan_which_may_run_without_them(readings: Any, advised: Any) -> None:
    told = readings(shown=lambda drop: np.full(drop.size, 47.3))
    told["heating.running"] = told.pop("fan.running")
    grid, advice = advised(told)
    assert remarks(grid) == ""
    assert isinstance(advice.drop_at_reference_pa, Known)
