"""Amounts as a comparison quotes them, in both systems of units: velocities, airflow per ton, temperature rises too."""

from dataclasses import dataclass

from motemodel.units import FOOT_M, M3H_PER_CFM, PA_PER_INCH_WATER

from ..cards.figures import number, printed_unit
from ..settings import Units

_INCH_POUND = {
    "m3/h": (M3H_PER_CFM, "cfm"),
    "m3/h per ton": (M3H_PER_CFM, "cfm per ton"),
    "Pa": (PA_PER_INCH_WATER, "in. w.c."),
    "m/s": (FOOT_M / 60.0, "fpm"),
    "K": (5.0 / 9.0, "°F"),
}
_SI = {"m3/h per ton": "m³/h per ton"}
_HUNDREDTHS = "in. w.c."


@dataclass(frozen=True)
class Quoted:
    """An amount as a sentence quotes it: the house's system first, the other where there is one."""

    first: str
    other: str = ""

    def __str__(self) -> str:
        return f"{self.first} ({self.other})" if self.other else self.first


def quoted(value: float, unit: str, system: Units) -> Quoted:
    """An amount in the house's system and in the other.

    >>> str(quoted(124.544455, "Pa", Units.INCH_POUND))
    '0.50 in. w.c. (125 Pa)'
    """
    inside = f"{number(value)} {_SI.get(unit, printed_unit(unit))}"
    if unit not in _INCH_POUND:
        return Quoted(inside)
    per, symbol = _INCH_POUND[unit]
    other = f"{number(value / per, 2 if symbol == _HUNDREDTHS else None)} {symbol}"
    return Quoted(other, inside) if system is Units.INCH_POUND else Quoted(inside, other)


def plain(value: float, unit: str, system: Units) -> str:
    """The bare number in the house's system, for a column whose head names the unit."""
    if system is Units.SI or unit not in _INCH_POUND:
        return number(value, 0 if abs(value) >= 10.0 else None)
    per, symbol = _INCH_POUND[unit]
    converted = value / per
    return number(converted, 2 if symbol == _HUNDREDTHS else 0 if abs(converted) >= 10.0 else None)


def unit_of(unit: str, system: Units) -> str:
    """The unit of a column in the house's system."""
    if system is Units.SI or unit not in _INCH_POUND:
        return _SI.get(unit, printed_unit(unit))
    return _INCH_POUND[unit][1]


def per_printed(unit: str, system: Units) -> float:
    """How many of the inside unit make one of the house's."""
    return _INCH_POUND[unit][0] if system is Units.INCH_POUND and unit in _INCH_POUND else 1.0
