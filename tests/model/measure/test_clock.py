"""Clocks that disagree: houses integrated by scipy, the fan's stamps moved by half a minute up to a whole zone."""

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.integrate import solve_ivp

from motemodel.estimate import Estimate, HouseRecord, identify
from motemodel.measure import clock_lag, shifted

STEP_H, DAYS = 1.0 / 60.0, 5
VOLUME_M3, FAN_LOSS = 340.0, 2.0
CYCLES_H = np.random.default_rng(4).uniform(0.5, 1.3, 240)
"""Lengths of the fan's rounds, h: weather never makes them alike; it runs for 40 % of each."""


@cache
def switched() -> tuple[np.ndarray, np.ndarray]:
    """When the fan goes on, and off again, h."""
    starts = np.cumsum(CYCLES_H) - 20.0
    return starts, starts + 0.4 * CYCLES_H


def fan_of(late_h: float = 0.0) -> np.ndarray:
    """The share of each minute that the fan ran by a clock that is `late_h` behind, exactly."""
    edges = np.arange(round(DAYS * 24.0 / STEP_H) + 1) * STEP_H - late_h
    on, off = switched()
    after = np.cumsum(off - on)
    ran = np.interp(edges, np.column_stack([on, off]).ravel(), np.column_stack([after - (off - on), after]).ravel())
    return np.clip(np.diff(ran) / STEP_H, 0.0, 1.0)


@cache
def air() -> tuple[np.ndarray, np.ndarray]:
    """Outdoor and indoor minutes: two meals a day, a noisy sensor."""
    middles = (np.arange(round(DAYS * 24.0 / STEP_H)) + 0.5) * STEP_H
    outdoor = 18.0 + 8.0 * np.sin(middles / 4.3) + 4.0 * np.sin(middles / 1.3)
    meals = (np.minimum(np.abs(middles % 24.0 - 12.4), np.abs(middles % 24.0 - 18.9)) < 0.2) * 150.0
    fan = fan_of()

    def rate(t: float, c: np.ndarray) -> np.ndarray:
        k = min(int(t / STEP_H), middles.size - 1)
        return 0.4 * outdoor[k] + meals[k] - (0.7 + FAN_LOSS * fan[k]) * c

    exact = solve_ivp(rate, (0.0, middles[-1]), [8.0], t_eval=middles, rtol=1e-6, max_step=STEP_H)
    return outdoor, exact.y[0] + np.random.default_rng(2).normal(0.0, 0.4, middles.size)


@cache
def record(late_h: float) -> HouseRecord:
    return HouseRecord(STEP_H, VOLUME_M3, *air(), fan_of(late_h))


@cache
def delivered(late_h: float) -> Estimate:
    found = identify(record(late_h).with_fan_in_time()).clean_air_delivered_m3h
    assert isinstance(found, Estimate)
    return found


def test_half_a_minute_between_the_clocks_does_not_move_what_is_delivered() -> None:
    apart, together = delivered(30.0 / 3600.0), delivered(0.0)
    assert apart.value == pytest.approx(together.value, rel=0.03)
    assert apart.low <= FAN_LOSS * VOLUME_M3 <= apart.high


@pytest.mark.parametrize("late_h", [-0.1, 0.1, 1.0, -5.0])
def test_clocks_further_apart_are_found(late_h: float) -> None:
    """Six minutes, summer time, a stamp in another zone's time."""
    _, indoor = air()
    found = clock_lag(indoor, fan_of(late_h), STEP_H)
    assert found.told
    assert found.lag_h == pytest.approx(-late_h, abs=2.5 / 60.0)


def test_an_hour_between_the_clocks_is_put_right() -> None:
    """Untreated, the delivery would be lost."""
    found = delivered(1.0)
    assert found.low <= FAN_LOSS * VOLUME_M3 <= found.high
    assert found.value == pytest.approx(delivered(0.0).value, rel=0.05)


def test_clocks_that_agree_are_left_alone() -> None:
    assert record(0.0).with_fan_in_time() is record(0.0)


@pytest.mark.parametrize(("fan_loss", "run_h"), [(2.5, 0.5), (5.0, 0.5), (5.0, 1.5), (2.5, 2.0)])
def test_long_runs_of_a_strong_fan_do_not_look_like_a_clock_ahead(fan_loss: float, run_h: float) -> None:
    """While it runs the air falls ever slower; minutes of dC/dt = 0.4 C_out - (0.6 + fan_loss fan) C, by hand."""
    random = np.random.default_rng(6)
    ends = np.arange(1, 6 * 1440 + 1) * STEP_H
    starts = np.cumsum(random.uniform(2.0, 5.0, 100) * run_h) - 2.0
    stops = starts + random.uniform(0.6, 1.4, 100) * run_h
    on = ((ends[:, None] > starts) & (ends[:, None] <= stops)).any(axis=1).astype(np.float64)
    level, c = np.empty(ends.size), 10.0
    for k, hour in enumerate(ends):
        outdoor = 25.0 + 10.0 * np.sin(2.0 * np.pi * hour / 24.0) + 6.0 * np.sin(hour / 3.1)
        change = (0.4 * outdoor - (0.6 + fan_loss * on[k]) * c) * STEP_H
        level[k], c = c + 0.5 * change, c + change
    level += random.normal(0.0, 0.2, level.size)
    assert not clock_lag(level, on, STEP_H).told
    late = clock_lag(level, shifted(on, 60, 0.0), STEP_H)
    assert late.told
    assert late.lag_h == pytest.approx(-1.0, abs=2.5 / 60.0)


def test_a_switch_that_the_air_knows_nothing_of_tells_no_lag() -> None:
    _, indoor = air()
    for seed in range(20):
        random = np.random.default_rng(seed)
        blind = np.repeat(random.random(DAYS * 48) < 0.4, 30).astype(np.float64)
        assert not clock_lag(indoor, blind, STEP_H).told


@settings(max_examples=40, deadline=None)
@given(
    level=arrays(np.float64, 400, elements=st.floats(0.0, 1e5) | st.just(np.nan)),
    on=arrays(np.float64, 400, elements=st.floats(0.0, 1.0) | st.just(np.nan)),
    steps=st.integers(-500, 500),
)
def test_whatever_the_numbers_there_is_an_answer_and_moving_back_loses_only_the_ends(
    level: np.ndarray, on: np.ndarray, steps: int
) -> None:
    assert abs(clock_lag(level, on, 0.25).lag_h) <= 14.0
    there_and_back = shifted(shifted(on, steps), -steps)
    kept = np.isfinite(there_and_back)
    assert np.array_equal(there_and_back[kept], on[kept])


def test_what_is_not_gridded_alike_is_refused() -> None:
    with pytest.raises(ValueError, match="clock lag"):
        clock_lag(np.zeros(3), np.zeros(4), 0.1)
