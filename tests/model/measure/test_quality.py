"""Readings as they really come: late, twice, stuck, spiking, saturated, in the wrong unit, in damp air."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from motemodel.measure import (
    Correction,
    FaultRule,
    TimeGrid,
    find_faults,
    gridded_level,
    gridded_runtime,
    gridded_state,
    humidity_growth_factor,
    resolution_of,
    suspected_scale,
    tidy,
)

RNG = np.random.default_rng(3)
MINUTE_H = 1.0 / 60.0


def living_air(hours: float = 48.0) -> tuple[np.ndarray, np.ndarray]:
    time = np.arange(1, int(hours * 60)) * MINUTE_H
    return time, np.round(12.0 + 6.0 * np.sin(time / 3.0) + RNG.normal(0.0, 0.5, time.size), 1)


def test_readings_in_order_pass_untouched() -> None:
    time, value = living_air()
    readings = tidy(time, value)
    assert np.array_equal(readings.time_h, time)
    assert (readings.duplicates, readings.out_of_order, readings.clock_steps, readings.not_finite) == (0, 0, 0, 0)
    assert readings.typical_interval_h == pytest.approx(MINUTE_H)


def test_late_readings_are_put_in_place_and_counted() -> None:
    time, value = living_air()
    order = np.r_[0:100, 200:400, 100:200, 400 : time.size]
    readings = tidy(time[order], value[order])
    np.testing.assert_array_equal(readings.value, value)
    assert readings.out_of_order == 100
    assert readings.clock_steps == 0


def test_of_two_readings_at_one_time_the_last_to_arrive_stands() -> None:
    readings = tidy([1.0, 2.0, 2.0, 3.0], [5.0, 6.0, 7.0, 8.0])
    assert readings.value.tolist() == [5.0, 7.0, 8.0]
    assert readings.duplicates == 1


def test_a_clock_set_back_an_hour_is_told_from_late_data() -> None:
    time, value = living_air()
    shifted = time.copy()
    shifted[1000:] -= 1.003
    assert tidy(shifted, value).clock_steps == 1


def test_values_without_number_or_time_are_left_out() -> None:
    readings = tidy([1.0, np.nan, 3.0, 4.0], [1.0, 2.0, np.inf, 4.0])
    assert readings.time_h.tolist() == [1.0, 4.0]
    assert readings.not_finite == 2


def test_arrays_that_do_not_match_are_refused() -> None:
    with pytest.raises(ValueError, match="one value for each time"):
        tidy([1.0, 2.0], [1.0])


def test_a_stuck_sensor_is_found_and_left_out() -> None:
    time, value = living_air()
    value[600:1200] = 17.3
    faults = find_faults(time, value, FaultRule())
    assert faults.stuck[605:1195].all()
    assert faults.stuck_h == pytest.approx(10.0, abs=0.1)
    gridded = gridded_level(time, value, TimeGrid(0.0, MINUTE_H, 2880), hold_h=0.25)
    assert np.isnan(gridded.values[700:1100]).all()
    assert any("stuck" in remark for remark in gridded.quality.remarks)


def test_clean_air_read_in_whole_numbers_is_not_called_stuck() -> None:
    time, _ = living_air()
    value = np.where(np.arange(time.size) % 700 == 0, 2.0, 1.0)
    assert find_faults(time, value, FaultRule()).stuck_h == 0.0


def test_hourly_wind_that_was_measured_so_is_not_called_stuck() -> None:
    # One station from 23 h on 5 December 2014, m/s: Liang et al. (2015), Proc. R. Soc. A 471: 20150257, CC BY 4.0.
    wind = np.array([1.79, 1.79, 4.02, 4.02, *[1.79] * 9, 3.13, 0.89, 0.0, 0.0])
    assert find_faults(np.arange(17.0), wind, FaultRule()).stuck_h == 0.0
    still = np.array([1.79, 4.02, *[1.79] * 20, 3.13, 0.89, 0.01, 0.0])
    assert find_faults(np.arange(26.0), still, FaultRule(stuck_h=6.0)).stuck_h == pytest.approx(19.0)


def test_a_single_spike_goes_and_cooking_stays() -> None:
    time, value = living_air()
    value[500] = 400.0
    cooking = np.arange(900, 1000)
    value[cooking] += 150.0 * np.exp(-(cooking - 900) * MINUTE_H * 3.0)
    faults = find_faults(time, value, FaultRule())
    assert np.flatnonzero(faults.spike).tolist() == [500]


def test_a_plateau_at_the_top_of_the_scale_is_saturation() -> None:
    time, value = living_air()
    value[700:730] = 999.0
    assert np.count_nonzero(find_faults(time, value, FaultRule()).saturated) == 30


def test_what_cannot_be_is_left_out_and_counted() -> None:
    time, value = living_air()
    value[10:13] = 30_000.0
    quality = gridded_level(
        time, value, TimeGrid(0.0, MINUTE_H, 2880), hold_h=0.25, rule=FaultRule(0.0, 20_000.0)
    ).quality
    assert quality.out_of_range == 3
    assert quality.coverage > 0.99


def test_milligrams_read_as_micrograms_are_suspected() -> None:
    _, value = living_air()
    assert suspected_scale(value / 1000.0, 1.0, 500.0, (1000.0, 0.001)) == 1000.0
    assert suspected_scale(value, 1.0, 500.0, (1000.0, 0.001)) is None


def test_a_mistaken_unit_is_told_in_the_quality_of_the_signal() -> None:
    time, value = living_air()
    grid, rule = TimeGrid(0.0, MINUTE_H, 2880), FaultRule(usual=(0.1, 2_000.0))
    for scale in (1e3, 1e-3):
        quality = gridded_level(time, value / scale, grid, hold_h=0.25, rule=rule).quality
        assert quality.suspected_scale == scale
        assert any("another unit" in remark for remark in quality.remarks)
    assert gridded_level(time, value, grid, hold_h=0.25, rule=rule).quality.suspected_scale is None


def test_the_resolution_is_the_smallest_step() -> None:
    assert resolution_of(np.round(RNG.normal(10.0, 3.0, 5000), 1)) == pytest.approx(0.1)


def test_damp_air_growth_follows_crilley_2018() -> None:
    # Crilley et al. (2018), Atmos. Meas. Tech. 11: 709, equation 5, worked by hand: kappa 0.4, 85 % (aw 0.85):
    # 1 + (0.4/1.65)/(1/0.85 - 1) = 1 + 0.242424/0.176471 = 2.37374.
    assert float(humidity_growth_factor(85.0, 0.4)) == pytest.approx(2.37374, abs=1e-5)
    assert float(humidity_growth_factor(0.0, 0.4)) == 1.0


def test_a_correction_is_gain_times_dried_reading_plus_offset() -> None:
    correction = Correction(gain=0.5, offset=1.0, humidity_growth=0.4)
    np.testing.assert_allclose(correction.apply(np.array([20.0]), np.array([0.0])), [11.0])
    with pytest.raises(ValueError, match="humidity_growth is declared"):
        correction.apply(np.array([20.0]))
    for growth in (-0.4, 2.1, float("nan")):
        with pytest.raises(ValueError, match="humidity growth: kappa"):
            Correction(humidity_growth=growth)


def test_states_and_counters_outside_their_range_are_left_out() -> None:
    grid = TimeGrid(0.0, 1.0, 4)
    assert gridded_state([0.0, 1.0, 2.0], [1.0, 7.0, 0.0], grid, hold_h=9.0).quality.out_of_range == 1
    assert gridded_runtime([0.0, 1.0, 2.0], [0.0, -5.0, 3600.0], grid, hold_h=9.0).quality.out_of_range == 1


@given(
    time=hnp.arrays(np.float64, 40, elements=st.floats(-1e5, 1e5) | st.just(np.nan)),
    value=hnp.arrays(np.float64, 40, elements=st.floats(allow_nan=True, allow_infinity=True)),
)
def test_whatever_arrives_a_grid_comes_out(time: np.ndarray, value: np.ndarray) -> None:
    grid = TimeGrid(0.0, 0.5, 50)
    gridded = gridded_level(time, value, grid, hold_h=1.0, rule=FaultRule(-1e6, 1e6))
    assert gridded.values.shape == (50,)
    assert 0.0 <= gridded.quality.coverage <= 1.0
