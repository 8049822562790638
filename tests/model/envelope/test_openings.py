"""Open windows bring far more air than cracks do."""

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motemodel.envelope import cross_airflow, single_sided_airflow

Published = dict[str, dict[str, Any]]


def test_one_side_open_follows_the_published_formula(published: Published) -> None:
    record = published["wsingle_en"]
    airflow = float(single_sided_airflow(**record["inputs"]))
    assert airflow == pytest.approx(record["expected"], abs=record["tolerance"])


def test_wind_alone_through_equal_openings_is_effectiveness_times_area_times_speed() -> None:
    # ASHRAE Fundamentals, ventilation chapter: Q = C_v A U.
    airflow = float(cross_airflow(2.0, 2.0, 1.0, indoor_c=20.0, outdoor_c=20.0, wind_m_s=3.0, wind_effectiveness=0.5))
    assert airflow == pytest.approx(0.5 * 2.0 * 3.0 * 3600.0)


def test_stack_alone_is_the_velocity_of_a_falling_body_through_an_orifice() -> None:
    # Torricelli with the reduced gravity of 10 K in 293.15 K over 1 m, discharge coefficient 0.65.
    expected = 0.65 * 2.0 * (2.0 * 9.80665 * 1.0 * 10.0 / 293.15) ** 0.5 * 3600.0
    assert float(cross_airflow(2.0, 2.0, 1.0, indoor_c=20.0, outdoor_c=10.0, wind_m_s=0.0)) == pytest.approx(expected)


@given(small=st.floats(0.0, 10.0), large=st.floats(0.0, 40.0), wind=st.floats(0.0, 60.0))
def test_a_larger_outlet_gains_at_most_two_fifths(small: float, large: float, wind: float) -> None:
    # The Handbook's figure of flow increase for unequal openings levels off near 40 % (from memory).
    even = float(cross_airflow(small, small, 1.0, indoor_c=20.0, outdoor_c=0.0, wind_m_s=wind))
    wide = float(cross_airflow(small, small + large, 1.0, indoor_c=20.0, outdoor_c=0.0, wind_m_s=wind))
    assert even * (1.0 - 1e-12) <= wide <= even * 1.4143


@given(area=st.floats(0.0, 50.0), wind=st.floats(0.0, 60.0), outdoor=st.floats(-60.0, 60.0))
def test_a_shut_window_passes_nothing_and_flow_grows_with_area(area: float, wind: float, outdoor: float) -> None:
    assert float(single_sided_airflow(0.0, 1.0, indoor_c=20.0, outdoor_c=outdoor, wind_m_s=wind)) == 0.0
    assert float(cross_airflow(0.0, area, 1.0, indoor_c=20.0, outdoor_c=outdoor, wind_m_s=wind)) == 0.0
    half, full = (
        float(single_sided_airflow(part * area, 1.0, indoor_c=20.0, outdoor_c=outdoor, wind_m_s=wind))
        for part in (0.5, 1.0)
    )
    assert full == pytest.approx(2.0 * half, abs=1e-9)


def test_arrays_over_hours_and_no_hours_at_all_are_taken() -> None:
    assert single_sided_airflow(1.0, 1.0, indoor_c=20.0, outdoor_c=[0.0, 10.0], wind_m_s=[1.0, 2.0]).shape == (2,)
    assert cross_airflow(1.0, [1.0, 0.0, 2.0], 1.0, indoor_c=20.0, outdoor_c=0.0, wind_m_s=1.0).shape == (3,)
    assert cross_airflow(1.0, 1.0, 1.0, indoor_c=20.0, outdoor_c=[], wind_m_s=[]).size == 0


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: single_sided_airflow(-1.0, 1.0, indoor_c=20.0, outdoor_c=0.0, wind_m_s=1.0), "open area: -1"),
        (lambda: single_sided_airflow(1.0, 0.0, indoor_c=20.0, outdoor_c=0.0, wind_m_s=1.0), "height of the opening"),
        (
            lambda: cross_airflow(1.0, 1.0, 1.0, indoor_c=20.0, outdoor_c=0.0, wind_m_s=1.0, wind_effectiveness=2.0),
            "wind effectiveness",
        ),
        (lambda: cross_airflow(1.0, float("nan"), 1.0, indoor_c=20.0, outdoor_c=0.0, wind_m_s=1.0), "outlet area"),
    ],
)
def test_impossible_openings_are_refused_by_name_and_fix(call: Any, told: str) -> None:
    with pytest.raises(ValueError, match=re.escape(told)):
        call()
