"""The filter in its cabinet: one drop for media and gaps, and the rating of the whole."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.filters import (
    CLEAN,
    DUST_GRID,
    ChargeLoss,
    Deposit,
    ExponentialLoading,
    Filter,
    Gap,
    LinearQuadraticDrop,
    PowerLawDrop,
    as_installed,
    as_installed_curve,
    as_installed_merv,
    as_installed_pm25,
    as_installed_ranges,
    assumed_conditioned,
    curve_from_merv,
    drop_pa,
    efficiency,
    flow_split,
)
from motemodel.particles import DEFAULT_GRID, OUTDOOR_URBAN, bin_means
from motemodel.units import Quantity, to_inside

Published = dict[str, dict[str, Any]]

FACE_M2 = to_inside(4.0, "ft2", Quantity.AREA)
TWO_THOUSAND_CFM = to_inside(2000.0, "cfm", Quantity.AIRFLOW)
PERIMETER_M = 4 * 0.61

gap_lists = st.lists(
    st.builds(Gap, length_m=st.floats(0.0, 3.0), width_m=st.floats(2e-4, 0.02), bends=st.integers(0, 2)), max_size=2
).map(tuple)
filters = st.builds(
    Filter,
    curve=st.integers(5, 16).map(curve_from_merv),
    face_area_m2=st.floats(0.05, 1.0),
    media_area_m2=st.floats(1.0, 20.0),
    drop=st.one_of(
        st.builds(PowerLawDrop, coefficient=st.floats(1.0, 500.0), exponent=st.floats(1.0, 2.0)),
        st.builds(LinearQuadraticDrop, linear=st.floats(1.0, 500.0), quadratic=st.floats(0.0, 100.0)),
    ),
    loading=st.builds(ExponentialLoading, capacity_mg=st.floats(1e3, 1e6), growth=st.floats(1.0, 5.0)),
    charge=st.sampled_from([None, ChargeLoss(assumed_conditioned(curve_from_merv(13)))]),
    gaps=gap_lists,
)
airflows = st.floats(0.0, 5000.0)
dust = st.floats(0.0, 1e7)


def racked(merv: int, clean_drop_pa: float, *gaps: Gap) -> Filter:
    """A 24 by 24 inch filter with a clean drop at 2,000 cfm."""
    return Filter.surveyed(curve_from_merv(merv), FACE_M2, [(TWO_THOUSAND_CFM, clean_drop_pa)], gaps=gaps)


@pytest.mark.published("bypass_eff_")
def test_air_that_goes_round_is_not_cleaned(record: dict[str, Any]) -> None:
    # A media and a gap of one and the same law, areas in the ratio of the air wanted through each.
    around = record["inputs"]["bypass_fraction"]
    gap = Gap(1.0, 0.005)
    share = gap.area_m2 * (1.0 - around) / around
    pleats = Filter(
        curve=curve_from_merv(8),
        face_area_m2=share,
        media_area_m2=share,
        drop=gap.drop_law(),
        loading=ExponentialLoading(1e5),
        gaps=(gap,),
    )
    split = flow_split(pleats, 500.0)
    assert 1.0 - float(split.media_share) == pytest.approx(around)
    whole = record["inputs"]["eta"] * float(split.media_share)
    assert whole == pytest.approx(record["expected"], abs=1e-9)
    caught = as_installed(pleats, 4.0, 500.0) / efficiency(pleats, 4.0)
    assert float(caught) == pytest.approx(1.0 - around)


def test_a_loose_rack_takes_a_merv_15_down_to_about_8(published: Published) -> None:
    # Ward & Siegel (2005): a 10 mm gap lets 25 to 35 % of the air by (from memory); all round a 24 by 24 inch filter.
    record = published["bypass_ws_15"]
    loose = racked(record["inputs"]["MERV"], 125.0, Gap(PERIMETER_M, record["inputs"]["gap_mm"] / 1000.0))
    assert 0.25 <= 1.0 - float(flow_split(loose, TWO_THOUSAND_CFM).media_share) <= 0.35
    assert abs(as_installed_merv(loose, TWO_THOUSAND_CFM) - record["expected"]) <= 1


def test_a_better_filter_loses_more_of_its_rating_to_the_same_gap(published: Published) -> None:
    assert published["bypass_trend"]["expected"] == "monotonic"
    gap = Gap(PERIMETER_M, 0.010)
    high = as_installed_merv(racked(14, 110.0, gap), TWO_THOUSAND_CFM)
    low = as_installed_merv(racked(7, 45.0, gap), TWO_THOUSAND_CFM)
    assert abs(high - published["bypass_lab_m14"]["expected"]) <= 1
    assert low == published["bypass_lab_m7"]["expected"]
    assert 14 - high > 7 - low


@given(filters, airflows, dust)
@settings(max_examples=50)
def test_air_is_conserved_and_both_paths_feel_the_same_drop(filter_: Filter, airflow: float, mass: float) -> None:
    deposit = Deposit.of_house_dust(mass)
    split = flow_split(filter_, airflow, deposit)
    assert float(split.media_m3h + split.gap_m3h) == pytest.approx(airflow, rel=1e-12, abs=1e-12)
    factor = filter_.loading.drop_factor(deposit.clogging_mg)
    media = float(filter_.drop.velocity_m_s(split.drop_pa / factor)) * filter_.face_area_m2 * 3600.0
    assert media == pytest.approx(float(split.media_m3h), rel=1e-6, abs=1e-9 * (1.0 + airflow))
    around = sum(float(gap.drop_law().velocity_m_s(split.drop_pa)) * gap.area_m2 * 3600.0 for gap in filter_.gaps)
    assert around == pytest.approx(float(split.gap_m3h), rel=1e-9, abs=1e-9)


@given(filters, airflows, st.floats(1.001, 3.0), dust)
@settings(max_examples=50)
def test_drop_rises_with_airflow_and_with_dust(filter_: Filter, airflow: float, ratio: float, mass: float) -> None:
    clean, loaded = CLEAN, Deposit.of_house_dust(mass)
    assert float(drop_pa(filter_, 0.0, loaded)) == 0.0
    assert drop_pa(filter_, airflow * ratio, loaded) >= drop_pa(filter_, airflow, loaded) * (1 - 1e-12)
    assert drop_pa(filter_, airflow, loaded) >= drop_pa(filter_, airflow, clean) * (1 - 1e-12)


@given(filters, st.floats(1.0, 5000.0), dust)
@settings(max_examples=50)
def test_loading_sends_more_air_round_and_more_gap_never_cleans_better(
    filter_: Filter, airflow: float, mass: float
) -> None:
    loaded = Deposit.of_house_dust(mass)
    assert flow_split(filter_, airflow, loaded).gap_m3h >= flow_split(filter_, airflow).gap_m3h * (1 - 1e-9)
    looser = replace(filter_, gaps=(*filter_.gaps, Gap(0.5, 0.003)))
    sizes = DUST_GRID.midpoints_um
    assert (as_installed(looser, sizes, airflow, loaded) <= as_installed(filter_, sizes, airflow, loaded) + 1e-12).all()
    assert drop_pa(looser, airflow, loaded) <= drop_pa(filter_, airflow, loaded) * (1 + 1e-12)
    assert as_installed_merv(looser, airflow) <= as_installed_merv(filter_, airflow)


@given(filters, airflows, dust)
@settings(max_examples=40)
def test_as_installed_efficiency_is_a_share_and_at_most_the_medias(
    filter_: Filter, airflow: float, mass: float
) -> None:
    deposit = Deposit.of_house_dust(mass)
    sizes = np.geomspace(0.01, 100.0, 40)
    whole, media = as_installed(filter_, sizes, airflow, deposit), efficiency(filter_, sizes, deposit)
    assert ((whole >= 0.0) & (whole <= media + 1e-12) & (media <= 1.0)).all()


def test_without_gaps_the_assembly_is_the_filter() -> None:
    tight = racked(13, 60.0)
    assert as_installed_merv(tight, TWO_THOUSAND_CFM) == 13
    assert float(drop_pa(tight, TWO_THOUSAND_CFM)) == pytest.approx(60.0)
    closed = racked(13, 60.0, Gap(0.0, 0.01))
    assert float(drop_pa(closed, TWO_THOUSAND_CFM)) == float(drop_pa(tight, TWO_THOUSAND_CFM))


def test_stages_of_a_life_and_airflows_broadcast() -> None:
    filter_ = racked(13, 60.0, Gap(1.0, 0.003))
    stages = Deposit.of_house_dust(np.array([[0.0], [1e4], [1e5]]))
    airflow = np.array([0.0, 500.0, 1500.0, 3000.0])
    drops = drop_pa(filter_, airflow, stages)
    assert drops.shape == (3, 4)
    assert float(drops[1, 2]) == pytest.approx(float(drop_pa(filter_, 1500.0, Deposit.of_house_dust(1e4))))
    assert as_installed(filter_, DUST_GRID.midpoints_um, 1500.0, stages).shape == (3, DUST_GRID.count)


def test_means_over_bins_weighted_by_their_mass_are_the_pm25_efficiency() -> None:
    filter_ = racked(13, 60.0, Gap(1.0, 0.003))
    means = bin_means(as_installed_curve(filter_, 2000.0), OUTDOOR_URBAN, DEFAULT_GRID)[:4]
    shares = OUTDOOR_URBAN.bin_fractions(DEFAULT_GRID)[:4]
    assert float(means @ shares / shares.sum()) == pytest.approx(as_installed_pm25(filter_, 2000.0), rel=1e-3)
    ranges = as_installed_ranges(filter_, 2000.0)
    assert ranges.e1 < 0.5


def test_a_survey_with_a_final_drop_reaches_it_at_capacity() -> None:
    filter_ = Filter.surveyed(
        curve_from_merv(8), 0.3, [(1500.0, 40.0), (2000.0, 60.0)], capacity_mg=50_000.0, final_drop_pa=120.0
    )
    full = Deposit(np.asarray(5e4), np.asarray(5e4), np.asarray(0.0))
    assert float(drop_pa(filter_, 1500.0)) == pytest.approx(40.0)
    assert float(drop_pa(filter_, 2000.0)) == pytest.approx(60.0)
    assert float(drop_pa(filter_, 1500.0, full)) == pytest.approx(120.0)


def test_the_same_dust_drops_the_same_whatever_drop_the_filter_is_changed_at() -> None:
    early = Filter.surveyed(curve_from_merv(8), 0.3, [(1500.0, 40.0)])
    late = Filter.surveyed(curve_from_merv(8), 0.3, [(1500.0, 40.0)], final_drop_pa=125.0)
    dust = Deposit.of_house_dust(np.array([1e3, 3e4, 2e5]))
    assert drop_pa(late, 1500.0, dust) == pytest.approx(drop_pa(early, 1500.0, dust), rel=1e-9)
    assert late.loading.capacity_mg == pytest.approx(early.loading.clogging_at(125.0 / 40.0))


def test_impossible_assemblies_and_airflows_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"^media_area_m2: 0.1 is below"):
        Filter(curve_from_merv(8), 0.3, 0.1, PowerLawDrop(20.0), ExponentialLoading(1e5))
    with pytest.raises(ValueError, match=r"^rated_drops: "):
        Filter.surveyed(curve_from_merv(8), 0.3, [])
    with pytest.raises(ValueError, match=r"^growth: "):
        Filter.surveyed(curve_from_merv(8), 0.3, [(1500.0, 40.0)], final_drop_pa=20.0)
    with pytest.raises(ValueError, match=r"^drop_pa: 0"):
        Filter.surveyed(curve_from_merv(8), 0.3, [(1500.0, 0.0)], final_drop_pa=20.0)
    for airflow in (-1.0, float("nan"), float("inf")):
        with pytest.raises(ValueError, match=r"^airflow_m3h: "):
            drop_pa(racked(8, 40.0), airflow)
