"""Ducts, fittings, coils, and filters side by side or one behind the other."""

import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from motemodel.airside import (
    DuctCurve,
    Fitting,
    PartlyCoveredCoil,
    RoundDuct,
    contraction_loss,
    equivalent_diameter_m,
    expansion_loss,
    friction_factor,
    parallel,
    series,
    split,
    velocity_pressure_pa,
)
from motemodel.particles import Air
from motemodel.units import FOOT_M, INCH_M, M3H_PER_CFM, PA_PER_INCH_WATER

Published = dict[str, dict[str, Any]]
FPM = FOOT_M / 60.0
STANDARD_AIR = 1.2014
airflows = st.floats(0.0, 6000.0)
curves = st.builds(DuctCurve, st.floats(500.0, 4000.0), st.floats(1.0, 300.0), st.floats(1.0, 2.2))


def test_the_system_curve_is_a_parabola_as_published(published: Published) -> None:
    record = published["sys_curve"]
    given_ = record["inputs"]
    duct = DuctCurve(given_["Q1"] * M3H_PER_CFM, given_["P1"] * PA_PER_INCH_WATER)
    drop = float(duct(given_["Q2"] * M3H_PER_CFM)) / PA_PER_INCH_WATER
    assert drop == pytest.approx(record["expected"], abs=record["tolerance"])


@pytest.mark.parametrize("record", ["vp_form", "vp_500", "vp_700", "vp_900", "vp_2000", "vp12"])
def test_velocity_pressure_is_that_of_the_trades_formula(record: str, published: Published) -> None:
    # Its 4005 fpm is rounded: with 0.075 lb/ft3 it would be 4008.5, hence 0.2 % and not the record's own tolerance.
    pressure = float(velocity_pressure_pa(published[record]["inputs"]["fpm"] * FPM, STANDARD_AIR))
    assert pressure / PA_PER_INCH_WATER == pytest.approx(published[record]["expected"], rel=2e-3)


def test_4005_feet_a_minute_is_an_inch_of_velocity_pressure(published: Published) -> None:
    pressure = float(velocity_pressure_pa(4005.0 * FPM, STANDARD_AIR)) / PA_PER_INCH_WATER
    assert pressure == pytest.approx(published["vp_4005"]["expected"], rel=2e-3)


@pytest.mark.parametrize("record", ["fit_loss", "fit_loss2"])
def test_a_fitting_loses_its_coefficient_times_the_velocity_pressure(record: str, published: Published) -> None:
    given_ = published[record]["inputs"]
    fitting = Fitting(given_["C"], 0.1, Air(20.0, STANDARD_AIR * 287.042 * 293.15))
    airflow = given_["fpm"] * FPM * 0.1 * 3600.0
    assert float(fitting(airflow)) / PA_PER_INCH_WATER == pytest.approx(published[record]["expected"], rel=2e-3)


def test_the_published_si_check_of_that_fitting_is_met_too() -> None:
    # The record's own note: 0.22 * 0.5 * 1.2014 * 4.572^2 = 2.762 Pa.
    fitting = Fitting(0.22, 0.1, Air(20.0, STANDARD_AIR * 287.042 * 293.15))
    assert float(fitting(4.572 * 0.1 * 3600.0)) == pytest.approx(2.762, abs=0.001)


def test_the_velocity_in_a_twelve_inch_duct_is_as_published(published: Published) -> None:
    record = published["duct12"]
    velocity = RoundDuct(1.0, 12.0 * INCH_M).velocity_m_s(record["inputs"]["cfm"] * M3H_PER_CFM)
    assert float(velocity) / FPM == pytest.approx(record["expected"], abs=record["tolerance"])


def test_a_foot_square_duct_is_as_wide_as_published(published: Published) -> None:
    record = published["huebscher"]
    sides = (record["inputs"]["a"] * INCH_M, record["inputs"]["b"] * INCH_M)
    assert equivalent_diameter_m(*sides) / INCH_M == pytest.approx(record["expected"], abs=record["tolerance"])


def test_friction_is_that_of_a_fluids_library(published: Published) -> None:
    records = [record for name, record in published.items() if name.startswith("colebrook")]
    assert len(records) == 7
    for record in records:
        given_ = record["inputs"]
        factor = friction_factor(given_["reynolds"], given_["relative_roughness"])
        assert float(factor) == pytest.approx(record["expected"], rel=1e-9)


@given(log_reynolds=st.floats(np.log10(4000.0), 8.0), roughness=st.floats(0.0, 0.05))
def test_turbulent_friction_solves_colebrooks_equation(log_reynolds: float, roughness: float) -> None:
    # Colebrook (1939), solved here by bracketing.
    reynolds = 10.0**log_reynolds

    def colebrook(factor: float) -> float:
        return factor**-0.5 + 2.0 * np.log10(roughness / 3.7 + 2.51 / (reynolds * factor**0.5))

    factor = float(friction_factor(reynolds, roughness))
    assert factor == pytest.approx(brentq(colebrook, 1e-3, 1.0, xtol=1e-14), rel=1e-9)


@pytest.mark.parametrize("reynolds", [2300.0, 4000.0])
def test_laminar_and_turbulent_friction_join_without_a_step(reynolds: float) -> None:
    below, above = friction_factor([reynolds * (1 - 1e-9), reynolds * (1 + 1e-9)], 0.001)
    assert below == pytest.approx(above, rel=1e-6)


def test_slow_flow_in_a_pipe_is_poiseuilles() -> None:
    # Hagen-Poiseuille: dp = 128 mu L Q / (pi d4), here at Re near 560.
    duct = RoundDuct(10.0, 0.1)
    flow = 2.4 / 3600.0
    expected = 128.0 * duct.air.viscosity_pa_s * 10.0 * flow / (np.pi * 0.1**4)
    assert float(duct(2.4)) == pytest.approx(expected, rel=1e-9)


def test_round_ducts_agree_with_the_friction_chart_of_the_trade(published: Published) -> None:
    # Common practice, no source: airflow at 0.1 in.w.c. per 100 ft.
    record = published["duct_chart"]
    for inches, airflow in zip(record["inputs"]["in"], record["expected"], strict=True):
        drop = float(RoundDuct(100.0 * FOOT_M, inches * INCH_M)(airflow * M3H_PER_CFM))
        assert drop / PA_PER_INCH_WATER == pytest.approx(0.1, rel=0.05)


def test_californias_return_ducts_are_a_low_velocity_design(published: Published) -> None:
    # Table 150.0-B and C at 350 cfm per ton: every duct stays below the 700 fpm that is held good for returns
    # (common practice, no source), and every filter grille between 145 and 180 fpm as the records compute.
    for name, record in published.items():
        if not name.startswith("t24_ret"):
            continue
        *diameters, area = record["expected"]
        airflow = 350.0 * record["inputs"]["tons"] * M3H_PER_CFM
        bore = sum(np.pi / 4.0 * (inches * INCH_M) ** 2 for inches in diameters)
        assert airflow / 3600.0 / bore / FPM < 700.0
        assert 145.0 < airflow / 3600.0 / (area * INCH_M**2) / FPM < 180.0


@pytest.mark.parametrize("record", ["borda_0.3", "borda_0.5", "borda_0.8"])
def test_a_sudden_widening_is_bordas(record: str, published: Published) -> None:
    ratio = published[record]["inputs"]["diameter_ratio"] ** 2
    assert expansion_loss(ratio) == pytest.approx(published[record]["expected"], abs=published[record]["tolerance"])


def test_losses_vanish_where_the_area_does_not_change_and_are_largest_into_nothing() -> None:
    # Weisbach's 0.5 from a large plenum; a free jet loses its whole velocity pressure.
    assert (contraction_loss(1.0), expansion_loss(1.0)) == (0.0, 0.0)
    assert (contraction_loss(0.0), expansion_loss(0.0)) == (0.5, 1.0)


@given(one=curves, other=curves, airflow=airflows)
def test_in_series_drops_add_and_order_does_not_matter(one: DuctCurve, other: DuctCurve, airflow: float) -> None:
    expected = float(one(airflow)) + float(other(airflow))
    assert float(series(one, other)(airflow)) == pytest.approx(expected)
    assert float(series(other, one)(airflow)) == pytest.approx(expected)


@given(one=curves, other=curves, third=curves, airflow=st.floats(1.0, 6000.0))
def test_in_parallel_one_drop_serves_all_and_airflows_add(
    one: DuctCurve, other: DuctCurve, third: DuctCurve, airflow: float
) -> None:
    branches = (one, other, third)
    shares = split(branches, airflow)
    drops = [float(branch(share)) for branch, share in zip(branches, shares, strict=True)]
    assert float(shares.sum()) == pytest.approx(airflow, rel=1e-12)
    assert drops == pytest.approx([drops[0]] * 3, rel=1e-6)
    assert float(parallel(*branches)(airflow)) <= min(float(branch(airflow)) for branch in branches) * (1 + 1e-9)


@given(curve=curves, count=st.integers(1, 5), airflow=airflows)
def test_equal_filters_side_by_side_share_the_air_equally(curve: DuctCurve, count: int, airflow: float) -> None:
    assert float(parallel(*[curve] * count)(airflow)) == pytest.approx(float(curve(airflow / count)))


def test_two_square_law_branches_add_as_conductances_do() -> None:
    # Closed form: Q = sqrt(dp) (c1 + c2) with c = Q1 / sqrt(dp1).
    one, other = DuctCurve(1000.0, 100.0), DuctCurve(1000.0, 25.0)
    together = float(parallel(one, other)(1500.0))
    assert together == pytest.approx((1500.0 / (1000.0 / 10.0 + 1000.0 / 5.0)) ** 2)


@given(
    curve=st.one_of(curves, st.builds(RoundDuct, st.floats(0.0, 30.0), st.floats(0.1, 0.6))),
    pair=st.tuples(airflows, airflows),
)
def test_more_air_never_drops_less_and_no_air_drops_nothing(curve: Any, pair: tuple[float, float]) -> None:
    less, more = curve(np.array(sorted(pair)))
    assert 0.0 <= less <= more * (1 + 1e-12)
    assert float(curve(0.0)) == 0.0


def test_a_remote_cabinet_is_its_filter_and_the_ducts_there_and_back() -> None:
    media = DuctCurve(2000.0, 30.0, exponent=1.3)
    there = RoundDuct(6.0, 0.4, loss_coefficient=2 * 0.22 + contraction_loss(0.0))
    back = RoundDuct(6.0, 0.4, loss_coefficient=2 * 0.22 + expansion_loss(0.0))
    cabinet = series(there, media, back)
    assert float(cabinet(2000.0)) == pytest.approx(sum(float(part(2000.0)) for part in (there, media, back)))
    # 2,000 m3/h in 16 in is 870 fpm: common practice holds such a run to a tenth of an inch or two.
    assert 0.05 < float(cabinet(2000.0)) / PA_PER_INCH_WATER - 30.0 / PA_PER_INCH_WATER < 0.2


@given(covered=st.floats(0.0, 0.9), more=st.floats(0.0, 0.9), airflow=st.floats(100.0, 4000.0))
def test_covering_more_of_a_coil_never_drops_less_nor_heats_more(covered: float, more: float, airflow: float) -> None:
    less, most = sorted((covered, more))
    some, much = (PartlyCoveredCoil(2000.0, 60.0, 0.4, fraction) for fraction in (less, most))
    assert float(some(airflow)) <= float(much(airflow)) * (1 + 1e-12)
    assert much.capacity_ratio() <= some.capacity_ratio() * (1 + 1e-12) <= 1.0 + 1e-9


def test_a_third_of_the_coil_covered_costs_drop_and_capacity() -> None:
    # Common practice, no source: a makeshift transition that covers a third of the face loses capacity accordingly.
    # Covered fins exchange no heat, so capacity lies between the open two thirds and the whole; the drop of the open
    # part at half as much velocity again is at least 1.5^1.8 = 2.07 of the free coil's.
    coil = PartlyCoveredCoil(2000.0, 60.0, 0.4, covered_fraction=1.0 / 3.0)
    assert float(coil(2000.0)) > 60.0 * 1.5**1.8
    assert 2.0 / 3.0 < coil.capacity_ratio() < 0.96
    assert 2.0 / 3.0 < coil.capacity_ratio(airflow_ratio=0.85) < coil.capacity_ratio()
    assert PartlyCoveredCoil(2000.0, 60.0, 0.4).capacity_ratio() == pytest.approx(1.0)
    assert float(PartlyCoveredCoil(2000.0, 60.0, 0.4)(2000.0)) == pytest.approx(60.0)


def test_ducts_at_altitude_drop_with_the_density() -> None:
    duct = DuctCurve(2000.0, 100.0)
    assert float(duct.at_density(0.83)(2000.0)) == pytest.approx(83.0)


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: DuctCurve(0.0, 100.0), "duct curve airflow"),
        (lambda: DuctCurve(2000.0, -1.0), "duct curve pressure: -1"),
        (lambda: DuctCurve(2000.0, 1.0, 5.0), "duct curve exponent: 5 is out of range; give 1 to 2.2"),
        (lambda: DuctCurve(2000.0, 100.0)(-1.0), "airflow: -1"),
        (lambda: DuctCurve(2000.0, 100.0)(float("nan")), "airflow"),
        (lambda: Fitting(-1.0, 0.1), "loss coefficient"),
        (lambda: Fitting(1.0, 0.0), "fitting area"),
        (lambda: RoundDuct(10.0, 0.0), "duct diameter"),
        (lambda: RoundDuct(10.0, 0.1, roughness_m=0.01), "duct roughness"),
        (lambda: PartlyCoveredCoil(2000.0, 60.0, 0.4, 1.0), "covered fraction of the coil"),
        (lambda: PartlyCoveredCoil(2000.0, 60.0, 0.4).capacity_ratio(bypass_factor=0.0), "bypass factor"),
        (lambda: equivalent_diameter_m(2.0, 0.1), "longer over shorter"),
        (lambda: friction_factor(-1.0, 0.0), "Reynolds number"),
        (lambda: contraction_loss(1.5), "area ratio"),
        (series, "none given"),
        (parallel, "none given"),
        (lambda: parallel(DuctCurve(1.0, 0.0), DuctCurve(1.0, 1.0))(5.0), "a branch has no drop"),
    ],
)
def test_an_impossible_resistance_is_refused_by_name_and_fix(call: Any, told: str) -> None:
    with pytest.raises(ValueError, match=re.escape(told)):
        call()
