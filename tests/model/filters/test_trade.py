"""Facts of the trade about filters, as plausibility checks. All of them: common practice, no source.

Published home dust (Mahdavi & Siegel 2021) stands in for "a house"; the rest is what contractors say and see.
"""

from dataclasses import replace
from typing import Any

import pytest

from motemodel.filters import (
    ChargeLoss,
    Deposit,
    ExponentialLoading,
    FibrousMedia,
    Filter,
    Gap,
    LinearQuadraticDrop,
    as_installed_merv,
    as_installed_ranges,
    curve_from_media,
    curve_from_merv,
    drop_pa,
    dust_caught_mg,
    face_velocity_m_s,
    fit_power_law,
    media_drop_pa,
    media_efficiency,
    merv_from_ranges,
    usual_capacity_mg,
)
from motemodel.units import Quantity, from_inside, to_inside

Published = dict[str, dict[str, Any]]

CFM_2000 = to_inside(2000.0, "cfm", Quantity.AIRFLOW)
CFM_1200 = to_inside(1200.0, "cfm", Quantity.AIRFLOW)
CFM_1000 = to_inside(1000.0, "cfm", Quantity.AIRFLOW)
FACE_M2 = to_inside(4.08, "ft2", Quantity.AREA)
MEDIA_M2 = to_inside(210.0, "ft2", Quantity.AREA)

CHARGED_MAT = FibrousMedia(fibre_um=4.0, solidity=0.06, thickness_mm=0.5, charge_c_m2=6e-5)
"""A fine melt-blown electret, the kind of media a large-area MERV 16 cartridge is pleated from."""

CABINET_LOSS_COEFFICIENT = 2.0
"""Of the velocity pressure at the face: pleat channels, frame and cabinet."""


def inches(pascals: Any) -> float:
    return from_inside(float(pascals), "in.w.c.", Quantity.PRESSURE)


def large_area_merv_16(media_m2: float = MEDIA_M2, face_m2: float = FACE_M2) -> Filter:
    """Pleated from the charged mat; conditioned, only its bare fibres are left."""
    to_face = face_m2 / media_m2
    media_velocity = float(face_velocity_m_s(CFM_2000, MEDIA_M2))
    return Filter(
        curve=curve_from_media(CHARGED_MAT, media_velocity),
        face_area_m2=face_m2,
        media_area_m2=media_m2,
        drop=LinearQuadraticDrop(float(media_drop_pa(CHARGED_MAT, 1.0)) * to_face, CABINET_LOSS_COEFFICIENT * 0.6),
        loading=ExponentialLoading(usual_capacity_mg(media_m2)),
        charge=ChargeLoss(curve_from_media(CHARGED_MAT.discharged(), media_velocity)),
    )


def dust_of(years: float, airflow_m3h: float, runtime: float, concentration_ug_m3: float) -> Deposit:
    return Deposit.of_house_dust(dust_caught_mg(concentration_ug_m3, 1.0, airflow_m3h, runtime * years * 8766.0))


def test_two_thousand_cfm_through_four_square_feet_is_about_490_fpm_and_through_210_of_media_about_9_and_a_half() -> (
    None
):
    # common practice, no source
    assert from_inside(face_velocity_m_s(CFM_2000, FACE_M2), "fpm", Quantity.VELOCITY) == pytest.approx(490.0, rel=0.02)
    assert from_inside(face_velocity_m_s(CFM_2000, MEDIA_M2), "fpm", Quantity.VELOCITY) == pytest.approx(9.5, rel=0.01)


def test_a_merv_16_media_catches_about_98_percent_at_three_tenths_of_a_micrometre() -> None:
    # common practice, no source; 98 at 0.3 um and MERV 16 from one mat, by single-fibre theory
    velocity = float(face_velocity_m_s(CFM_2000, MEDIA_M2))
    assert float(media_efficiency(CHARGED_MAT, 0.3, velocity)) == pytest.approx(0.98, abs=0.01)
    assert merv_from_ranges(curve_from_media(CHARGED_MAT, velocity).ranges()) == 16


def test_a_large_area_merv_16_assembly_drops_no_more_than_an_ordinary_inch_deep_filter() -> None:
    # common practice, no source: 0.14 to 0.18 in.w.c. at 2,000 cfm; about 0.13 at 1,200 cfm in the smaller cabinet
    assert 0.12 <= inches(drop_pa(large_area_merv_16(), CFM_2000)) <= 0.20
    smaller = large_area_merv_16(media_m2=0.55 * MEDIA_M2, face_m2=0.6 * FACE_M2)
    assert inches(drop_pa(smaller, CFM_1200)) == pytest.approx(0.13, abs=0.03)


def test_after_three_and_a_half_years_in_a_clean_house_it_drops_what_ordinary_filters_drop_when_new(
    published: Published,
) -> None:
    # common practice, no source: ordinary inch-deep filters, new, 0.15 to 0.30 in.w.c.
    clean_house = published["tsp_median"]["expected"] / 3.0
    drop = inches(drop_pa(large_area_merv_16(), CFM_2000, dust_of(3.5, CFM_2000, 0.3, clean_house)))
    assert 0.15 <= drop <= 0.30


def test_in_a_dusty_house_with_animals_and_open_doors_it_does_not_last_that_long(published: Published) -> None:
    # common practice, no source; dust five times the median of homes, the highest measured being nine times
    dusty_house = published["tsp_median"]["expected"] * 5.0
    drop = inches(drop_pa(large_area_merv_16(), CFM_2000, dust_of(3.5, CFM_2000, 0.3, dusty_house)))
    assert drop > 0.5


@pytest.mark.parametrize(("media_m2", "months"), [(0.6, (1.0, 4.0)), (2.2, (6.0, 14.0))], ids=["1 inch", "4-5 inch"])
def test_ordinary_filters_double_their_drop_within_their_usual_change_interval(
    media_m2: float, months: tuple[float, float], published: Published
) -> None:
    # common practice, no source: an inch-deep filter 1 to 3 months, a 4 to 5 inch deep one 6 to 12
    dust = published["tsp_median"]["expected"]
    ordinary = Filter.surveyed(curve_from_merv(8), 0.25, [(CFM_1000, 40.0)], media_area_m2=media_m2)
    twice = [
        float(drop_pa(ordinary, CFM_1000, dust_of(month / 12.0, CFM_1000, 0.18, dust)) / drop_pa(ordinary, CFM_1000))
        for month in months
    ]
    assert twice[0] < 2.0 < twice[1]


def test_dust_does_not_lower_a_rating_but_lost_charge_does() -> None:
    # common practice, no source: MERV 16 to about 14 within four months for some media (fan always on, 8 ug/m3 indoors)
    charged = large_area_merv_16()
    plain = replace(charged, charge=None)
    year_of_dust = dust_of(1.0, CFM_2000, 0.3, 90.0)
    assert as_installed_merv(plain, CFM_2000, year_of_dust) == 16

    def after(months: float) -> Deposit:
        caught = dust_caught_mg(8.0, 0.95, CFM_2000, months / 12.0 * 8766.0)
        return Deposit.by_size([float(caught)], [0.4])

    ratings = [as_installed_merv(charged, CFM_2000, after(months)) for months in range(5)]
    assert ratings[0] == 16
    assert ratings == sorted(ratings, reverse=True)
    assert 14 in ratings
    assert ratings[-1] in (13, 14)


def test_a_rating_holds_for_the_filter_while_a_loose_cabinet_makes_the_assembly_less() -> None:
    # common practice, no source
    tight = large_area_merv_16()
    loose = replace(tight, gaps=(Gap(2.5, 0.005),))
    assert as_installed_ranges(loose, CFM_2000).e1 < as_installed_ranges(tight, CFM_2000).e1
    assert as_installed_merv(loose, CFM_2000) < 16


def test_an_ordinary_filter_crammed_into_a_small_return_costs_most_of_the_static_it_is_given(
    published: Published,
) -> None:
    # An inch-deep filter rated 0.1 in.w.c. at 150 fpm (Title 24), pushed to twice and four times that velocity.
    velocity = to_inside(150.0, "fpm", Quantity.VELOCITY)
    allowed = published["t24_1in_dp"]["expected"]
    law = fit_power_law(velocity, to_inside(allowed, "in.w.c.", Quantity.PRESSURE))
    assert inches(law(2.0 * velocity)) > 2.0 * allowed
    assert inches(law(4.0 * velocity)) > 0.5
