"""MERV and ePM, both ways, against ASHRAE 52.2 and ISO 16890."""

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.filters import (
    CHANNELS,
    TEST_FACE_VELOCITIES_M_S,
    IsoEfficiencies,
    SizeRangeEfficiency,
    composite_minimum,
    face_velocity_m_s,
    final_resistance_pa,
    iso_group,
    merv_estimate,
    merv_from_ranges,
    merv_minimum,
    particulate_matter_efficiency,
    pm25_floor,
    ranges_from_channels,
)
from motemodel.particles import ISO_RURAL, ISO_URBAN
from motemodel.units import Quantity, from_inside, to_inside

Published = dict[str, dict[str, Any]]
fractions = st.floats(0.0, 1.0)
ranges = st.builds(SizeRangeEfficiency, fractions, fractions, fractions)


@pytest.mark.published(*(f"merv{merv}_min" for merv in range(5, 17)))
def test_the_table_demands_these_minima_and_a_filter_just_at_them_earns_the_rating(record: dict[str, Any]) -> None:
    merv = record["inputs"]["MERV"]
    minimum = merv_minimum(merv)
    assert [minimum.e1 * 100, minimum.e2 * 100, minimum.e3 * 100] == pytest.approx(record["expected"])
    assert merv_from_ranges(minimum) == merv


@pytest.mark.published(*(f"merv{merv}_e3_max" for merv in range(1, 5)))
def test_below_twenty_percent_e3_arrestance_tells_merv_one_to_four_apart(record: dict[str, Any]) -> None:
    below = SizeRangeEfficiency(0.0, 0.0, record["expected"] / 100.0 - 1e-6)
    arrestance = {1: 0.60, 2: 0.65, 3: 0.74, 4: 0.75}[record["inputs"]["MERV"]]
    assert merv_from_ranges(below, arrestance) == record["inputs"]["MERV"]
    assert merv_from_ranges(SizeRangeEfficiency(0.0, 0.0, record["expected"] / 100.0), arrestance) == 5


@pytest.mark.published(*(f"merv{merv}_e3_band" for merv in range(5, 9)))
def test_the_older_e3_bands_hold_where_e2_stands_at_todays_minimum(record: dict[str, Any]) -> None:
    merv = record["inputs"]["MERV"]
    for e3 in record["expected"]:
        assert merv_from_ranges(SizeRangeEfficiency(0.0, merv_minimum(merv).e2, e3 / 100.0)) == merv


@pytest.mark.published("merv_rule_")
def test_the_rating_is_the_highest_row_whose_three_minima_are_met(record: dict[str, Any]) -> None:
    assert merv_from_ranges(SizeRangeEfficiency(*record["inputs"]["E1,E2,E3"])) == record["expected"]


@pytest.mark.published("final_res_")
def test_a_test_ends_at_the_groups_final_resistance_or_twice_the_initial(record: dict[str, Any]) -> None:
    low, high = (int(merv) for merv in record["inputs"]["MERV group"].split("-"))
    for merv in range(low, high + 1):
        assert from_inside(final_resistance_pa(merv, 1.0), "in.w.c.", Quantity.PRESSURE) == pytest.approx(
            record["expected"]
        )
        assert final_resistance_pa(merv, 400.0) == 800.0


@pytest.mark.published("test_v_")
def test_the_seven_test_velocities_in_feet_per_minute(record: dict[str, Any]) -> None:
    velocity = record["inputs"]["m/s"]
    assert velocity in TEST_FACE_VELOCITIES_M_S
    feet_per_minute = from_inside(velocity, "fpm", Quantity.VELOCITY)
    assert feet_per_minute == pytest.approx(record["expected"], abs=record["tolerance"])


def test_the_twelve_channels_and_their_middles(published: Published) -> None:
    assert list(CHANNELS.edges_um) == published["channels_52_2"]["expected"]
    middles = published["channels_52_2_gm"]
    assert CHANNELS.midpoints_um == pytest.approx(middles["expected"], abs=middles["tolerance"])


def test_a_range_is_the_plain_mean_of_its_four_channels(published: Published) -> None:
    record = published["e_avg"]
    ranges = ranges_from_channels([*record["inputs"]["PSE"], *[0.8] * 8])
    assert ranges.e1 == pytest.approx(record["expected"], abs=record["tolerance"])
    assert ranges.e3 == pytest.approx(0.8)


@pytest.mark.published("vel_", "ev144_v", "t24_vel_")
def test_face_velocity_of_ordinary_sizes(record: dict[str, Any]) -> None:
    inputs = record["inputs"]
    cfm = inputs.get("cfm", inputs.get("tons", 0.0) * 350.0)
    square_inches = inputs["in2"] if "in2" in inputs else inputs["in"][0] * inputs["in"][1]
    area_m2 = to_inside(float(square_inches), "in2", Quantity.AREA)
    velocity = face_velocity_m_s(to_inside(cfm, "cfm", Quantity.AIRFLOW), area_m2)
    assert from_inside(velocity, "fpm", Quantity.VELOCITY) == pytest.approx(record["expected"], abs=0.1)


@pytest.mark.published("t24_area_")
def test_the_face_an_inch_deep_filter_needs_at_150_feet_per_minute(record: dict[str, Any]) -> None:
    area_m2 = to_inside(record["expected"], "in2", Quantity.AREA)
    velocity = face_velocity_m_s(to_inside(float(record["inputs"]["cfm"]), "cfm", Quantity.AIRFLOW), area_m2)
    assert from_inside(velocity, "fpm", Quantity.VELOCITY) == pytest.approx(150.0)


def test_californias_alternative_to_merv_13_is_the_tables_own_e1_and_e2(published: Published) -> None:
    minimum = merv_minimum(13)
    assert [minimum.e1 * 100, minimum.e2 * 100] == published["t24_filter_m13"]["expected"]


@pytest.mark.published("pm25_floor_merv")
def test_least_pm25_efficiency_a_rating_guarantees(record: dict[str, Any]) -> None:
    floor = pm25_floor(merv_minimum(record["inputs"]["MERV"]))
    assert floor == pytest.approx(record["expected"], abs=record["tolerance"])


@pytest.mark.published("iso_epm1_", "iso_epm10_")
def test_epm_weights_channels_by_the_standard_distribution(record: dict[str, Any]) -> None:
    inputs = record["inputs"]
    parts = [np.array(values) for name, values in inputs.items() if name.startswith("E")]
    distribution = ISO_RURAL if inputs["boundaries"][-1] == 10 else ISO_URBAN
    epm = particulate_matter_efficiency(np.mean(parts, axis=0), inputs["boundaries"], distribution)
    assert epm == pytest.approx(record["expected"], abs=record["tolerance"])


def test_a_filter_enters_an_iso_group_with_half_and_is_reported_in_steps_of_five(published: Published) -> None:
    entry = published["iso_group"]["expected"] / 100.0
    assert iso_group(IsoEfficiencies(entry, 0.7, 0.9, entry, 0.6)) == "ISO ePM1 50%"
    assert iso_group(IsoEfficiencies(0.59, 0.68, 0.9, entry - 0.01, 0.55)) == "ISO ePM2.5 65%"
    assert iso_group(IsoEfficiencies(0.2, 0.3, 0.799, 0.1, 0.2)) == "ISO ePM10 75%"
    assert iso_group(IsoEfficiencies(0.1, 0.2, entry - 0.01, 0.1, 0.2)) == "ISO coarse"
    assert iso_group(IsoEfficiencies(0.99, 0.99, 0.99, 0.98, 0.99)) == "ISO ePM1 >95%"


def test_the_published_example_is_not_an_epm1_filter_because_it_falls_short_discharged(published: Published) -> None:
    mean, least = published["iso_epm1_avg"]["expected"], published["iso_epm1_min"]["expected"]
    assert iso_group(IsoEfficiencies(mean, 0.65, 0.8, least, 0.55)) == "ISO ePM2.5 65%"


def test_the_composite_minimum_curve_takes_each_channel_at_its_worst_run() -> None:
    # ASHRAE 52.2, section 10.7 (from memory): the lowest efficiency of any run, channel by channel.
    clean, conditioned, loaded = np.full(12, 0.9), np.linspace(0.5, 0.95, 12), np.linspace(0.7, 0.85, 12)
    composite = composite_minimum([clean, conditioned, loaded])
    assert composite[0] == 0.5
    assert composite[-1] == 0.85
    assert ranges_from_channels(composite).e1 == pytest.approx(np.mean(composite[:4]))


@given(ranges, ranges)
@settings(max_examples=100)
def test_catching_more_in_every_range_never_lowers_a_rating(
    one: SizeRangeEfficiency, other: SizeRangeEfficiency
) -> None:
    better = SizeRangeEfficiency(max(one.e1, other.e1), max(one.e2, other.e2), max(one.e3, other.e3))
    assert merv_from_ranges(better) >= max(merv_from_ranges(one), merv_from_ranges(other))


@given(st.integers(1, 16))
def test_the_estimate_keeps_the_minima_and_the_rating_and_leaves_no_range_open(merv: int) -> None:
    estimate = merv_estimate(merv)
    assert estimate.meets(merv_minimum(merv))
    if merv >= 5:
        assert merv_from_ranges(estimate) == merv
        assert 0.0 < estimate.e1 <= estimate.e2 <= estimate.e3


def test_estimated_open_ranges_rise_from_rating_to_rating() -> None:
    estimates = [merv_estimate(merv) for merv in range(4, 17)]
    for worse, better in pairwise(estimates):
        assert better.meets(worse)


@pytest.mark.parametrize("merv", [0, 17, -3, 12.5, float("nan")])
def test_numbers_that_are_no_merv_are_refused(merv: Any) -> None:
    with pytest.raises(ValueError, match=r"^merv: .*1 to 16"):
        merv_minimum(merv)


@pytest.mark.parametrize("value", [-0.1, 1.1, 85.0, float("nan"), float("inf")])
def test_percent_written_for_fractions_is_refused_with_the_fix(value: float) -> None:
    with pytest.raises(ValueError, match=r"^e2: .*(write 85 % as 0.85|finite)"):
        SizeRangeEfficiency(0.5, value, 0.9)


@pytest.mark.parametrize("channels", [[], [0.5] * 11, [0.5] * 13, [[0.5] * 12]])
def test_anything_but_twelve_channels_is_refused(channels: list[Any]) -> None:
    with pytest.raises(ValueError, match=r"^efficiency: .*12"):
        ranges_from_channels(channels)
    with pytest.raises(ValueError, match=r"^runs: "):
        composite_minimum(channels if np.ndim(channels) == 1 else [])
