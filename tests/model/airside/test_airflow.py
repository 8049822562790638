"""Airflow from what can be measured on site."""

import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motemodel.airside import (
    STANDARD_DENSITY_KG_M3,
    Blower,
    BlowerFamily,
    DuctCurve,
    airflow_from_drop,
    airflow_from_temperature_rise,
    density_ratio,
)
from motemodel.airside.airflow import SPECIFIC_HEAT_J_KG_K
from motemodel.particles import Air
from motemodel.units import M3H_PER_CFM, Quantity, to_inside

Published = dict[str, dict[str, Any]]


def test_the_trades_heat_constant_is_density_times_specific_heat(published: Published) -> None:
    record = published["c108"]
    watts_per_m3h_kelvin = STANDARD_DENSITY_KG_M3 * SPECIFIC_HEAT_J_KG_K / 3600.0
    btu_per_cfm_fahrenheit = watts_per_m3h_kelvin * M3H_PER_CFM * (5.0 / 9.0) / to_inside(1.0, "Btu/h", Quantity.POWER)
    assert btu_per_cfm_fahrenheit == pytest.approx(record["expected"], abs=record["tolerance"])


@pytest.mark.parametrize("record", ["tr1", "tr2", "tr3"])
def test_airflow_by_temperature_rise_is_as_worked_out_in_print(record: str, published: Published) -> None:
    given_ = published[record]["inputs"]
    heat = (
        given_["kW"] * 1000.0
        if "kW" in given_
        else to_inside(given_["Btu_h_in"] * given_["eff"], "Btu/h", Quantity.POWER)
    )
    airflow = float(airflow_from_temperature_rise(heat, given_["dT_F"] * 5.0 / 9.0)) / M3H_PER_CFM
    assert airflow == pytest.approx(published[record]["expected"], abs=published[record]["tolerance"])


def test_thin_air_carries_the_same_heat_in_more_volume() -> None:
    at_sea = float(airflow_from_temperature_rise(18_000.0, 25.0))
    high = Air.at_altitude(1600.0)
    up_high = float(airflow_from_temperature_rise(18_000.0, 25.0, high.density_kg_m3))
    assert up_high / at_sea == pytest.approx(1.0 / density_ratio(high))


def test_density_at_altitude_follows_the_standard_atmosphere(published: Published) -> None:
    record = published["std_atmosphere"]
    for altitude, kilopascals in zip(record["inputs"]["altitude_m"], record["expected"], strict=True):
        expected = kilopascals * 1000.0 / (287.042 * 294.15) / (0.075 * 16.018463)
        assert density_ratio(Air.at_altitude(altitude, 21.0)) == pytest.approx(expected, rel=1e-4)


@given(airflow=st.floats(1.0, 20_000.0), drop=st.floats(1.0, 300.0), exponent=st.floats(1.0, 2.0))
def test_a_calibrated_filter_reads_back_the_airflow_that_made_its_drop(
    airflow: float, drop: float, exponent: float
) -> None:
    calibrated = DuctCurve(2000.0, drop, exponent)
    assert airflow_from_drop(calibrated, float(calibrated(airflow))) == pytest.approx(airflow, rel=1e-6)


def test_no_drop_is_no_airflow() -> None:
    assert airflow_from_drop(DuctCurve(2000.0, 30.0), 0.0) == 0.0


def test_table_and_static_filter_drop_and_temperature_rise_agree_on_one_system() -> None:
    blower = Blower.surveyed(BlowerFamily.CONSTANT_TORQUE, 2000.0, 125.0)
    by_static = float(blower.airflow_m3h(140.0))
    calibrated = DuctCurve(2000.0, 40.0, 1.4)
    by_drop = airflow_from_drop(calibrated, float(calibrated(by_static)))
    heat = by_static * STANDARD_DENSITY_KG_M3 * SPECIFIC_HEAT_J_KG_K * 25.0 / 3600.0
    by_rise = float(airflow_from_temperature_rise(heat, 25.0))
    assert by_drop == pytest.approx(by_static)
    assert by_rise == pytest.approx(by_static)


@given(heat=st.floats(100.0, 1e5), rises=st.tuples(st.floats(2.0, 60.0), st.floats(2.0, 60.0)))
def test_a_larger_rise_means_less_air(heat: float, rises: tuple[float, float]) -> None:
    small, large = airflow_from_temperature_rise(heat, np.array(sorted(rises)))
    assert small >= large > 0.0


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: airflow_from_temperature_rise(10_000.0, 0.0), "temperature rise: 0 is out of range; give 2 to 60 K"),
        (lambda: airflow_from_temperature_rise(float("nan"), 20.0), "heat into the air"),
        (lambda: airflow_from_temperature_rise(10_000.0, 20.0, 0.0), "air density"),
        (lambda: airflow_from_drop(DuctCurve(2000.0, 30.0), -1.0), "measured drop: -1"),
        (lambda: airflow_from_drop(DuctCurve(2000.0, 30.0), 1e9), "measured drop"),
    ],
)
def test_an_impossible_measurement_is_refused_by_name_and_fix(call: Any, told: str) -> None:
    with pytest.raises(ValueError, match=re.escape(told)):
        call()
