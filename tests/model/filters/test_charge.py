"""Charge of electret media: how far efficiency may fall, and what makes it fall."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.filters import (
    ChargeLoss,
    Deposit,
    assumed_conditioned,
    curve_from_merv,
    curve_from_points,
    depth_factor,
    dust_caught_mg,
    faded_efficiency,
    merv_from_ranges,
)
from motemodel.filters.loading import ExponentialLoading

Published = dict[str, dict[str, Any]]
fractions = st.floats(0.0, 1.0)


def test_eleven_weeks_of_outdoor_air_take_a_charged_filter_from_85_to_45_percent(published: Published) -> None:
    # Raynor & Chae (2004). Not in the abstract and assumed: 10 ug/m3 of 0.4 um particles, 0.15 m/s through the pleats,
    # and a discharged efficiency just below the lowest one seen.
    new, low = published["rc_start"]["expected"] / 100.0, published["rc_11wk"]["expected"] / 100.0
    loss = ChargeLoss(conditioned=curve_from_points([0.6], [0.43]))
    per_m2 = dust_caught_mg(10.0, 0.7, 0.15 * 3600.0, published["rc_11wk"]["inputs"]["weeks"] * 168.0)
    surface = Deposit.by_size([float(per_m2)], [0.4]).surface_m2
    left = loss.charge_left(surface)
    assert left < 0.15
    assert float(faded_efficiency(np.asarray(new), loss.conditioned(0.6), left)) == pytest.approx(low, abs=0.05)


def test_the_cake_that_forms_later_recovers_part_of_it(published: Published) -> None:
    lowest = published["rc_11wk"]["expected"] / 100.0
    low, high = (value / 100.0 for value in published["rc_19wk"]["expected"])
    cake = ExponentialLoading(capacity_mg=100.0, depth_growth=1.75)
    recovered = 1.0 - (1.0 - lowest) ** float(depth_factor(cake, 100.0))
    assert low <= recovered <= high


def test_uncharged_glass_keeps_its_efficiency(published: Published) -> None:
    assert published["rc_glass"]["expected"] == "nearly constant"
    glass = curve_from_merv(14)
    loss = ChargeLoss(conditioned=glass)
    sizes = np.geomspace(0.05, 10.0, 30)
    assert faded_efficiency(glass(sizes), glass(sizes), loss.charge_left(1000.0)) == pytest.approx(glass(sizes))


def test_smoke_takes_much_of_the_charge_and_road_dust_little(published: Published) -> None:
    assert published["leht"]["expected"] == "qualitative"
    loss = ChargeLoss(assumed_conditioned(curve_from_merv(13)))
    # The same 10 g on each m2 of media: diesel soot or smoke of 0.2 um, road dust of 20 um.
    smoke, dust = (loss.charge_left(Deposit.by_size([10_000.0], [size]).surface_m2) for size in (0.2, 20.0))
    assert smoke < 0.1
    assert dust > 0.85


@given(fractions, fractions, fractions, fractions)
@settings(max_examples=100)
def test_fading_stays_between_conditioned_and_new_and_never_turns_back(
    new: float, conditioned: float, more: float, less: float
) -> None:
    more, less = max(more, less), min(more, less)
    charged, faded = (float(faded_efficiency(np.asarray(new), np.asarray(conditioned), left)) for left in (more, less))
    assert min(new, conditioned) - 1e-12 <= faded <= charged + 1e-12
    assert charged <= new + 1e-12


@given(st.floats(0.0, 1e6), st.floats(1.0, 100.0))
def test_more_surface_never_leaves_more_charge(surface: float, ratio: float) -> None:
    loss = ChargeLoss(curve_from_merv(8))
    assert loss.charge_left(0.0) == 1.0
    assert 0.0 <= loss.charge_left(surface * ratio) <= loss.charge_left(surface)


def test_the_assumed_conditioned_curve_costs_a_charged_merv_13_about_two_numbers() -> None:
    # Charged MERV 13 residential filters conditioned by appendix J rate 8 to 11 (common practice, no source).
    assert 8 <= merv_from_ranges(assumed_conditioned(curve_from_merv(13)).ranges()) <= 11


def test_impossible_charge_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"^screening_m2_per_m2: "):
        ChargeLoss(curve_from_merv(8), 0.0)
    with pytest.raises(ValueError, match=r"^share: "):
        assumed_conditioned(curve_from_merv(13), 40.0)
    with pytest.raises(ValueError, match=r"^charge_left: "):
        faded_efficiency(np.asarray(0.5), np.asarray(0.3), 1.5)
