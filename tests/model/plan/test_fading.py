"""A charged filter is spent when its charge has faded so far that it takes too few of the fine particles."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.filters import (
    USUAL_SCREENING_M2_PER_M2,
    ChargeLoss,
    Deposit,
    Filter,
    Gap,
    as_installed_pm25,
    curve_from_points,
    dust_caught_mg,
)
from motemodel.plan import Filling, reach_by_fading

AIRFLOW_M3H = 1700.0
NOTHING = Deposit(np.asarray(0.0), np.asarray(0.0), np.asarray(0.0))


def alike(new: float, conditioned: float, *gaps: Gap, screening: float = USUAL_SCREENING_M2_PER_M2) -> Filter:
    """A charged filter of 3 m2 of media that takes every size near 0.3 to 2.5 um alike, new and without its charge."""
    sizes = [0.01, 0.3, 2.5]
    return Filter.surveyed(
        curve_from_points(sizes, [new] * 3),
        0.36,
        [(AIRFLOW_M3H, 60.0)],
        media_area_m2=3.0,
        charge=ChargeLoss(curve_from_points(sizes, [conditioned] * 3), screening),
        gaps=gaps,
    )


def surface(m2: float) -> Deposit:
    return Deposit(np.asarray(0.0), np.asarray(0.0), np.asarray(m2))


def test_the_day_is_the_one_that_the_logarithms_find() -> None:
    # By hand: depths -ln(1 - E) are 1.609 new, 0.511 without charge, 0.916 at 60 %; so 0.369 of the charge's part is
    # left, after 30 * -ln 0.369 = 29.9 m2 of particles on each m2 of media: 89.7 m2 on three, 179.4 days of half a m2.
    reach = reach_by_fading(Filling(alike(0.8, 0.4), NOTHING, surface(0.5)), [], AIRFLOW_M3H, 0.6)
    left = (math.log(1.0 - 0.6) - math.log(1.0 - 0.4)) / (math.log(1.0 - 0.8) - math.log(1.0 - 0.4))
    assert left == pytest.approx(0.369, abs=0.001)
    assert reach.days == pytest.approx(-30.0 * math.log(left) * 3.0 / 0.5, abs=0.05)
    assert reach.low == reach.days == reach.high
    later = reach_by_fading(Filling(alike(0.8, 0.4), surface(40.0), surface(0.5)), [], AIRFLOW_M3H, 0.6)
    assert later.days == pytest.approx(reach.days - 80.0, abs=0.05)


def test_outdoor_air_takes_a_charged_filter_half_the_way_down_within_the_weeks_that_were_measured() -> None:
    # Raynor & Chae (2004), J. Occup. Environ. Hyg. 1, 463-471, abstract: 85 % at 0.6 um when new, 45 % after eleven
    # weeks. Assumed, as it is not in the abstract: 10 ug/m3 of 0.4 um, 0.15 m/s through the pleats, all the time.
    per_day = Deposit.by_size([float(dust_caught_mg(10.0, 0.7, 0.15 * 3600.0 * 3.0, 24.0))], [0.4])
    reach = reach_by_fading(Filling(alike(0.85, 0.43), NOTHING, per_day), [], AIRFLOW_M3H, 0.65)
    assert 7.0 < reach.days < 77.0


def test_new_it_takes_what_the_mean_over_the_mass_of_outdoor_pm25_says() -> None:
    leaky = alike(0.8, 0.4, Gap(1.0, 0.002))
    new = Filling(leaky, NOTHING, surface(0.5)).pm25_efficiency(AIRFLOW_M3H, np.zeros(1))
    assert float(new[0]) == pytest.approx(as_installed_pm25(leaky, AIRFLOW_M3H), abs=0.002)


def test_each_doubt_moves_an_end_and_two_add_in_quadrature() -> None:
    best = Filling(alike(0.8, 0.4), NOTHING, surface(0.5))
    faster, slower = Filling(best.filter_, NOTHING, surface(1.0)), Filling(best.filter_, NOTHING, surface(0.4))
    once = reach_by_fading(best, [(slower, faster)], AIRFLOW_M3H, 0.6)
    assert once.low == pytest.approx(once.days / 2.0, abs=0.05)
    assert once.high == pytest.approx(once.days * 1.25, abs=0.05)
    twice = reach_by_fading(best, [(slower, faster), (faster, slower)], AIRFLOW_M3H, 0.6)
    assert twice.high - twice.days == pytest.approx(math.sqrt(2.0) * (once.high - once.days), abs=0.1)


def test_without_charge_or_below_what_it_leaves_the_day_never_comes() -> None:
    lasting = Filling(alike(0.8, 0.65), NOTHING, surface(0.5))
    assert math.isinf(reach_by_fading(lasting, [(lasting, lasting)], AIRFLOW_M3H, 0.6).days)
    idle = Filling(alike(0.8, 0.4), NOTHING, NOTHING)
    assert math.isinf(reach_by_fading(idle, [], AIRFLOW_M3H, 0.6).days)
    assert reach_by_fading(idle, [], AIRFLOW_M3H, 0.9).days == 0.0


def test_gaps_bring_the_day_forward() -> None:
    tight, loose = alike(0.8, 0.4), alike(0.8, 0.4, Gap(1.0, 0.002))
    dust = Deposit.of_house_dust(100.0) + surface(0.5)
    days = [reach_by_fading(Filling(each, NOTHING, dust), [], AIRFLOW_M3H, 0.6).days for each in (tight, loose)]
    assert 0.0 < days[1] < days[0]


@settings(max_examples=25)
@given(st.floats(0.45, 0.75), st.floats(0.001, 0.1), st.floats(0.05, 5.0), st.floats(1.1, 4.0))
def test_a_higher_floor_or_dirtier_air_never_comes_later(
    floor: float, more: float, per_day: float, dirtier: float
) -> None:
    def days(floor: float, rate: float) -> float:
        reach = reach_by_fading(Filling(alike(0.8, 0.4), NOTHING, surface(rate)), [], AIRFLOW_M3H, floor)
        assert 0.0 <= reach.low <= reach.days <= reach.high
        return reach.days

    assert days(floor + more, per_day) <= days(floor, per_day) + 0.02
    assert days(floor, per_day * dirtier) <= days(floor, per_day) + 0.02


@pytest.mark.parametrize("floor", [0.0, -0.1, 1.5, math.nan, math.inf])
def test_a_floor_that_is_no_efficiency_is_refused(floor: float) -> None:
    with pytest.raises(ValueError, match="least_efficiency"):
        reach_by_fading(Filling(alike(0.8, 0.4), NOTHING, surface(0.5)), [], AIRFLOW_M3H, floor)
    with pytest.raises(ValueError, match="airflow_m3h"):
        reach_by_fading(Filling(alike(0.8, 0.4), NOTHING, surface(0.5)), [], floor if floor < 0 else 0.0, 0.6)
