"""How figures and moments are written on the cards: digits, units in both systems, ranges, local times.

A number with a 90 % interval is written to the digits that its interval justifies, by the rounding rule of the Particle
Data Group (Review of Particle Physics, Introduction, "Rounding"); any other number to three significant digits.
"""

import re
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from math import floor, log10
from zoneinfo import ZoneInfo

from motemodel.units import INCH_POUND_UNIT, INSIDE_UNIT, Quantity, from_inside, to_inside

from ..engine.assessment import Figure, Known, NotKnown
from ..settings import Clock, Units

_PRINTED_UNIT = {"ug/m3": "µg/m³", "m3/h": "m³/h", "1/h": "per hour", "1": "", "in.w.c.": "in. w.c."}
_TWO_SYSTEMS = {INSIDE_UNIT[quantity]: quantity for quantity in (Quantity.AIRFLOW, Quantity.PRESSURE)}
_DECIMALS_OF_GAUGES = {"Pa": 1, "in.w.c.": 3}
"""The last that a digital manometer for ducts shows (common practice, no source)."""
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_TIMES, _MINUS = "\N{MULTIPLICATION SIGN}", "\N{MINUS SIGN}"
_DOTTED_NAME = re.compile(r"[a-z_]+\.[a-z]")
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True)
class Amount:
    """A number in one system of units, ready to print; `low` and `high` are empty where it has no interval."""

    number: str
    unit: str
    low: str = ""
    high: str = ""

    @property
    def is_short(self) -> bool:
        """Whether its range is short enough to stand on one line of a narrow column."""
        return len(self.low) + len(self.high) < 16


@dataclass(frozen=True)
class Written:
    """A figure as a card shows it: the document's own value and unit, the print in the house's system and the other.

    `interval` is None for a number without one. A figure that is not known has no `value`, and its `reason` in words.
    """

    value: float | None
    document_unit: str = ""
    interval: tuple[float, float] | None = None
    first: Amount = Amount("", "")
    other: Amount | None = None
    reason: str = ""


def decimals_of_interval(half_width: float) -> int:
    """Decimals that an interval of this half-width justifies (Particle Data Group rounding rule).

    The three leading digits of the half-width decide: up to 354 keep two digits, up to 949 keep one, above that it is
    rounded up to 1000 and keeps two.

    >>> decimals_of_interval(0.119), decimals_of_interval(0.367)
    (2, 1)
    """
    exponent = floor(log10(half_width))
    leading = round(half_width / 10.0 ** (exponent - 2))
    digits = 2 if leading <= 354 else 1
    return max(0, digits - 1 - exponent)


def _decimals_of_value(value: float) -> int:
    return max(0, 2 - floor(log10(abs(value)))) if value else 0


def number(value: float, decimals: int | None = None) -> str:
    """A number with grouped thousands and a true minus sign; powers of ten outside 0.0001 to 10 million.

    Without `decimals` it has three significant digits and no zeros after its last one.

    >>> number(1234.5), number(0.0456), number(15.0), number(15.0, 1), number(2.5e9).endswith("10⁹")
    ('1,234', '0.0456', '15', '15.0', True)
    """
    if value and not 1e-4 <= abs(value) < 1e7:
        mantissa, exponent = f"{value:.2e}".split("e")
        printed = f"{mantissa} {_TIMES} 10{str(int(exponent)).translate(_SUPERSCRIPT)}"
    else:
        printed = f"{value:,.{_decimals_of_value(value) if decimals is None else min(decimals, 6)}f}"
        if decimals is None and "." in printed:
            printed = printed.rstrip("0").rstrip(".")
        if not printed.strip("-0.,"):
            printed = printed.lstrip("-")
    return printed.replace("-", _MINUS)


def _amount(value: float, low: float, high: float, unit: str) -> Amount:
    half_width = (high - low) / 2.0
    decimals = decimals_of_interval(half_width) if 1e-300 < half_width < 1e300 else _decimals_of_value(value)
    return Amount(number(value, decimals), printed_unit(unit), number(low, decimals), number(high, decimals))


def per_cent(fraction: float) -> str:
    """A fraction in whole per cent, kept together on one line."""
    return f"{number(100.0 * fraction, 0)}\N{NO-BREAK SPACE}%"


def printed_unit(symbol: str) -> str:
    """A unit's symbol as it is printed, for example "ug/m3" as "µg/m³"."""
    return _PRINTED_UNIT.get(symbol, symbol)


def decimals_of_column(largest: float) -> int:
    """Decimals of a column of amounts, so that the largest has four digits."""
    return max(0, 3 - floor(log10(largest))) if largest > 0.0 else 0


def in_column(figure: Written, decimals: int) -> Written:
    """A known figure written to the decimals of its column; a small amount keeps its first digit all the same."""
    if figure.value is None:
        return figure
    digits = max(decimals, -floor(log10(abs(figure.value)))) if figure.value else decimals
    low, high = ("", "") if figure.interval is None else (number(each, digits) for each in figure.interval)
    return replace(figure, first=Amount(number(figure.value, digits), figure.first.unit, low, high))


def written(figure: Figure, system: Units, *, percent: bool = False) -> Written:
    """A figure of the document as a card shows it; `percent` prints a plain fraction as per cent."""
    if isinstance(figure, NotKnown):
        return Written(None, reason=figure.reason)
    scale, unit = (100.0, "%") if percent and figure.unit == "1" else (1.0, figure.unit)
    inside = _amount(scale * figure.value, scale * figure.low, scale * figure.high, unit)
    inch_pound = _in_inch_pound(figure)
    first, other = (inch_pound, inside) if inch_pound and system is Units.INCH_POUND else (inside, inch_pound)
    return Written(figure.value, figure.unit, (figure.low, figure.high), first, other)


def _in_inch_pound(figure: Known) -> Amount | None:
    quantity = _TWO_SYSTEMS.get(figure.unit)
    if quantity is None:
        return None
    unit = INCH_POUND_UNIT[quantity]
    value, low, high = (from_inside(each, unit, quantity) for each in (figure.value, figure.low, figure.high))
    return _amount(value, low, high, unit)


def _exact(value: float, unit: str) -> Amount:
    decimals = _DECIMALS_OF_GAUGES.get(unit)
    finer_than_read = decimals is not None and _decimals_of_value(value) > decimals
    return Amount(number(round(value, decimals) if finer_than_read else value), printed_unit(unit))


def written_exact(value: float, unit: str, system: Units) -> Written:
    """A number that has no interval (counted, read, declared or a limit) as a card shows it."""
    inside = _exact(value, unit)
    quantity = _TWO_SYSTEMS.get(unit)
    if quantity is None:
        return Written(value, unit, None, inside)
    symbol = INCH_POUND_UNIT[quantity]
    inch_pound = _exact(from_inside(value, symbol, quantity), symbol)
    first, other = (inch_pound, inside) if system is Units.INCH_POUND else (inside, inch_pound)
    return Written(value, unit, None, first, other)


def printed_scale(unit: str, system: Units) -> tuple[float, str]:
    """How many of the document's unit make one of the unit that the house speaks first, and how that one is printed."""
    quantity = _TWO_SYSTEMS.get(unit)
    if quantity is None or system is Units.SI:
        return 1.0, printed_unit(unit)
    symbol = INCH_POUND_UNIT[quantity]
    return to_inside(1.0, symbol, quantity), printed_unit(symbol)


def sentence(text: str) -> str:
    """Text as a sentence: a capital first, a full stop last where no other stop stands there.

    A name of the house file or of a signal, such as "filter.installed", stays as it is written there.
    """
    text = text.strip()
    if not text:
        return ""
    is_name = _DOTTED_NAME.match(text) is not None
    return (text[0] if is_name else text[0].upper()) + text[1:] + ("" if text[-1] in ".!?…" else ".")


def clock(moment: datetime, zone: ZoneInfo, style: Clock = Clock.H24) -> str:
    """Local time of day, "18:10" or "6:10 pm"; in the hour that a clock set back shows twice, with its zone's name."""
    local = moment.astimezone(zone)
    told = f"{local:%H:%M}" if style is Clock.H24 else f"{local.hour % 12 or 12}:{local:%M}{_half(local.hour)}"
    shown_twice = local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset()
    return f"{told}\N{NO-BREAK SPACE}{local.tzname()}" if shown_twice else told


def hour_label(hour: int, style: Clock = Clock.H24) -> str:
    """An hour of the day on a scale: "06", or "6 am"; 24 is the midnight that ends the day."""
    return f"{hour:02d}" if style is Clock.H24 else f"{hour % 12 or 12}{_half(hour % 24)}"


def _half(hour: int) -> str:
    return "\N{NO-BREAK SPACE}" + ("am" if hour < 12 else "pm")


def day_name(day: date) -> str:
    """A day, for example "Tue 4 Mar"."""
    return f"{_WEEKDAYS[day.weekday()]} {short_day(day)}"


def short_day(day: date) -> str:
    """A day without its weekday, for example "4 Mar"."""
    return f"{day.day} {_MONTHS[day.month - 1]}"


def weekday(day: date) -> str:
    """The day of the week, for example "Tue"."""
    return _WEEKDAYS[day.weekday()]


def full_day(day: date) -> str:
    """A day with its year, for example "4 Mar 2025"."""
    return f"{short_day(day)} {day.year}"


def when(moment: datetime, now: datetime, zone: ZoneInfo, style: Clock = Clock.H24) -> str:
    """Local date and time as people say them near now: "18:10", "06:30 tomorrow", "09:00 on Tue 4 Mar"."""
    day = moment.astimezone(zone).date()
    today = now.astimezone(zone).date()
    near = {today: "", today + timedelta(days=1): " tomorrow", today - timedelta(days=1): " yesterday"}
    return clock(moment, zone, style) + near.get(
        day, f" on {day_name(day)}" if day.year == today.year else f" on {full_day(day)}"
    )


def duration(span: timedelta) -> str:
    """A span in its two leading units, for example "3 h 20 min"."""
    minutes = max(0, round(span.total_seconds() / 60.0))
    days, minutes = divmod(minutes, 24 * 60)
    hours, minutes = divmod(minutes, 60)
    parts = [(days, "day" if days == 1 else "days"), (hours, "h"), (0 if days else minutes, "min")]
    return " ".join(f"{count} {name}" for count, name in parts if count) or "0 min"
