"""Readings of every kind on one even grid: what stands for the time between two of them, and from when to when."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from moteledger.engine.grid import AssessmentError, GriddedHouse, gridded
from moteledger.settings import House
from moteledger.store import Series

Houses = Callable[..., House]
Told = Callable[..., Series]
Still = Callable[..., dict[str, Series]]


def at(grid: GriddedHouse, name: str, hour: float) -> float:
    """The step mean of a signal at an hour after the grid's origin, the midnight (UTC) before its first step."""
    values = grid.values(name)
    assert values is not None
    return float(values[int(np.floor((hour - grid.grid.start_h) / grid.grid.step_h + 1e-9))])


@pytest.mark.parametrize(
    ("interval_min", "step_s"), [(1 / 6, 60), (1, 60), (5, 60), (10, 60), (15, 900), (20, 1800), (60, 3600)]
)
def test_the_step_is_a_minute_and_for_a_slow_sensor_no_finer_than_the_sensor(
    interval_min: float, step_s: float, house: Houses, series: Told
) -> None:
    hours = np.arange(0.0, 5.0, interval_min / 60.0)
    told = series(hours, 5.0 + hours)
    grid = gridded(house(), {"indoor.pm25": told, "outdoor.pm25": told})
    assert grid.grid.step_h * 3600.0 == pytest.approx(step_s)


def test_a_sensor_that_stamps_the_start_and_one_that_stamps_the_end_tell_the_same_hour(
    house: Houses, series: Told, still: Still
) -> None:
    hourly = np.array([10.0, 30.0, 20.0, 40.0, 25.0])
    told = {}
    for stamp in ("start", "end"):
        readings = still(5.0)
        readings["outdoor.pm25"] = series(np.arange(5) + (stamp == "end"), hourly)
        declared = house(sensors=[{"signal": "outdoor.pm25", "stamp": stamp}])
        told[stamp] = gridded(declared, readings)
    for hour in (1.5, 2.5, 3.5, 4.5):
        here = [at(told[stamp], "outdoor.pm25", hour) for stamp in told]
        assert here == pytest.approx([hourly[int(hour)]] * 2)


def test_a_momentary_reading_lies_on_a_straight_line_to_the_next(house: Houses, series: Told, still: Still) -> None:
    readings = still(4.0) | {"outdoor.pm25": series(range(5), [10.0, 20.0, 30.0, 20.0, 10.0])}
    declared = house(sensors=[{"signal": "outdoor.pm25", "stamp": "instant"}])
    # Half past one, a step of one minute: the mean of the line from 20 to 30 over that minute.
    assert at(gridded(declared, readings), "outdoor.pm25", 1.5) == pytest.approx(20.0 + 10.0 * (0.5 + 0.5 / 60.0))


def test_a_state_holds_until_it_changes_and_a_step_with_a_change_in_it_is_shared(
    house: Houses, series: Told, still: Still
) -> None:
    switched_h = 1.0 + 0.25 / 60.0
    readings = still(3.0) | {"fan.running": series([0.0, switched_h, 2.0], [0.0, 1.0, 0.0])}
    grid = gridded(house(), readings)
    assert [at(grid, "fan.running", hour) for hour in (0.5, 1.5, 2.5)] == [0.0, 1.0, 0.0]
    assert at(grid, "fan.running", 1.0) == pytest.approx(0.75)


def test_a_runtime_counter_spreads_its_seconds_over_the_time_since_the_reading_before(
    house: Houses, series: Told, still: Still
) -> None:
    readings = still(3.0) | {"fan.runtime": series([0.0, 1.0, 2.0, 3.0], [77.0, 900.0, 0.0, 3600.0])}
    del readings["fan.running"]
    grid = gridded(house(), readings)
    assert [at(grid, "fan.runtime", hour) for hour in (0.5, 1.5, 2.5)] == pytest.approx([0.25, 0.0, 1.0])
    assert np.array_equal(grid.fan, grid.values_or_nan("fan.runtime"), equal_nan=True)


def test_a_counter_of_all_seconds_run_tells_the_same_and_nothing_of_the_time_of_a_new_start(
    house: Houses, series: Told, still: Still
) -> None:
    # Oracle by hand: 900 s of an hour, none, all of it. Then 1800 s since a new start: half an hour at least, an hour
    # at most, as nobody counted before it. Then all of an hour, and a second taken back, which is no hour's running.
    totals = [50_000.0, 50_900.0, 50_900.0, 54_500.0, 1_800.0, 5_400.0, 5_399.0]
    readings = still(6.0) | {"fan.runtime_total": series(np.arange(7.0), totals)}
    del readings["fan.running"]
    grid = gridded(house(), readings)
    fractions = [at(grid, "fan.runtime_total", hour) for hour in np.arange(6) + 0.5]
    assert fractions == pytest.approx([0.25, 0.0, 1.0, np.nan, 1.0, np.nan], nan_ok=True)
    assert np.array_equal(grid.fan, grid.values_or_nan("fan.runtime_total"), equal_nan=True)
    quality = grid.qualities["fan.runtime_total"]
    assert quality.counter_restarts == 2
    assert "the counter fell 2 times; what ran meanwhile is not known" in quality.remarks


def test_without_its_own_signal_the_fan_runs_when_heating_or_cooling_calls(
    house: Houses, series: Told, still: Still
) -> None:
    readings = still(4.0)
    del readings["fan.running"]
    readings["heating.running"] = series([0.0, 1.0, 2.0], [0.0, 1.0, 0.0])
    readings["cooling.running"] = series([0.0, 3.0], [0.0, 1.0])
    fan = gridded(house(), readings).fan
    assert [fan[minute] for minute in (30, 90, 150, 210)] == [0.0, 1.0, 0.0, 1.0]


def test_without_any_signal_of_it_the_fan_is_not_known_rather_than_resting(house: Houses, still: Still) -> None:
    readings = still(2.0)
    del readings["fan.running"]
    grid = gridded(house(), readings)
    assert np.isnan(grid.fan).all()
    assert grid.values("fan.running") is None
    assert grid.values("outdoor.temperature") is None


def test_the_grid_begins_when_indoors_and_outdoors_are_both_known_and_ends_with_indoors(
    house: Houses, series: Told, still: Still, start: datetime
) -> None:
    readings = still(9.0) | {"outdoor.pm25": series([2.0, 3.0, 4.0, 5.0, 6.0, 99.0], [8.0, 9.0, 7.0, 8.0, 9.0, 5.0])}
    grid = gridded(house(), readings)
    assert grid.moment(grid.grid.start_h) == start + timedelta(hours=2)
    assert grid.moment(grid.grid.end_h) == start + timedelta(hours=9)
    assert grid.moment(grid.grid.end_h).tzinfo == UTC


def test_an_hours_gap_in_the_outdoor_sensor_is_bridged_and_half_a_days_is_not(
    house: Houses, series: Told, still: Still
) -> None:
    readings = still(30.0) | {"outdoor.pm25": series([0.0, 1.0, 3.0, 4.0, 16.0, 17.0, 30.0], np.arange(7.0))}
    outdoor = gridded(house(), readings).values_or_nan("outdoor.pm25")
    assert np.isfinite(outdoor[: 4 * 60]).all()
    assert np.isnan(outdoor[6 * 60 : 14 * 60]).all()


@pytest.mark.parametrize("interval_min", [20, 30, 60])
def test_a_slow_indoor_sensor_leaves_no_gaps_by_being_slow(interval_min: float, house: Houses, series: Told) -> None:
    hours = np.arange(0.0, 12.0, interval_min / 60.0)
    told = series(hours, 5.0 + hours)
    assert gridded(house(), {"indoor.pm25": told, "outdoor.pm25": told}).qualities["indoor.pm25"].coverage > 0.95


def test_a_house_files_own_hold_time_bridges_a_longer_gap(house: Houses, series: Told, still: Still) -> None:
    readings = still(12.0) | {"outdoor.pm25": series([0.0, 6.0, 12.0], [10.0, 20.0, 30.0])}
    declared = house(sensors=[{"signal": "outdoor.pm25", "hold": "6 h"}])
    assert np.isfinite(gridded(declared, readings).values_or_nan("outdoor.pm25")).all()


def test_a_declared_gain_and_offset_correct_the_readings(house: Houses, still: Still) -> None:
    declared = house(sensors=[{"signal": "indoor.pm25", "gain": 0.5, "offset": 1.0}])
    corrected = gridded(declared, still(3.0)).values_or_nan("indoor.pm25")
    assert corrected == pytest.approx(0.5 * gridded(house(), still(3.0)).values_or_nan("indoor.pm25") + 1.0)


def test_no_correction_makes_more_of_a_reading_than_there_can_be(house: Houses, series: Told, still: Still) -> None:
    hours = np.arange(0.0, 3.0, 0.1)
    readings = still(3.0) | {"indoor.pm25": series(hours, 15_000.0 + hours)}
    declared = house(sensors=[{"signal": "indoor.pm25", "gain": 20.0}])
    assert np.nanmax(gridded(declared, readings).values_or_nan("indoor.pm25")) == 20_000.0


def test_damp_air_is_corrected_by_the_growth_of_crilley_and_others(house: Houses, series: Told, still: Still) -> None:
    readings = still(6.0) | {"indoor.humidity": series(np.arange(0.0, 6.1, 0.1), 80.0 + np.arange(61) % 2 * 1e-6)}
    declared = house(sensors=[{"signal": "indoor.pm25", "humidity_growth": 0.4}])
    growth = gridded(house(), readings).values_or_nan("indoor.pm25") / gridded(declared, readings).values_or_nan(
        "indoor.pm25"
    )
    # Crilley et al. (2018), Atmos. Meas. Tech. 11: 709-720, eq. 5, from memory: 1 + (0.4/1.65) / (1/0.8 - 1).
    assert np.nanmedian(growth) == pytest.approx(1.0 + 0.4 / 1.65 / (1.0 / 0.8 - 1.0), rel=1e-6)


def test_a_growth_with_humidity_cannot_be_taken_off_where_none_is_measured(house: Houses, still: Still) -> None:
    declared = house(sensors=[{"signal": "outdoor.pm25", "humidity_growth": 0.4}])
    with pytest.raises(AssessmentError, match=r"^outdoor\.pm25: .*no humidity is measured.*add the humidity signal"):
        gridded(declared, still(3.0))


def test_a_pressure_of_nought_while_the_fan_rests_is_no_stuck_sensor(house: Houses, series: Told, still: Still) -> None:
    hours = np.arange(0.0, 24.0, 0.1)
    readings = still(24.0) | {"filter.pressure_drop": series(hours, np.zeros(hours.size))}
    grid = gridded(house(), readings)
    assert grid.qualities["filter.pressure_drop"].stuck_h == 0.0
    assert grid.qualities["filter.pressure_drop"].coverage > 0.95


def test_an_hour_on_the_roof_in_the_sun_does_not_end_an_assessment(house: Houses, series: Told, still: Still) -> None:
    readings = still(3.0) | {"outdoor.temperature": series([0.0, 1.0, 2.0, 3.0], [20.0, 64.9, 66.0, 30.0])}
    grid = gridded(house(), readings)
    assert grid.qualities["outdoor.temperature"].out_of_range == 1


@pytest.mark.parametrize("zone", ["America/Denver", "Europe/Lisbon", "Australia/Lord_Howe"])
@pytest.mark.parametrize("month", [3, 4, 10, 11])
def test_the_grid_knows_no_daylight_saving_time(zone: str, month: int, house: Houses, still: Still) -> None:
    # Steps are even in UTC whatever the clocks on the wall do.
    grid = gridded(house(time_zone=zone), still(30 * 24.0, start=datetime(2026, month, 1, tzinfo=UTC)))
    assert grid.grid.count == 30 * 24 * 60


def refusal(house: House, readings: dict[str, Series]) -> str:
    with pytest.raises(AssessmentError) as refused:
        gridded(house, readings)
    assert "\n" not in str(refused.value)
    return str(refused.value)


@pytest.mark.parametrize("missing", ["indoor.pm25", "outdoor.pm25"])
def test_a_needed_signal_that_is_missing_is_named_with_those_that_are_there(
    missing: str, house: Houses, still: Still
) -> None:
    readings = still(3.0)
    del readings[missing]
    told = refusal(house(), readings)
    assert told.startswith(f"{missing}: ")
    assert "fan.running" in told


def test_three_quarters_of_an_hour_are_too_short_and_told_with_both_ends(house: Houses, still: Still) -> None:
    told = refusal(house(), still(0.75))
    assert "2026-03-02T00:00:00Z to 2026-03-02T00:45:00Z" in told
    assert "at least an hour" in told


def test_a_stray_time_years_away_is_refused_before_it_fills_the_memory(
    house: Houses, series: Told, still: Still
) -> None:
    # A clock that starts at its factory setting until it has found the network.
    hours = np.concatenate(([-26.0 * 8766.0], np.arange(0.0, 3.0, 0.1)))
    stray = series(hours, 5.0 + np.arange(hours.size))
    told = refusal(house(), {"indoor.pm25": stray, "outdoor.pm25": stray})
    assert "2000-03-0" in told
    assert "stray" in told


def test_sensors_that_never_ran_together_are_told_apart_in_the_right_order(house: Houses, series: Told) -> None:
    early, late = series(range(5), range(5)), series(np.arange(50, 55), range(5))
    told = refusal(house(), {"indoor.pm25": early, "outdoor.pm25": late})
    assert "one ends on 2026-03-02T04:00:00Z, before the other begins on 2026-03-04T02:00:00Z" in told


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ([30_000.0, 40_000.0] * 15, "30 readings outside what is plausible"),
        ([-30.0, -40.0] * 15, "30 readings outside what is plausible"),
        ([np.nan] * 30, "readings without a value"),
    ],
    ids=["too high to be air", "below nought", "no numbers"],
)
def test_a_sensor_none_of_whose_readings_can_be_used_is_named_with_the_reason(
    values: list[float], why: str, house: Houses, series: Told, still: Still
) -> None:
    told = refusal(house(), still(3.0) | {"outdoor.pm25": series(np.arange(0.0, 3.0, 0.1), values)})
    assert told.startswith("outdoor.pm25: no reading can be used")
    assert why in told
