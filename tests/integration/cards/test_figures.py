"""Figures are written to the digits they deserve, in the house's own system first, and times as people say them."""

import math
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moteledger.cards.figures import (
    clock,
    decimals_of_interval,
    duration,
    hour_label,
    in_column,
    number,
    per_cent,
    sentence,
    when,
    written,
    written_exact,
)
from moteledger.engine.assessment import Known, NotKnown
from moteledger.settings import Clock, Units

SUPERSCRIPT = str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789")


def parsed(printed: str) -> float:
    """The number that a reader sees."""
    mantissa, _, power = (
        printed.replace(",", "").replace("\N{MINUS SIGN}", "-").partition(" \N{MULTIPLICATION SIGN} 10")
    )
    return float(mantissa) * 10.0 ** float(power.translate(SUPERSCRIPT) if power else 0)


@pytest.mark.parametrize(
    ("value", "half_width", "value_printed", "half_width_printed"),
    [("0.827", 0.119, "0.83", "0.12"), ("0.827", 0.367, "0.8", "0.4")],
)
def test_digits_follow_the_interval_as_the_particle_data_group_rounds(
    value: str, half_width: float, value_printed: str, half_width_printed: str
) -> None:
    """The two worked examples of the Review of Particle Physics, Introduction, section "Rounding"; from memory."""
    decimals = decimals_of_interval(half_width)
    assert number(float(value), decimals) == value_printed
    assert number(half_width, decimals) == half_width_printed


def test_an_interval_just_below_a_power_of_ten_is_rounded_up_and_keeps_two_digits() -> None:
    """Same source: between 950 and 999 one rounds up to 1000 and keeps two significant digits."""
    assert number(0.0957, decimals_of_interval(0.0957)) == "0.10"


@given(st.floats(-1e307, 1e307))
def test_a_printed_number_is_the_number_to_its_last_digit(value: float) -> None:
    assert math.isclose(parsed(number(value)), value, rel_tol=6e-3, abs_tol=1e-320)


@given(
    st.floats(-1e6, 1e6),
    st.floats(0.0, 1e6),
    st.sampled_from(["ug/m3", "m3/h", "Pa", "1", "kWh", "furlong"]),
    st.sampled_from(list(Units)),
)
def test_no_figure_is_printed_farther_from_the_truth_than_a_tenth_of_its_interval(
    value: float, half_width: float, unit: str, system: Units
) -> None:
    figure = Known(value=value, low=value - half_width, high=value + half_width, unit=unit)
    shown = written(figure, Units.SI)
    assert shown.interval == (figure.low, figure.high)
    slack = max((figure.high - figure.low) / 2.0 * 0.15, 6e-3 * abs(value), 5e-7)
    assert abs(parsed(shown.first.number) - value) <= slack
    both = written(figure, system)
    assert {both.first, both.other} == {shown.first, shown.other}


def test_airflow_and_pressure_stand_in_both_systems_with_the_house_s_own_first() -> None:
    """1 ft3/min = 4.719474E-4 m3/s; 1 conventional inch of water = 249.0889 Pa: NIST SP 811 (2008), appendix B.9."""
    airflow = Known(value=1000 * 4.719474e-4 * 3600, low=1500, high=1900, unit="m3/h")
    shown = written(airflow, Units.INCH_POUND)
    assert (shown.first.number, shown.first.unit) == ("1,000", "cfm")
    assert shown.other is not None
    assert (shown.other.number, shown.other.unit) == ("1,699", "m³/h")
    # -0.2 Pa are -0.0008 in. w.c., and no gauge shows more than thousandths of these; there is no nought below nought.
    little = {value: written_exact(value, "Pa", Units.INCH_POUND) for value in (-0.2, -0.04, 0.234, 12.345)}
    told = {value: (each.first.number, each.other.number) for value, each in little.items() if each.other is not None}
    assert told == {
        -0.2: ("\N{MINUS SIGN}0.001", "\N{MINUS SIGN}0.2"),
        -0.04: ("0", "0"),
        0.234: ("0.001", "0.2"),
        12.345: ("0.05", "12.3"),
    }
    pressure = written_exact(0.5 * 249.0889, "Pa", Units.SI)
    assert (pressure.first.number, pressure.first.unit) == ("125", "Pa")
    assert pressure.other is not None
    assert (pressure.other.number, pressure.other.unit) == ("0.5", "in. w.c.")


def test_what_is_the_same_in_both_systems_is_written_once() -> None:
    assert written(Known(value=8, low=7, high=9, unit="ug/m3"), Units.INCH_POUND).other is None


def test_an_efficiency_is_printed_in_per_cent_and_kept_as_the_document_has_it() -> None:
    shown = written(Known(value=0.41, low=0.35, high=0.47, unit="1"), Units.SI, percent=True)
    assert (shown.first.number, shown.first.unit, shown.first.low, shown.first.high) == ("41", "%", "35", "47")
    assert shown.value == 0.41


def test_what_is_not_known_is_written_as_its_reason() -> None:
    shown = written(NotKnown(reason="the fan never rested"), Units.SI)
    assert shown.value is None
    assert shown.reason == "the fan never rested"
    assert shown.first.number == ""


def test_a_column_keeps_its_decimals_and_a_small_amount_its_first_digit() -> None:
    column = [in_column(written_exact(mass, "mg", Units.SI), 1).first.number for mass in (218.44, 7.0, 0.0, 0.0031)]
    assert column == ["218.4", "7.0", "0.0", "0.003"]


def test_numbers_have_grouped_thousands_a_true_minus_and_never_a_negative_zero() -> None:
    assert number(12_345_678.0).startswith("1.23 \N{MULTIPLICATION SIGN} 10")
    assert number(-1234.5) == "\N{MINUS SIGN}1,234"
    assert number(-0.0) == "0"
    assert number(-0.001, 1) == "0.0"
    assert per_cent(0.5) == "50\N{NO-BREAK SPACE}%"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("the fan rests", "The fan rests."),
        ("Is it so?", "Is it so?"),
        ("  ", ""),
        ("a", "A."),
        ("Wait…", "Wait…"),
        ("air_handler.filter_drop is missing", "air_handler.filter_drop is missing."),
        ("shut. Then rest", "Shut. Then rest."),
    ],
)
def test_text_becomes_a_sentence(text: str, said: str) -> None:
    assert sentence(text) == said


def test_near_times_are_said_by_the_day_and_far_ones_by_the_date() -> None:
    now = datetime(2025, 12, 31, 12, tzinfo=UTC)
    zone = ZoneInfo("Etc/GMT-1")
    assert when(now, now, zone) == "13:00"
    assert when(now + timedelta(hours=12), now, zone) == "01:00 tomorrow"
    assert when(now - timedelta(days=1), now, zone) == "13:00 yesterday"
    assert when(now - timedelta(days=8), now, zone) == "13:00 on Tue 23 Dec"
    assert when(now + timedelta(days=8), now, zone) == "13:00 on 8 Jan 2026"
    assert date(2025, 12, 23).isoweekday() == 2


@pytest.mark.parametrize(
    ("span", "said"),
    [
        (timedelta(minutes=200), "3 h 20 min"),
        (timedelta(days=1), "1 day"),
        (timedelta(days=2, hours=3, minutes=5), "2 days 3 h"),
        (timedelta(seconds=-5), "0 min"),
    ],
)
def test_spans_are_said_in_their_two_leading_units(span: timedelta, said: str) -> None:
    assert duration(span) == said


@pytest.mark.parametrize(
    ("hour", "told"),
    [(0, "12:05\N{NO-BREAK SPACE}am"), (12, "12:05\N{NO-BREAK SPACE}pm"), (18, "6:05\N{NO-BREAK SPACE}pm")],
)
def test_a_twelve_hour_clock_calls_midnight_and_noon_twelve(hour: int, told: str) -> None:
    assert clock(datetime(2025, 6, 1, hour, 5, tzinfo=UTC), ZoneInfo("UTC"), Clock.H12) == told
    assert hour_label(24, Clock.H12) == "12\N{NO-BREAK SPACE}am"


def test_the_hour_that_a_clock_set_back_shows_twice_is_told_apart_by_its_zone() -> None:
    """Europe/Vienna went from CEST to CET on 26 October 2025 at 01:00 UTC (IANA time zone database)."""
    zone, change = ZoneInfo("Europe/Vienna"), datetime(2025, 10, 26, 1, tzinfo=UTC)
    told = [clock(change + timedelta(minutes=minutes), zone) for minutes in (-90, -30, 30, 90)]
    assert told == ["01:30", "02:30\N{NO-BREAK SPACE}CEST", "02:30\N{NO-BREAK SPACE}CET", "03:30"]
    spring = datetime(2025, 3, 30, 1, tzinfo=UTC)
    assert [clock(spring + timedelta(minutes=minutes), zone) for minutes in (-30, 30)] == ["01:30", "03:30"]
