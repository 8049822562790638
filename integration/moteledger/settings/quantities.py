"""Quantities as people write them in a house file: a number and its unit in one string, such as "1200 cfm"."""

import re
from typing import Annotated

from pydantic import BeforeValidator, Field

from motemodel.units import INCH_POUND_UNIT, INSIDE_UNIT, Quantity, UnknownUnitError, from_inside, to_inside

_WRITTEN = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S.*?)?\s*")
_EXAMPLE = {
    Quantity.CONCENTRATION: 9.0,
    Quantity.AIRFLOW: 2000.0,
    Quantity.PRESSURE: 125.0,
    Quantity.LENGTH: 2.4,
    Quantity.AREA: 180.0,
    Quantity.VOLUME: 430.0,
    Quantity.POWER: 400.0,
    Quantity.TEMPERATURE: 21.0,
    Quantity.DURATION: 1.0,
    Quantity.MASS: 60_000.0,
    Quantity.EMISSION: 2000.0,
    Quantity.VELOCITY: 3.0,
    Quantity.ENERGY: 1.5,
}


def _example(quantity: Quantity) -> str:
    inside = _EXAMPLE.get(quantity, 1.0)
    first, second = INSIDE_UNIT[quantity], INCH_POUND_UNIT[quantity]
    told = f'"{inside:g} {first}"'
    return told if first == second else f'{told} or "{from_inside(inside, second, quantity):.4g} {second}"'


def parse(written: object, quantity: Quantity) -> float:
    """The inside value of a written quantity, for example parse("0.5 in.w.c.", Quantity.PRESSURE) -> 124.54 (Pa).

    Raises ValueError naming what was written and how to write it.
    """
    if isinstance(written, bool) or not isinstance(written, (str, int, float)):
        raise ValueError(f"expected a {quantity.value} with its unit, such as {_example(quantity)}")
    match = _WRITTEN.fullmatch(str(written))
    if match is None:
        raise ValueError(f"{written!r} is not a number and a unit; write for example {_example(quantity)}")
    number, symbol = match.groups()
    if symbol is None:
        raise ValueError(f"{written!r} has no unit; write for example {_example(quantity)}")
    try:
        return to_inside(float(number), symbol, quantity)
    except UnknownUnitError as error:
        raise ValueError(f"{written!r}: {error}") from None


def _validator(quantity: Quantity) -> BeforeValidator:
    return BeforeValidator(lambda written: parse(written, quantity))


def _difference(written: object) -> float:
    """A difference of temperatures: 70 degF is 38.9 K, the zero of the scale playing no part."""
    symbol = str(written).strip().lstrip("+-.0123456789eE ").strip()
    return parse(written, Quantity.TEMPERATURE) - parse(f"0 {symbol}", Quantity.TEMPERATURE)


Concentration = Annotated[float, _validator(Quantity.CONCENTRATION), Field(ge=0, le=1000)]
Airflow = Annotated[float, _validator(Quantity.AIRFLOW), Field(ge=1, le=50_000)]
Pressure = Annotated[float, _validator(Quantity.PRESSURE), Field(gt=0, le=2_500)]
Static = Annotated[float, _validator(Quantity.PRESSURE), Field(ge=0, le=1_000)]
Length = Annotated[float, _validator(Quantity.LENGTH), Field(gt=0, le=1_000)]
Altitude = Annotated[float, _validator(Quantity.LENGTH), Field(ge=-430, le=5_500)]
Area = Annotated[float, _validator(Quantity.AREA), Field(gt=0, le=10_000)]
Power = Annotated[float, _validator(Quantity.POWER), Field(gt=0, le=500_000)]
Temperature = Annotated[float, _validator(Quantity.TEMPERATURE), Field(ge=-70, le=65)]
Duration = Annotated[float, _validator(Quantity.DURATION), Field(gt=0, le=87_600)]
TemperatureRise = Annotated[float, BeforeValidator(_difference), Field(ge=2, le=60)]
Velocity = Annotated[float, _validator(Quantity.VELOCITY), Field(ge=0, le=60)]
Energy = Annotated[float, _validator(Quantity.ENERGY), Field(gt=0, le=1_000)]
Emission = Annotated[float, _validator(Quantity.EMISSION), Field(ge=0, le=1e7)]
Mass = Annotated[float, _validator(Quantity.MASS), Field(gt=0, le=1e8)]
Fraction = Annotated[float, Field(ge=0, le=1)]
