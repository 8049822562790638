"""Clean drop: laws through rated points, their inverses, and the area pleats hold."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.filters import (
    USUAL_EXPONENT,
    DropLaw,
    LinearQuadraticDrop,
    PowerLawDrop,
    fit_linear_quadratic,
    fit_power_law,
    pleated_media_area_m2,
)
from motemodel.units import Quantity, to_inside

Published = dict[str, dict[str, Any]]

coefficients = st.floats(0.01, 1e4)
laws = st.one_of(
    st.builds(LinearQuadraticDrop, linear=coefficients, quadratic=coefficients),
    st.builds(LinearQuadraticDrop, linear=coefficients, quadratic=st.just(0.0)),
    st.builds(LinearQuadraticDrop, linear=st.just(0.0), quadratic=coefficients),
    st.builds(PowerLawDrop, coefficient=coefficients, exponent=st.floats(1.0, 2.0)),
)


def test_a_power_law_through_two_rated_points(published: Published) -> None:
    record = published["pl_fit"]
    law = fit_power_law([1.5, 2.5], [40.0, 80.0])
    assert [law.exponent, law.coefficient, float(law(2.0))] == pytest.approx(
        record["expected"], abs=record["tolerance"]
    )


def test_a_linear_quadratic_law_through_the_same_points(published: Published) -> None:
    record = published["quad_fit"]
    law = fit_linear_quadratic([1.5, 2.5], [40.0, 80.0])
    assert [law.linear, law.quadratic, float(law(2.0))] == pytest.approx(record["expected"], abs=record["tolerance"])


def test_one_rated_point_takes_the_usual_exponent(published: Published) -> None:
    record = published["exp_li22"]
    assert pytest.approx(record["expected"], abs=record["tolerance"]) == USUAL_EXPONENT
    law = fit_power_law(1.5, 40.0)
    assert law.exponent == USUAL_EXPONENT
    assert float(law(1.5)) == pytest.approx(40.0)


@pytest.mark.published("exp_scale", "exp_down")
def test_drop_follows_flow_by_the_usual_exponent(record: dict[str, Any]) -> None:
    law = fit_power_law(2.0, 50.0)
    ratio = float(law(2.0 * record["inputs"]["ratio"]) / law(2.0))
    assert ratio == pytest.approx(record["expected"], abs=record["tolerance"])


def test_a_low_face_velocity_filter_stays_within_the_drop_california_allows(published: Published) -> None:
    # One measured 2-inch MERV 13 at 144 fpm, carried by the usual exponent to the 150 fpm an inch-deep one is sized by.
    measured, allowed = published["ev144_dp"], published["t24_1in_dp"]
    velocity = to_inside(float(measured["inputs"]["fpm"]), "fpm", Quantity.VELOCITY)
    law = fit_power_law(velocity, to_inside(measured["expected"], "in.w.c.", Quantity.PRESSURE))
    at_150 = float(law(to_inside(150.0, "fpm", Quantity.VELOCITY)))
    assert at_150 < to_inside(allowed["expected"], "in.w.c.", Quantity.PRESSURE)


def test_more_than_two_points_are_met_in_the_least_squares_sense() -> None:
    velocity = np.array([0.6, 1.25, 1.9, 2.5])
    truth = LinearQuadraticDrop(20.0, 6.0)
    assert fit_linear_quadratic(velocity, truth(velocity)).linear == pytest.approx(20.0)
    noisy = truth(velocity) * np.array([1.02, 0.98, 1.01, 0.99])
    assert fit_power_law(velocity, noisy)(velocity) == pytest.approx(noisy, rel=0.06)
    assert fit_linear_quadratic(velocity, noisy)(velocity) == pytest.approx(noisy, rel=0.03)


def test_points_steeper_or_flatter_than_physics_get_the_nearest_law() -> None:
    assert fit_power_law([1.0, 2.0], [10.0, 90.0]).exponent == 2.0
    assert fit_power_law([1.0, 2.0], [10.0, 12.0]).exponent == 1.0
    assert fit_linear_quadratic([1.0, 2.0], [10.0, 90.0]).linear == 0.0
    assert fit_linear_quadratic([1.0, 2.0], [10.0, 12.0]).quadratic == 0.0


@given(laws, st.floats(0.0, 20.0), st.floats(1.0001, 3.0))
@settings(max_examples=100)
def test_more_velocity_never_drops_less_and_the_inverse_comes_back(law: DropLaw, velocity: float, ratio: float) -> None:
    assert float(law(0.0)) == 0.0
    assert law(velocity * ratio) >= law(velocity)
    assert float(law.velocity_m_s(law(velocity))) == pytest.approx(velocity, rel=1e-9, abs=1e-12)


@given(laws, st.floats(0.01, 1e4))
@settings(max_examples=60)
def test_sensitivity_is_the_slope_on_logarithms(law: DropLaw, drop: float) -> None:
    step = 1e-5
    faster, slower = (np.log(law.velocity_m_s(drop * np.exp(sign * step))) for sign in (1.0, -1.0))
    assert float(law.sensitivity(np.asarray(drop))) == pytest.approx((faster - slower) / (2.0 * step), rel=1e-5)


def test_pleats_hold_the_area_of_their_two_legs() -> None:
    # A triangle of 3-4-5: pitch 6, depth 4, legs 5 each, so 10 of media on 6 of face.
    assert pleated_media_area_m2(0.6, 0.04, 0.06) == pytest.approx(1.0)
    assert pleated_media_area_m2(0.6, 1e-9, 0.06) == pytest.approx(0.6)


@pytest.mark.parametrize(
    ("velocity", "drop", "place"),
    [
        ([], [], "drop_pa"),
        ([1.0, 2.0], [10.0], "drop_pa"),
        ([0.0], [10.0], "velocity_m_s"),
        ([1.0], [0.0], "drop_pa"),
        ([1.0], [float("nan")], "drop_pa"),
    ],
)
def test_rated_points_that_say_nothing_are_refused(velocity: list[float], drop: list[float], place: str) -> None:
    with pytest.raises(ValueError, match=rf"^{place}: .*give"):
        fit_power_law(velocity, drop)


def test_a_law_without_resistance_or_out_of_physics_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^linear: "):
        LinearQuadraticDrop(0.0, 0.0)
    with pytest.raises(ValueError, match=r"^exponent: 2.5"):
        PowerLawDrop(10.0, 2.5)
    with pytest.raises(ValueError, match=r"^velocity_m_s: a single velocity"):
        fit_linear_quadratic([1.0, 1.0], [10.0, 11.0])
    with pytest.raises(ValueError, match=r"^pleat_pitch_m: "):
        pleated_media_area_m2(0.4, 0.02, 0.0)
