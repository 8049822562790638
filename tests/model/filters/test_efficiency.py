"""The efficiency curve: faithful to the rating, shaped by physics where the rating is silent."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.filters import (
    CHANNELS,
    EfficiencyCurve,
    SizeRangeEfficiency,
    curve_from_channels,
    curve_from_merv,
    curve_from_points,
    curve_from_ranges,
    media_efficiency,
    merv_estimate,
    merv_from_ranges,
    pm25_efficiency,
)
from motemodel.filters.fibre import FibrousMedia
from motemodel.particles import OUTDOOR_URBAN, WILDFIRE_SMOKE

Published = dict[str, dict[str, Any]]
FINE_TO_COARSE = np.geomspace(0.005, 100.0, 400)

fractions = st.one_of(st.floats(0.0, 1.0), st.sampled_from([0.0, 0.2, 0.5, 0.95, 1.0]))
any_ranges = st.builds(SizeRangeEfficiency, fractions, fractions, fractions)
rising_ranges = st.lists(fractions, min_size=3, max_size=3).map(lambda values: SizeRangeEfficiency(*sorted(values)))


@given(any_ranges)
@settings(max_examples=150)
def test_channel_means_of_the_curve_are_exactly_the_ranges_it_came_from(ranges: SizeRangeEfficiency) -> None:
    # ASHRAE 52.2: E1, E2, E3 are the plain means of channels 1-4, 5-8 and 9-12.
    back = curve_from_ranges(ranges).ranges()
    assert [back.e1, back.e2, back.e3] == pytest.approx([ranges.e1, ranges.e2, ranges.e3], abs=1e-12)


@given(any_ranges)
@settings(max_examples=80)
def test_efficiency_stays_between_nothing_and_all(ranges: SizeRangeEfficiency) -> None:
    efficiency = curve_from_ranges(ranges)(FINE_TO_COARSE)
    assert (efficiency >= 0.0).all()
    assert (efficiency <= 1.0).all()


@given(rising_ranges)
@settings(max_examples=80)
def test_a_curve_through_rising_ranges_rises_from_the_rated_sizes_up(ranges: SizeRangeEfficiency) -> None:
    efficiency = curve_from_ranges(ranges)(np.geomspace(0.3, 100.0, 300))
    assert (np.diff(efficiency) >= -1e-12).all()


@given(any_ranges, st.floats(0.006, 90.0))
@settings(max_examples=80)
def test_the_curve_has_no_jump_anywhere(ranges: SizeRangeEfficiency, diameter: float) -> None:
    curve = curve_from_ranges(ranges)
    for place in (diameter, *CHANNELS.edges_um, *CHANNELS.midpoints_um):
        left, right = curve(place * (1 - 1e-9)), curve(place * (1 + 1e-9))
        assert right == pytest.approx(left, abs=1e-6)


@given(st.integers(5, 16))
def test_below_the_rated_sizes_efficiency_falls_to_the_most_penetrating_size_and_rises_again(merv: int) -> None:
    sizes = np.geomspace(0.01, 0.5, 400)
    efficiency = curve_from_merv(merv)(sizes)
    least = sizes[np.argmin(efficiency)]
    assert 0.1 < least < 0.4  # Wu, Chen, Olfert & Zhong (2022), Indoor Air: range measured on commercial filters
    assert (np.diff(efficiency[sizes < least]) <= 1e-12).all()
    assert efficiency[0] > 2.0 * efficiency.min() or efficiency[0] > 0.9


def test_a_curve_from_a_rating_earns_that_rating() -> None:
    for merv in range(5, 17):
        assert merv_from_ranges(curve_from_merv(merv).ranges()) == merv
        assert curve_from_merv(merv).ranges().meets(merv_estimate(merv))


def test_a_higher_rating_catches_more_pm25() -> None:
    caught = [pm25_efficiency(curve_from_merv(merv)) for merv in range(4, 17)]
    assert (np.diff(caught) > 0.0).all()


def test_smoke_is_harder_to_catch_than_city_air_but_not_by_much() -> None:
    curve = curve_from_merv(13)
    assert pm25_efficiency(curve, WILDFIRE_SMOKE) < pm25_efficiency(curve, OUTDOOR_URBAN)
    assert pm25_efficiency(curve, WILDFIRE_SMOKE) > 0.75 * pm25_efficiency(curve, OUTDOOR_URBAN)


def test_the_curve_of_a_fibrous_mat_rated_by_its_channels_comes_back_close_to_the_mat() -> None:
    # The mat, by Hinds' equations, is rated in twelve channels only; between and below them the curve must follow it.
    mat = FibrousMedia(fibre_um=4.0, solidity=0.06, thickness_mm=0.6)
    curve = curve_from_channels(media_efficiency(mat, CHANNELS.midpoints_um, 0.1))
    inside = np.geomspace(0.35, 8.0, 60)
    assert curve(inside) == pytest.approx(media_efficiency(mat, inside, 0.1), abs=0.02)
    below = np.geomspace(0.05, 0.35, 30)
    assert curve(below) == pytest.approx(media_efficiency(mat, below, 0.1), abs=0.05)


def test_a_measured_curve_passes_through_its_points() -> None:
    sizes, efficiency = [0.1, 0.4, 2.0, 6.0], [0.55, 0.60, 0.85, 0.80]
    assert curve_from_points(sizes, efficiency)(np.array(sizes)) == pytest.approx(efficiency)
    assert curve_from_points([0.3], [0.5])(np.array([0.3, 0.29999, 10.0])) == pytest.approx([0.5, 0.5, 1.0], abs=1e-3)


def test_a_filter_that_catches_nothing_or_all_does_so_at_every_size() -> None:
    nothing, all_of_it = SizeRangeEfficiency(0.0, 0.0, 0.0), SizeRangeEfficiency(1.0, 1.0, 1.0)
    assert (curve_from_ranges(nothing)(FINE_TO_COARSE) == 0.0).all()
    assert (curve_from_ranges(all_of_it)(FINE_TO_COARSE) == 1.0).all()
    assert pm25_efficiency(curve_from_ranges(nothing)) == 0.0


@pytest.mark.parametrize(
    ("sizes", "efficiency", "place"),
    [
        ([1.0, 0.5], [0.5, 0.6], "knots_um"),
        ([1.0, 1.0], [0.5, 0.6], "knots_um"),
        ([], [], "knots_um"),
        ([0.5, 1.0], [0.5], "values"),
        ([0.5, 1.0], [0.5, 60.0], "efficiency"),
        ([0.5, float("nan")], [0.5, 0.6], "diameter_um"),
        ([0.0, 1.0], [0.5, 0.6], "diameter_um"),
    ],
)
def test_measured_points_out_of_order_or_bounds_are_refused(
    sizes: list[float], efficiency: list[float], place: str
) -> None:
    with pytest.raises(ValueError, match=rf"^{place}: "):
        curve_from_points(sizes, efficiency)


def test_a_size_that_is_none_is_refused() -> None:
    curve = EfficiencyCurve((0.3, 1.0), (0.4, 0.6))
    for size in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match=r"^diameter_um: "):
            curve(size)
