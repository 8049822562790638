"""Conversions at the edge: inside the code every quantity has one fixed unit.

Exact definitions: the international foot (0.3048 m) and pound, NIST SP 811 (2008) appendix B; the conventional inch of
water, 249.08891 Pa, same appendix. The refrigeration ton is 12,000 Btu(IT)/h.

>>> round(to_inside(1200, "cfm", Quantity.AIRFLOW), 1)
2038.8
>>> from_inside(124.544455, "in.w.c.", Quantity.PRESSURE)
0.5
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", float, NDArray[np.float64])

FOOT_M = 0.3048
INCH_M = 0.0254
PA_PER_INCH_WATER = 249.08891
M3H_PER_CFM = FOOT_M**3 * 60.0
SECONDS_PER_HOUR = 3600.0
W_PER_TON = 12_000.0 * 0.293_071_070_172


class Quantity(StrEnum):
    """What a number measures; each has one unit inside the code (see `INSIDE_UNIT`)."""

    CONCENTRATION = "concentration"
    AIRFLOW = "airflow"
    RATE = "rate"
    EMISSION = "emission"
    PRESSURE = "pressure"
    LENGTH = "length"
    AREA = "area"
    VOLUME = "volume"
    DIAMETER = "particle diameter"
    VELOCITY = "velocity"
    POWER = "power"
    ENERGY = "energy"
    TEMPERATURE = "temperature"
    HUMIDITY = "relative humidity"
    CARBON_DIOXIDE = "carbon dioxide"
    DURATION = "duration"
    FRACTION = "fraction"
    MASS = "mass"
    STATE = "state"


@dataclass(frozen=True)
class Unit:
    """A unit people write: inside value = scale * written value + offset."""

    symbol: str
    quantity: Quantity
    scale: float
    offset: float = 0.0
    also_written: tuple[str, ...] = ()


class UnknownUnitError(ValueError):
    """A unit that does not exist or does not measure the quantity asked for; the message lists those that do."""


# Per quantity: the inside unit first, the inch-pound unit second where it differs.
_UNITS = (
    Unit("ug/m3", Quantity.CONCENTRATION, 1.0, also_written=("µg/m3", "μg/m3", "µg/m³", "μg/m³", "ug/m³")),
    Unit("mg/m3", Quantity.CONCENTRATION, 1000.0, also_written=("mg/m³",)),
    Unit("m3/h", Quantity.AIRFLOW, 1.0, also_written=("m³/h",)),
    Unit("cfm", Quantity.AIRFLOW, M3H_PER_CFM, also_written=("CFM", "ft3/min")),
    Unit("L/s", Quantity.AIRFLOW, 3.6, also_written=("l/s",)),
    Unit("m3/s", Quantity.AIRFLOW, 3600.0, also_written=("m³/s",)),
    Unit("1/h", Quantity.RATE, 1.0, also_written=("/h", "h-1")),
    Unit("ug/h", Quantity.EMISSION, 1.0, also_written=("µg/h", "μg/h")),
    Unit("mg/min", Quantity.EMISSION, 60_000.0),
    Unit("Pa", Quantity.PRESSURE, 1.0),
    Unit(
        "in.w.c.", Quantity.PRESSURE, PA_PER_INCH_WATER, also_written=("inwc", "in.wc", "in w.c.", "inH2O", "in.w.g.")
    ),
    Unit("hPa", Quantity.PRESSURE, 100.0),
    Unit("kPa", Quantity.PRESSURE, 1000.0),
    Unit("m", Quantity.LENGTH, 1.0),
    Unit("ft", Quantity.LENGTH, FOOT_M),
    Unit("in", Quantity.LENGTH, INCH_M),
    Unit("cm", Quantity.LENGTH, 0.01),
    Unit("mm", Quantity.LENGTH, 0.001),
    Unit("m2", Quantity.AREA, 1.0, also_written=("m²",)),
    Unit("ft2", Quantity.AREA, FOOT_M**2, also_written=("ft²", "sqft", "sq ft")),
    Unit("in2", Quantity.AREA, INCH_M**2, also_written=("in²",)),
    Unit("cm2", Quantity.AREA, 1e-4, also_written=("cm²",)),
    Unit("m3", Quantity.VOLUME, 1.0, also_written=("m³",)),
    Unit("ft3", Quantity.VOLUME, FOOT_M**3, also_written=("ft³",)),
    Unit("um", Quantity.DIAMETER, 1.0, also_written=("µm", "μm")),
    Unit("m/s", Quantity.VELOCITY, 1.0),
    Unit("fpm", Quantity.VELOCITY, FOOT_M / 60.0, also_written=("ft/min",)),
    Unit("mph", Quantity.VELOCITY, 0.44704),
    Unit("km/h", Quantity.VELOCITY, 1.0 / 3.6),
    Unit("W", Quantity.POWER, 1.0),
    Unit("kW", Quantity.POWER, 1000.0),
    Unit("ton", Quantity.POWER, W_PER_TON, also_written=("tons",)),
    Unit("Btu/h", Quantity.POWER, 0.293_071_070_172, also_written=("BTU/h", "btu/h")),
    Unit("kWh", Quantity.ENERGY, 1.0),
    Unit("Wh", Quantity.ENERGY, 0.001),
    Unit("degC", Quantity.TEMPERATURE, 1.0, also_written=("Cel", "°C", "C")),
    Unit("degF", Quantity.TEMPERATURE, 5.0 / 9.0, -160.0 / 9.0, also_written=("°F", "F")),
    Unit("K", Quantity.TEMPERATURE, 1.0, -273.15),
    Unit("%RH", Quantity.HUMIDITY, 1.0, also_written=("%", "%rh")),
    Unit("ppm", Quantity.CARBON_DIOXIDE, 1.0),
    Unit("h", Quantity.DURATION, 1.0),
    Unit("min", Quantity.DURATION, 1.0 / 60.0),
    Unit("s", Quantity.DURATION, 1.0 / 3600.0),
    Unit("d", Quantity.DURATION, 24.0, also_written=("day", "days")),
    Unit("1", Quantity.FRACTION, 1.0),
    Unit("%", Quantity.FRACTION, 0.01),
    Unit("mg", Quantity.MASS, 1.0),
    Unit("g", Quantity.MASS, 1000.0),
    Unit("ug", Quantity.MASS, 0.001, also_written=("µg", "μg")),
    Unit("0..1", Quantity.STATE, 1.0, also_written=("1", "/")),
)

INSIDE_UNIT: dict[Quantity, str] = {}
_BY_SYMBOL: dict[tuple[Quantity, str], Unit] = {}
for _unit in _UNITS:
    INSIDE_UNIT.setdefault(_unit.quantity, _unit.symbol)
    for _symbol in (_unit.symbol, *_unit.also_written):
        _BY_SYMBOL[_unit.quantity, _symbol] = _unit

INCH_POUND_UNIT: dict[Quantity, str] = INSIDE_UNIT | {
    Quantity.AIRFLOW: "cfm",
    Quantity.EMISSION: "mg/min",
    Quantity.PRESSURE: "in.w.c.",
    Quantity.LENGTH: "ft",
    Quantity.AREA: "ft2",
    Quantity.VOLUME: "ft3",
    Quantity.VELOCITY: "fpm",
    Quantity.TEMPERATURE: "degF",
}


def unit(symbol: str, quantity: Quantity) -> Unit:
    """The unit written `symbol` for `quantity`; raises UnknownUnitError naming the accepted ones."""
    found = _BY_SYMBOL.get((quantity, symbol.strip()))
    if found is None:
        accepted = ", ".join(known.symbol for known in _UNITS if known.quantity is quantity)
        raise UnknownUnitError(f"{symbol!r} is not a unit of {quantity.value}; write one of {accepted}")
    return found


def to_inside(value: Number, symbol: str, quantity: Quantity) -> Number:
    """Convert a written value (scalar or array) to the inside unit of `quantity`."""
    written = unit(symbol, quantity)
    return value * written.scale + written.offset


def from_inside(value: Number, symbol: str, quantity: Quantity) -> Number:
    """Convert a value (scalar or array) in the inside unit of `quantity` to the unit written `symbol`."""
    written = unit(symbol, quantity)
    return (value - written.offset) / written.scale
