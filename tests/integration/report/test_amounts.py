"""Amounts of a comparison in both systems of units: NIST SP 811 (2008), appendix B."""

import pytest

from moteledger.report import plain, quoted, unit_of
from moteledger.settings import Units


@pytest.mark.parametrize(
    ("value", "unit", "inch_pound", "si"),
    [
        # 1 ft3/min = 1.699011 m3/h
        (1699.011, "m3/h", "1,000 cfm", "1,699 m³/h"),
        (594.654, "m3/h per ton", "350 cfm per ton", "595 m³/h per ton"),
        # conventional inch of water = 249.0889 Pa
        (124.54445, "Pa", "0.50 in. w.c.", "125 Pa"),
        # 1 ft/min = 0.00508 m/s
        (2.54, "m/s", "500 fpm", "2.54 m/s"),
        # a difference of 1 K is one of 1.8 degF
        (35.0, "K", "63 °F", "35 K"),
    ],
)
def test_both_systems_are_quoted_the_houses_own_first(value: float, unit: str, inch_pound: str, si: str) -> None:
    assert str(quoted(value, unit, Units.INCH_POUND)) == f"{inch_pound} ({si})"
    assert str(quoted(value, unit, Units.SI)) == f"{si} ({inch_pound})"


def test_what_has_one_unit_is_quoted_once() -> None:
    assert str(quoted(480.0, "W", Units.INCH_POUND)) == "480 W"


def test_a_column_names_its_unit_once() -> None:
    assert plain(1699.011, "m3/h", Units.INCH_POUND) == "1,000"
    assert unit_of("m3/h", Units.INCH_POUND) == "cfm"
    assert plain(124.54445, "Pa", Units.INCH_POUND) == "0.50"
    assert plain(124.54445, "Pa", Units.SI) == "125"
    assert unit_of("Pa", Units.SI) == "Pa"
