"""Conversions at the edge: exact factors, both ways, nothing lost."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.units import (
    INCH_POUND_UNIT,
    INSIDE_UNIT,
    Quantity,
    UnknownUnitError,
    from_inside,
    to_inside,
    unit,
)

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "units.json").read_text(encoding="utf-8"))
PUBLISHED: dict[str, dict[str, Any]] = {record["id"]: record for record in REFERENCE}

WRITTEN = [
    (Quantity.CONCENTRATION, ("ug/m3", "µg/m³", "mg/m3")),
    (Quantity.AIRFLOW, ("m3/h", "cfm", "L/s", "m3/s")),
    (Quantity.RATE, ("1/h",)),
    (Quantity.EMISSION, ("ug/h", "mg/min")),
    (Quantity.PRESSURE, ("Pa", "in.w.c.", "hPa", "kPa")),
    (Quantity.LENGTH, ("m", "ft", "in", "cm", "mm")),
    (Quantity.AREA, ("m2", "ft2", "in2", "cm2")),
    (Quantity.VOLUME, ("m3", "ft3")),
    (Quantity.DIAMETER, ("um",)),
    (Quantity.VELOCITY, ("m/s", "fpm", "mph", "km/h")),
    (Quantity.POWER, ("W", "kW", "ton", "Btu/h")),
    (Quantity.ENERGY, ("kWh", "Wh")),
    (Quantity.TEMPERATURE, ("degC", "degF", "K")),
    (Quantity.DURATION, ("h", "min", "s", "d")),
    (Quantity.FRACTION, ("1", "%")),
    (Quantity.MASS, ("mg", "g", "ug")),
]
PAIRS = [(quantity, symbol) for quantity, symbols in WRITTEN for symbol in symbols]


def number(record: str) -> tuple[float, float]:
    return PUBLISHED[record]["expected"], PUBLISHED[record]["tolerance"]


def test_one_inch_of_water_is_the_published_number_of_pascals() -> None:
    expected, tolerance = number("inwc_conv")
    assert to_inside(1.0, "in.w.c.", Quantity.PRESSURE) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize("record", [record for record in PUBLISHED if record.startswith("inwc_0")])
def test_inches_of_water_are_converted_as_published(record: str) -> None:
    expected, tolerance = number(record)
    inches = PUBLISHED[record]["inputs"]["inwc"]
    assert to_inside(inches, "in.w.c.", Quantity.PRESSURE) == pytest.approx(expected, abs=tolerance)


def test_a_cubic_foot_a_minute_and_a_foot_a_minute_follow_from_the_foot() -> None:
    expected, tolerance = number("cfm_si")
    assert to_inside(1.0, "cfm", Quantity.AIRFLOW) / 3600.0 == pytest.approx(expected, abs=tolerance)
    assert to_inside(1.0, "fpm", Quantity.VELOCITY) == pytest.approx(PUBLISHED["fpm_si"]["expected"], rel=1e-12)


def test_a_litre_a_second_is_two_and_an_eighth_cfm() -> None:
    expected, tolerance = number("lbnl_cfmLs")
    litre = to_inside(1.0, "L/s", Quantity.AIRFLOW)
    assert from_inside(litre, "cfm", Quantity.AIRFLOW) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize("record", [record for record in PUBLISHED if record.startswith("cfmton")])
def test_cfm_per_ton_is_litres_a_second_per_kilowatt_as_published(record: str) -> None:
    expected, tolerance = number(record)
    airflow = to_inside(float(PUBLISHED[record]["inputs"]["cfm_per_ton"]), "cfm", Quantity.AIRFLOW)
    per_watt = from_inside(airflow, "L/s", Quantity.AIRFLOW) / to_inside(1.0, "ton", Quantity.POWER)
    assert per_watt * 1000.0 == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize("record", [record for record in PUBLISHED if record.startswith("cadr")])
def test_clean_air_of_airflow_efficiency_and_runtime_is_the_same_in_both_systems(record: str) -> None:
    given_ = PUBLISHED[record]["inputs"]
    in_cfm, in_m3h = PUBLISHED[record]["expected"]
    clean = to_inside(given_["cfm"], "cfm", Quantity.AIRFLOW) * given_["eff"] * given_["runtime"]
    assert clean == pytest.approx(in_m3h, abs=0.01)
    assert from_inside(clean, "cfm", Quantity.AIRFLOW) == pytest.approx(in_cfm, abs=0.01)


def test_fixed_points_of_the_temperature_scales() -> None:
    # Definitions: water freezes at 32 degF, boils at 212 degF; -40 is where the scales meet; 0 degC is 273.15 K.
    degrees = to_inside(np.array([32.0, 212.0, -40.0]), "degF", Quantity.TEMPERATURE)
    assert degrees == pytest.approx([0.0, 100.0, -40.0])
    assert to_inside(273.15, "K", Quantity.TEMPERATURE) == pytest.approx(0.0)


def test_a_mile_an_hour_and_a_ton_are_exact() -> None:
    # NIST SP 811 (2008), appendix B: mile = 1609.344 m; ton of refrigeration (12,000 Btu_IT/h) = 3.516853 kW.
    assert to_inside(1.0, "mph", Quantity.VELOCITY) == pytest.approx(1609.344 / 3600.0, rel=1e-12)
    assert to_inside(1.0, "ton", Quantity.POWER) == pytest.approx(3516.853, abs=0.001)


@pytest.mark.parametrize(("quantity", "symbol"), PAIRS)
@settings(max_examples=30)
@given(value=st.floats(-1e9, 1e9))
def test_there_and_back_is_the_same_number(quantity: Quantity, symbol: str, value: float) -> None:
    there = to_inside(value, symbol, quantity)
    assert from_inside(there, symbol, quantity) == pytest.approx(value, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(("quantity", "symbol"), PAIRS)
@settings(max_examples=15)
@given(values=st.lists(st.floats(-1e6, 1e6), max_size=4))
def test_an_array_is_converted_element_by_element(quantity: Quantity, symbol: str, values: list[float]) -> None:
    together = to_inside(np.array(values, dtype=np.float64), symbol, quantity)
    assert together.tolist() == [to_inside(value, symbol, quantity) for value in values]


@pytest.mark.parametrize("quantity", list(Quantity))
def test_every_quantity_has_one_inside_unit_that_changes_nothing(quantity: Quantity) -> None:
    inside = unit(INSIDE_UNIT[quantity], quantity)
    assert (inside.scale, inside.offset) == (1.0, 0.0)
    assert unit(INCH_POUND_UNIT[quantity], quantity).quantity is quantity


@given(symbol=st.text(max_size=8), quantity=st.sampled_from(list(Quantity)))
def test_an_unknown_unit_is_answered_with_those_that_exist(symbol: str, quantity: Quantity) -> None:
    try:
        assert unit(symbol, quantity).quantity is quantity
    except UnknownUnitError as error:
        assert repr(symbol) in str(error)
        assert INSIDE_UNIT[quantity] in str(error)


def test_a_unit_of_another_quantity_is_refused() -> None:
    with pytest.raises(UnknownUnitError, match=r"'cfm' is not a unit of pressure; write one of Pa, in\.w\.c\."):
        to_inside(1.0, "cfm", Quantity.PRESSURE)
