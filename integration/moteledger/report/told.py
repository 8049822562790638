"""Stretches of text, each of which names the place in the document that it was read from.

Nothing of a house is printed that was not resolved from the report's JSON by a pointer (RFC 6901): so the page, the PDF
and the JSON cannot differ, and a test can follow every number back.
"""

from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from motemodel.units import FOOT_M, M3H_PER_CFM, PA_PER_INCH_WATER, W_PER_TON

from ..cards.figures import clock, decimals_of_interval, full_day, number, printed_unit, sentence
from ..settings import Clock, Units

_INCH_POUND = {
    "m3/h": (M3H_PER_CFM, "cfm"),
    "Pa": (PA_PER_INCH_WATER, "in. w.c."),
    "mm": (1000.0 * FOOT_M / 12.0, "in."),
    "m": (FOOT_M, "ft"),
    "m2": (FOOT_M**2, "ft²"),
    "m3": (FOOT_M**3, "ft³"),
    "kW": (W_PER_TON / 1000.0, "tons"),
}
"""How many of the inside unit make one of the other system's, and how that one is printed."""
_SI = {"m2": "m²", "m3": "m³"}
_HUNDREDTHS = "in. w.c."


class Kind(StrEnum):
    """What a stretch of text is."""

    PLAIN = "plain"
    NUMBER = "number"
    DAY = "day"
    MOMENT = "moment"
    QUOTE = "quote"


@dataclass(frozen=True)
class Run:
    """A stretch of text; unless plain, `source` points to where it was read, `unit` says in what a number is printed.

    `style` is "figure", "soft", "unknown", "strong" or nothing.
    """

    text: str
    kind: Kind = Kind.PLAIN
    source: str = ""
    unit: str = ""
    style: str = ""


Line = tuple[Run, ...]
Cell = tuple[Line, ...]
"""What stands in one cell of a table, a line below the other."""


def line(*parts: str | Run | Line) -> Line:
    """Text, runs and lines in one line."""
    runs: list[Run] = []
    for part in parts:
        runs.extend((Run(part),) if isinstance(part, str) else (part,) if isinstance(part, Run) else part)
    return tuple(runs)


def text_cell(*texts: str) -> Cell:
    """A cell of bare text, a line for each."""
    return tuple(line(each) for each in texts)


def text_of(told: Line) -> str:
    """A line as bare text."""
    return "".join(run.text for run in told)


@dataclass(frozen=True)
class Teller:
    """Reads the document by pointers and writes what stands there for one house."""

    document: Any
    units: Units
    zone: ZoneInfo
    clock: Clock = Clock.H24

    def at(self, pointer: str) -> Any:
        """What stands at a pointer; raises KeyError or IndexError where nothing does."""
        here = self.document
        for part in pointer.split("/")[1:]:
            here = here[int(part)] if isinstance(here, list) else here[part]
        return here

    def known(self, pointer: str) -> bool:
        """Whether the figure at a pointer is known."""
        return self.at(pointer)["value"] is not None

    def systems(self, unit: str) -> tuple[tuple[float, str], ...]:
        """How much of the document's unit makes one printed, and its name: the house's system, then the other."""
        inside = (1.0, _SI.get(unit, printed_unit(unit)))
        if unit not in _INCH_POUND:
            return (inside,)
        return (_INCH_POUND[unit], inside) if self.units is Units.INCH_POUND else (inside, _INCH_POUND[unit])

    def number(
        self, pointer: str, unit: str = "", *, decimals: int | None = None, percent: bool = False, style: str = ""
    ) -> Run:
        """The bare number at a pointer in the house's unit; `percent` prints a fraction as per cent."""
        scale, symbol = (0.01, "%") if percent else self.systems(unit)[0]
        return self._number(pointer, scale, symbol, decimals, style)

    def unit(self, unit: str) -> str:
        """How a unit of the document is printed for this house."""
        return self.systems(unit)[0][1]

    def exact(self, pointer: str, unit: str = "", *, decimals: int | None = None, percent: bool = False) -> Line:
        """A number without interval, its unit, and the other system's in brackets."""
        if percent:
            return line(self._number(pointer, 0.01, "%", 0 if decimals is None else decimals), Run("\u00a0%"))
        (scale, symbol), *others = self.systems(unit)
        told = line(self._number(pointer, scale, symbol, decimals), f"\u00a0{symbol}" if symbol else "")
        for other, name in others:
            told = line(
                told,
                Run(" (", style="soft"),
                self._number(pointer, other, name, decimals, "soft"),
                Run(f"\u00a0{name})", style="soft"),
            )
        return told

    def about(self, pointer: str, *, percent: bool = False) -> Line:
        """A known figure in a sentence: its value to the digits that its interval justifies, both systems."""
        figure = self.at(pointer)
        told: Line = ()
        for place, (scale, symbol) in enumerate([(0.01, "%")] if percent else self.systems(figure["unit"])):
            value = self._number(f"{pointer}/value", scale, symbol, self._decimals(figure, scale), "soft" * (place > 0))
            opening, closing = (" (", ")") if place else ("", "")
            told = line(
                told, Run(opening, style="soft"), value, Run(f"\u00a0{symbol}{closing}", style="soft" * (place > 0))
            )
        return told

    def range(self, pointer: str, *, percent: bool = False, style: str = "", unit: bool = True) -> Line:
        """The interval of a known figure in the house's unit: "540 to 684 cfm"."""
        figure = self.at(pointer)
        scale, symbol = (0.01, "%") if percent else self.systems(figure["unit"])[0]
        return self._range(pointer, figure, scale, symbol if unit else "", symbol, style)

    def cell(
        self,
        pointer: str,
        *,
        percent: bool = False,
        decimals: int | None = None,
        unit: bool = True,
        beside: bool = False,
    ) -> Cell:
        """A figure in a table: its value, its range, the other system's below, or the reason why it is not known.

        `beside` sets the range beside the value, in a table of many rows.
        """
        figure = self.at(pointer)
        if figure["value"] is None:
            return ((Run("not known: ", style="unknown"), self.quote(f"{pointer}/reason", style="unknown")),)
        lines: list[Line] = []
        for place, (scale, symbol) in enumerate([(0.01, "%")] if percent else self.systems(figure["unit"])):
            digits = self._decimals(figure, scale) if decimals is None else decimals
            after = f"\u00a0{symbol}" if symbol and (unit or place) else ""
            value = self._number(f"{pointer}/value", scale, symbol, digits, "soft" if place else "figure")
            interval = self._range(pointer, figure, scale, "", symbol, "soft", digits)
            if place:
                lines.append(line(value, Run(f"{after}, ", style="soft"), interval))
            elif beside:
                lines.append(line(value, after, Run("\u2002", style="soft"), interval))
            else:
                lines += [line(value, after), interval]
        return tuple(lines)

    def plain(self, pointer: str, unit: str = "", *, decimals: int | None = None, percent: bool = False) -> Cell:
        """A bare number in a table whose head names the unit."""
        return ((self.number(pointer, unit, decimals=decimals, percent=percent, style="figure"),),)

    def day(self, pointer: str) -> Run:
        """A day, with its year."""
        return Run(full_day(self._day(pointer)), Kind.DAY, pointer)

    def moment(self, pointer: str) -> Run:
        """A local date and time."""
        local = datetime.fromisoformat(self.at(pointer)).astimezone(self.zone)
        return Run(f"{full_day(local.date())}, {clock(local, self.zone, self.clock)}", Kind.MOMENT, pointer)

    def quote(self, pointer: str, *, style: str = "") -> Run:
        """Words of the document as a sentence."""
        return Run(sentence(self.at(pointer)), Kind.QUOTE, pointer, style=style)

    def words(self, pointer: str, *, style: str = "") -> Run:
        """Words of the document as they stand."""
        return Run(self.at(pointer), Kind.QUOTE, pointer, style=style)

    def _day(self, pointer: str) -> date:
        return date.fromisoformat(self.at(pointer))

    def _decimals(self, figure: Any, scale: float) -> int | None:
        half_width = (figure["high"] - figure["low"]) / 2.0 / scale
        return decimals_of_interval(half_width) if 1e-300 < half_width < 1e300 else None

    def _number(self, pointer: str, scale: float, symbol: str, decimals: int | None, style: str = "") -> Run:
        digits = 2 if decimals is None and symbol == _HUNDREDTHS else decimals
        return Run(number(self.at(pointer) / scale, digits), Kind.NUMBER, pointer, symbol, style)

    def _range(
        self, pointer: str, figure: Any, scale: float, shown: str, symbol: str, style: str, decimals: int | None = None
    ) -> Line:
        digits = self._decimals(figure, scale) if decimals is None else decimals
        return line(
            self._number(f"{pointer}/low", scale, symbol, digits, style),
            Run(" to ", style=style),
            self._number(f"{pointer}/high", scale, symbol, digits, style),
            Run(f"\u00a0{shown}" if shown else "", style=style),
        )
