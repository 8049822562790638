"""Averaging onto an even grid, checked against averages worked by hand and by numpy and scipy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy.integrate import cumulative_trapezoid

from motemodel.measure import Stamp, TimeGrid, level_means, runtime_fractions, state_fractions


def test_a_grid_starts_and_ends_on_whole_steps() -> None:
    grid = TimeGrid.covering(10.2, 11.9, 0.5)
    assert (grid.start_h, grid.end_h, grid.count) == (10.0, 12.0, 4)
    np.testing.assert_allclose(grid.midpoints_h, [10.25, 10.75, 11.25, 11.75])


@pytest.mark.parametrize(("start", "step", "count"), [(0.0, 0.0, 5), (0.0, -1.0, 5), (np.nan, 1.0, 5), (0.0, 1.0, 0)])
def test_an_impossible_grid_is_refused(start: float, step: float, count: int) -> None:
    with pytest.raises(ValueError, match="time grid"):
        TimeGrid(start, step, count)


def test_readings_at_every_step_end_are_their_own_means() -> None:
    grid = TimeGrid(0.0, 1.0, 4)
    np.testing.assert_allclose(
        level_means(np.array([1.0, 2.0, 3.0, 4.0]), np.array([5.0, 7.0, 1.0, 3.0]), grid, hold_h=1.5),
        [5.0, 7.0, 1.0, 3.0],
    )


def test_fine_readings_average_as_numpy_averages_them() -> None:
    value = np.random.default_rng(1).gamma(2.0, 5.0, 6 * 60)
    time = (np.arange(value.size) + 1.0) / 360.0
    grid = TimeGrid(0.0, 1.0 / 60.0, 60)
    np.testing.assert_allclose(
        level_means(time, value, grid, hold_h=0.1), value.reshape(-1, 6).mean(axis=1), rtol=1e-12
    )


def test_a_stamp_at_the_start_speaks_for_the_time_after_it() -> None:
    grid = TimeGrid(0.0, 1.0, 3)
    time, value = np.array([0.0, 1.5]), np.array([10.0, 20.0])
    means = level_means(time, value, grid, hold_h=2.0, stamp=Stamp.START)
    np.testing.assert_allclose(means, [10.0, 15.0, 20.0])


def test_momentary_readings_are_joined_by_straight_lines() -> None:
    time = np.sort(np.random.default_rng(2).uniform(0.0, 24.0, 200))
    value = np.sin(time)
    grid = TimeGrid(1.0, 0.25, 88)
    integral = np.concatenate(([0.0], cumulative_trapezoid(value, time)))
    fine = np.unique(np.concatenate((time, grid.edges_h)))
    exact = np.concatenate(([0.0], cumulative_trapezoid(np.interp(fine, time, value), fine)))
    expected = np.diff(np.interp(grid.edges_h, fine, exact)) / 0.25
    assert integral[-1] == pytest.approx(exact[-1])
    np.testing.assert_allclose(level_means(time, value, grid, hold_h=5.0, stamp=Stamp.INSTANT), expected, atol=1e-9)


def test_a_gap_longer_than_the_hold_stays_a_gap() -> None:
    time = np.array([0.5, 1.0, 1.5, 2.0, 6.0, 6.5, 7.0])
    means = level_means(time, np.ones(7), TimeGrid(0.0, 1.0, 7), hold_h=1.0)
    assert np.isnan(means).tolist() == [False, False, True, True, True, False, False]


def test_no_reading_at_all_gives_no_value_at_all() -> None:
    nothing = np.zeros(0)
    grid = TimeGrid(0.0, 1.0, 3)
    assert np.isnan(level_means(nothing, nothing, grid, hold_h=1.0)).all()
    assert np.isnan(state_fractions(nothing, nothing, grid, hold_h=1.0)).all()
    assert np.isnan(runtime_fractions(nothing, nothing, grid, hold_h=1.0)).all()


def test_one_reading_speaks_for_no_more_than_a_step() -> None:
    means = level_means(np.array([2.5]), np.array([4.0]), TimeGrid(0.0, 1.0, 4), hold_h=10.0)
    np.testing.assert_allclose(means, [np.nan, 4.0, 4.0, np.nan])


def test_a_fan_that_switched_on_at_a_quarter_past_ran_three_quarters_of_that_hour() -> None:
    time, state = np.array([0.0, 1.25, 3.0]), np.array([0.0, 1.0, 0.0])
    np.testing.assert_allclose(
        state_fractions(time, state, TimeGrid(0.0, 1.0, 5), hold_h=24.0), [0.0, 0.75, 1.0, 0.0, 0.0]
    )


def test_a_state_is_unknown_once_its_hold_has_passed() -> None:
    fractions = state_fractions(np.array([0.0]), np.array([1.0]), TimeGrid(0.0, 1.0, 4), hold_h=2.0)
    np.testing.assert_allclose(fractions, [1.0, 1.0, np.nan, np.nan])


def test_runtime_seconds_are_spread_over_the_time_since_the_reading_before() -> None:
    time, seconds = np.array([0.0, 2.0, 3.0]), np.array([999.0, 3600.0, 5000.0])
    np.testing.assert_allclose(runtime_fractions(time, seconds, TimeGrid(0.0, 1.0, 3), hold_h=24.0), [0.5, 0.5, 1.0])


def test_times_out_of_order_are_refused_with_the_way_out() -> None:
    with pytest.raises(ValueError, match="tidy"):
        level_means(np.array([1.0, 0.5]), np.ones(2), TimeGrid(0.0, 1.0, 2), hold_h=1.0)


@given(
    value=hnp.arrays(np.float64, st.integers(1, 60), elements=st.floats(-1e4, 1e4)),
    step=st.floats(0.01, 3.0),
    stamp=st.sampled_from(Stamp),
    seed=st.integers(0, 100),
)
def test_means_never_leave_the_range_of_the_readings(value: np.ndarray, step: float, stamp: Stamp, seed: int) -> None:
    time = np.cumsum(np.random.default_rng(seed).uniform(0.01, 1.0, value.size))
    means = level_means(time, value, TimeGrid.covering(0.0, float(time[-1]), step), hold_h=0.5, stamp=stamp)
    known = means[np.isfinite(means)]
    assert np.all((known >= value.min() - 1e-6) & (known <= value.max() + 1e-6))
