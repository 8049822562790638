"""Averages, NowCast, the US index and the WHO guideline values, against EPA's examples and the published tables."""

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel import indices
from motemodel.indices import (
    PM10_INDEX,
    air_quality_index,
    block_mean,
    category,
    is_beyond_index,
    nowcast,
    running_mean,
)

RECORDS = json.loads((Path(__file__).parents[1] / "reference" / "indices.json").read_text(encoding="utf-8"))
AIR = st.floats(-10.0, 2000.0)
HOURS = st.lists(st.one_of(AIR, st.just(float("nan"))), min_size=1, max_size=40)


def records(prefix: str) -> list[Any]:
    found = [record for record in RECORDS if record["id"].startswith(prefix)]
    assert found
    return [pytest.param(record, id=record["id"]) for record in found]


def expected_of(identity: str) -> Any:
    return next(record for record in RECORDS if record["id"] == identity)["expected"]


def hours_of(record: dict[str, Any]) -> list[float]:
    return [float("nan") if value is None else value for value in record["inputs"]["hourly_ug_m3"]]


@pytest.mark.parametrize("record", records("aqi_row"))
def test_each_row_of_the_index_starts_and_ends_where_it_is_published(record: dict[str, Any]) -> None:
    ends = (record["inputs"]["low_ug_m3"], record["inputs"]["high_ug_m3"])
    expected = record["expected"]
    assert air_quality_index(ends).tolist() == [expected["low_index"], expected["high_index"]]
    assert category(expected["low_index"]).name == expected["category"] == category(expected["high_index"]).name


@pytest.mark.parametrize("record", records("pm10_row"))
def test_each_row_of_the_index_of_pm10_starts_and_ends_where_it_is_published(record: dict[str, Any]) -> None:
    ends = (record["inputs"]["low_ug_m3"], record["inputs"]["high_ug_m3"])
    expected = record["expected"]
    assert air_quality_index(ends, PM10_INDEX).tolist() == [expected["low_index"], expected["high_index"]]
    assert category(expected["low_index"]).name == expected["category"]


def test_pm10_is_cut_to_whole_numbers_and_goes_on_beyond_its_end() -> None:
    # Truncation to whole ug/m3 as EPA (2024) has it; beyond 604 the slope of the last row, 199/179 (from memory).
    assert air_quality_index([54.9, 154.999, 424.9], PM10_INDEX).tolist() == [50.0, 100.0, 300.0]
    assert float(air_quality_index(604 + 179, PM10_INDEX)) == 699
    assert float(nowcast([71.0, 71.9, 71.9], PM10_INDEX)[-1]) == 71.0


@pytest.mark.parametrize("record", [*records("aqi_example"), *records("aqi_trunc"), *records("aqi_mid")])
def test_index_of_the_worked_examples(record: dict[str, Any]) -> None:
    assert float(air_quality_index(record["inputs"]["pm25_ug_m3"])) == record["expected"]


def test_the_index_goes_on_beyond_its_end_and_says_so() -> None:
    (beyond,) = (record for record in RECORDS if record["id"] == "aqi_beyond")
    index = float(air_quality_index(beyond["inputs"]["pm25_ug_m3"]))
    assert index == beyond["expected"]
    assert is_beyond_index(index) and category(index).name == "Hazardous"
    assert not is_beyond_index(500)


def test_index_agrees_with_exact_arithmetic_at_every_tenth() -> None:
    # Equation 1 of EPA (2024) in exact fractions, for each tenth from 0 to 400 ug/m3.
    rows = [record for record in RECORDS if record["id"].startswith("aqi_row")]
    tenths = np.arange(4001)
    for tenth, index in zip(tenths, air_quality_index(tenths / 10.0), strict=True):
        row = next(row for row in reversed(rows) if tenth >= round(10 * row["inputs"]["low_ug_m3"]))
        low, high = (Fraction(round(10 * row["inputs"][end])) for end in ("low_ug_m3", "high_ug_m3"))
        rise = row["expected"]["high_index"] - row["expected"]["low_index"]
        exact = Fraction(rise) / (high - low) * (int(tenth) - low) + row["expected"]["low_index"]
        assert index == int(exact + Fraction(1, 2)), tenth / 10


def test_a_sum_of_tenths_is_not_moved_over_a_breakpoint_by_rounding() -> None:
    just_below = 35.4 - 4e-15  # as sums in binary give
    assert float(air_quality_index(just_below)) == 100
    assert float(air_quality_index(0.1 * 3 * 30.0)) == 50  # 9.0 and a little


@given(AIR, AIR)
def test_the_index_never_falls_as_air_gets_worse(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert float(air_quality_index(low)) <= float(air_quality_index(high))


def test_index_of_missing_air_is_missing_and_of_air_below_zero_that_of_zero() -> None:
    assert np.isnan(air_quality_index(np.nan))
    assert air_quality_index([[-3.0, 0.0], [np.nan, 9.0]])[0].tolist() == [0.0, 0.0]
    assert air_quality_index([]).shape == (0,)


@pytest.mark.parametrize("bad", [-1, 0.5, float("nan"), float("inf")])
def test_no_category_for_what_is_no_index(bad: float) -> None:
    with pytest.raises(ValueError, match=r"index: .* is no value of the index; give a whole number from 0"):
        category(bad)


@pytest.mark.parametrize("record", records("nowcast"))
def test_nowcast_of_the_worked_examples(record: dict[str, Any]) -> None:
    assert float(nowcast(hours_of(record))[-1]) == record["expected"]


def test_nowcast_weighs_by_the_published_formula_hour_by_hour() -> None:
    # The formula as written in EPA (2024), in plain Python, over a day of ragged air.
    hourly = 40.0 * np.abs(np.sin(np.arange(30) ** 1.5)) + 2.0
    hourly[[4, 5, 6, 17]] = np.nan
    for hour, value in enumerate(nowcast(hourly)):
        recent = [(age, hourly[hour - age]) for age in range(12) if hour >= age and not np.isnan(hourly[hour - age])]
        if sum(age < 3 for age, _ in recent) < 2:
            assert np.isnan(value)
            continue
        concentrations = [each for _, each in recent]
        weight = max(1.0 - (max(concentrations) - min(concentrations)) / max(concentrations), 0.5)
        mean = sum(weight**age * each for age, each in recent) / sum(weight**age for age, _ in recent)
        assert value == pytest.approx(np.floor(mean * 10) / 10, abs=1e-9)


def test_nowcast_needs_two_of_the_newest_three_hours() -> None:
    gap = np.nan
    assert not np.isnan(nowcast([10.0, gap, 12.0])[-1])
    assert np.isnan(nowcast([10.0, gap, gap])[-1])
    assert np.isnan(nowcast([10.0] * 9 + [10.0, gap, gap])[-1])
    assert np.isnan(nowcast([10.0])[-1])
    assert nowcast([]).shape == (0,)


def test_nowcast_of_a_monitor_about_zero_is_zero_and_never_negative() -> None:
    assert nowcast([-2.0, -1.0, -3.0]).tolist()[1:] == [0.0, 0.0]
    assert nowcast([0.0, 0.0, 0.0]).tolist()[1:] == [0.0, 0.0]


@given(HOURS)
def test_nowcast_lies_within_the_twelve_hours_or_is_missing(hourly: list[float]) -> None:
    values = nowcast(hourly)
    assert values.shape == (len(hourly),)
    for hour, value in enumerate(values):
        recent = np.array(hourly[max(0, hour - 11) : hour + 1])
        if not np.isnan(value):
            assert max(0.0, np.nanmin(recent)) - 0.1 - 1e-9 <= value <= max(0.0, np.nanmax(recent)) + 1e-9


def test_an_hour_needs_45_minutes_and_a_day_18_hours() -> None:
    minutes = np.full(120, 8.0)
    minutes[: 60 - expected_of("completeness_hour")] = np.nan
    minutes[60 : 60 + 60 - expected_of("completeness_hour") + 1] = np.nan
    assert block_mean(minutes, 60)[0] == 8.0
    assert np.isnan(block_mean(minutes, 60)[1])
    hours = running_mean(np.full(30, 8.0), 24)
    assert np.flatnonzero(~np.isnan(hours))[0] + 1 == expected_of("completeness_day")


@given(HOURS, st.integers(1, 50), st.floats(0.0, 1.0))
def test_running_mean_is_the_mean_of_what_is_there(hourly: list[float], window: int, completeness: float) -> None:
    values = running_mean(hourly, window, completeness)
    for hour, value in enumerate(values):
        there = [each for each in hourly[max(0, hour - window + 1) : hour + 1] if not np.isnan(each)]
        if there and len(there) >= completeness * window:
            assert value == pytest.approx(np.mean(there), abs=1e-9)
        elif not there or len(there) < completeness * window - 1e-6:
            assert np.isnan(value)


@settings(max_examples=50)
@given(HOURS, st.integers(1, 10))
def test_block_means_are_the_running_means_at_the_ends_of_the_blocks(hourly: list[float], block: int) -> None:
    ends = running_mean(hourly, block)[block - 1 :: block]
    assert np.allclose(block_mean(hourly, block), ends, rtol=0.0, atol=1e-9, equal_nan=True)


def test_a_great_peak_leaves_no_trace_in_the_means_after_it() -> None:
    values = np.full(5000, 0.1)
    values[10] = 1e6
    assert np.abs(running_mean(values, 24)[40:] - 0.1).max() < 1e-15


@pytest.mark.parametrize("record", records("who_"))
def test_who_guideline_values_and_interim_targets(record: dict[str, Any]) -> None:
    guideline = getattr(indices, record["id"].removeprefix("who_"))
    assert (guideline.pollutant, guideline.averaging) == (record["inputs"]["pollutant"], record["inputs"]["averaging"])
    assert guideline.value_ug_m3 == record["expected"]["guideline"]
    assert list(guideline.interim_targets_ug_m3) == record["expected"]["interim_targets"]


@pytest.mark.parametrize(
    ("mean", "reached"),
    [
        (0.0, "guideline"),
        (15.0, "guideline"),
        (15.1, "interim target 4"),
        (25.0, "interim target 4"),
        (37.5, "interim target 3"),
        (50.0, "interim target 2"),
        (75.0, "interim target 1"),
        (75.1, "none"),
    ],
)
def test_a_mean_meets_the_strictest_target_that_it_does_not_exceed(mean: float, reached: str) -> None:
    assert indices.WHO_PM25_DAY.reached(mean) == reached


def test_a_missing_mean_meets_nothing_and_is_refused() -> None:
    with pytest.raises(ValueError, match="mean_ug_m3: the mean is missing"):
        indices.WHO_PM25_DAY.reached(float("nan"))


@pytest.mark.parametrize("bad", [-10.1, 1e7, float("inf"), float("-inf")])
def test_what_is_no_air_is_refused_by_name_value_and_fix(bad: float) -> None:
    for function in (nowcast, air_quality_index, lambda air: block_mean(air, 2), lambda air: running_mean(air, 2)):
        with pytest.raises(ValueError, match=r"_ug_m3: .* is no air; give -10 to 1e\+06 ug/m3, NaN where missing"):
            function([5.0, bad])


def test_wrong_shapes_words_and_windows_are_refused_by_name_value_and_fix() -> None:
    with pytest.raises(ValueError, match=r"hourly_ug_m3: shape \(2, 2\); give one row"):
        nowcast([[1.0, 2.0], [3.0, 4.0]])
    with pytest.raises(ValueError, match="mean_ug_m3: 'smoky' is not a number; give numbers"):
        air_quality_index("smoky")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="window: 0 is no number of values; give a whole number from 1"):
        running_mean([1.0], 0)
    with pytest.raises(ValueError, match=r"completeness: 75 is outside 0..1; write 75 % as 0.75"):
        block_mean([1.0], 1, 75)
