"""What the columns of a recording mean, and the readings in its rows.

Long form has one reading a row: `time,signal,value` and, if units are mixed, `unit`. Wide form has one column per
signal, with the unit in brackets after the name if it is not the signal's own, as in `time,indoor.pm25,fan.power [kW]`;
an empty cell there is no reading.
"""

import csv
import math
import re
from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import NamedTuple, ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..signals import Signal, signal_named
from ..store import Reading
from .moments import moment_us, moments_us, shown

P = ParamSpec("P")
T = TypeVar("T")

_HEADING = re.compile(r"(?P<name>[^\[\]]*?)\s*(?:\[(?P<unit>[^\[\]]*)\])?")
_LONG = ("time", "signal", "value", "unit")


class CellError(ValueError):
    """A cell, or a heading, that cannot be used; `column` is None where the whole row is wrong."""

    def __init__(self, column: str | None, problem: str) -> None:
        self.column = column
        self.problem = problem
        super().__init__(problem)


class Chunk(NamedTuple):
    """Some readings of one signal as they stand in the file: times in microseconds since 1970 UTC, and values."""

    signal: str
    time_us: NDArray[np.int64]
    value: NDArray[np.float64]


@dataclass(frozen=True)
class Measure:
    """A signal and the unit its values are written in; None is the signal's own unit."""

    signal: Signal
    unit: str | None = None

    @classmethod
    def named(cls, name: str, unit: str | None) -> "Measure":
        """The signal called `name` in `unit`; raises ValueError if either does not exist."""
        measure = cls(signal_named(name), unit.strip() if unit else None)
        measure.signal.converted(0.0, measure.unit)
        return measure

    def values(self, written: NDArray[np.float64]) -> NDArray[np.float64]:
        """Written values in the signal's own unit; raises ValueError if one is implausible."""
        values = self.signal.converted(written, self.unit)
        if len(values) and not (self.signal.low <= values.min() and values.max() <= self.signal.high):
            raise ValueError(f"a value is outside what {self.signal.name} can be")
        return values


class LongForm:
    """Rows of one reading each; `headings` tells where time, signal, value and unit stand."""

    def __init__(self, headings: Sequence[str]) -> None:
        self.headings = headings
        self._time, self._signal, self._value = (headings.index(name) for name in _LONG[:3])
        self._unit = headings.index("unit") if "unit" in headings else None
        self._measures: list[Measure] = []
        self._numbers = _Numbers(self._measures)

    def chunks(self, columns: Sequence[Sequence[str]]) -> Iterator[Chunk]:
        """The readings of many rows, given by column; raises ValueError if any of it is unusable."""
        times = moments_us(columns[self._time])
        written = _numbers(columns[self._value])
        units: Sequence[str] = [""] * len(times) if self._unit is None else columns[self._unit]
        numbers = np.fromiter(
            map(self._numbers.__getitem__, zip(columns[self._signal], units, strict=True)), np.intp, len(times)
        )
        for number in np.unique(numbers):
            here = numbers == number
            measure = self._measures[number]
            yield Chunk(measure.signal.name, times[here], measure.values(written[here]))

    def readings(self, row: Sequence[str]) -> list[Reading]:
        """The reading of one row; raises CellError."""
        time_us = _in_column("time", moment_us, row[self._time].strip())
        signal = _in_column("signal", signal_named, row[self._signal].strip())
        written = _in_column("value", _number, row[self._value].strip())
        unit = None if self._unit is None else row[self._unit].strip() or None
        _in_column("unit", signal.converted, 0.0, unit)
        return [Reading(time_us, signal.name, _in_column("value", signal.value_from, written, unit))]


class WideForm:
    """Rows of one time and a value per signal; `measures` holds the columns other than time, by place."""

    def __init__(self, headings: Sequence[str], measures: dict[int, Measure]) -> None:
        self.headings = headings
        self._time = headings.index("time")
        self._measures = measures

    def chunks(self, columns: Sequence[Sequence[str]]) -> Iterator[Chunk]:
        """The readings of many rows, given by column; raises ValueError if any of it is unusable."""
        times = moments_us(columns[self._time])
        for place, measure in self._measures.items():
            column = columns[place]
            if "" in column:
                filled = np.fromiter(map(bool, column), np.bool_, len(column))
                written = _numbers([text for text in column if text])
                yield Chunk(measure.signal.name, times[filled], measure.values(written))
            else:
                yield Chunk(measure.signal.name, times, measure.values(_numbers(column)))

    def readings(self, row: Sequence[str]) -> list[Reading]:
        """The readings of one row; raises CellError."""
        time_us = _in_column("time", moment_us, row[self._time].strip())
        found = []
        for place, measure in self._measures.items():
            heading, text = self.headings[place], row[place].strip()
            if text:
                written = _in_column(heading, _number, text)
                value = _in_column(heading, measure.signal.value_from, written, measure.unit)
                found.append(Reading(time_us, measure.signal.name, value))
        return found


Form = LongForm | WideForm


def form_of(header: str) -> Form:
    """What the header line says of the rows below it; raises CellError."""
    headings = [text.strip() for text in cells(header)]
    if "time" not in headings:
        raise CellError(None, _no_time(header, headings))
    for place, heading in enumerate(headings):
        if not heading:
            raise CellError(None, f"column {place + 1} has no name; name it or remove it")
        if headings.index(heading) != place:
            raise CellError(heading, "stands twice; remove or rename one of them")
    if "signal" in headings or "value" in headings:
        return _long_form(headings)
    return _wide_form(headings)


def cells(line: str) -> list[str]:
    """The cells of one line; raises CellError for quotes that do not match."""
    try:
        return next(csv.reader([line], strict=True, skipinitialspace=True), [])
    except csv.Error as error:
        raise CellError(None, f"is not CSV ({error}); check the quotes and save lines ending in a newline") from None


def columns_of(text: str, width: int) -> Sequence[Sequence[str]] | None:
    """The columns of a block of lines, or None if a line is blank, has not `width` cells or is not CSV."""
    lines = text.count("\n") + 1
    if '"' not in text:
        # One split for the whole block, with each line end kept as a cell of its own: several times faster than a list
        # per row, and a row of another width puts a line end in the wrong place.
        found = text.replace("\n", ",\n,").split(",")
        ends = found[width :: width + 1]
        if len(found) == lines * (width + 1) - 1 and ends.count("\n") == lines - 1:
            return [found[place :: width + 1] for place in range(width)]
        return None
    try:
        rows = list(csv.reader(text.split("\n"), strict=True, skipinitialspace=True))
    except csv.Error:
        return None
    if len(rows) == lines and all(len(row) == width for row in rows):
        return list(zip(*rows, strict=True))
    return None


class _Numbers(dict[tuple[str, str], int]):
    """The number of each (signal, unit) met so far; a new one is looked up and appended to `measures`."""

    def __init__(self, measures: list[Measure]) -> None:
        super().__init__()
        self._measures = measures

    def __missing__(self, key: tuple[str, str]) -> int:
        self._measures.append(Measure.named(*key))
        self[key] = len(self._measures) - 1
        return self[key]


def _long_form(headings: list[str]) -> LongForm:
    for name in ("signal", "value"):
        if name not in headings:
            raise CellError(None, f"has no column {name!r}; long form is time,signal,value[,unit]")
    for heading in headings:
        if heading not in _LONG:
            near = get_close_matches(heading, _LONG, n=1)
            hint = f"did you mean {near[0]!r}?" if near else "long form is time,signal,value[,unit]"
            raise CellError(heading, f"is not a column of the long form; {hint}")
    return LongForm(headings)


def _wide_form(headings: list[str]) -> WideForm:
    measures: dict[int, Measure] = {}
    for place, heading in enumerate(headings):
        if heading == "time":
            continue
        match = _HEADING.fullmatch(heading)
        if match is None:
            raise CellError(heading, "is no column name; write the signal, then its unit in brackets: fan.power [kW]")
        measure = _in_column(heading, Measure.named, match["name"], match["unit"])
        if any(measure.signal == other.signal for other in measures.values()):
            raise CellError(heading, f"{measure.signal.name} has two columns; remove one of them")
        measures[place] = measure
    if not measures:
        raise CellError(None, "names no signal beside time; add a column per signal, such as indoor.pm25")
    return WideForm(headings, measures)


def _no_time(header: str, headings: list[str]) -> str:
    for separator, name in ((";", "semicolons"), ("\t", "tabs")):
        if separator in header and "time" in [text.strip().strip('"') for text in header.split(separator)]:
            return f"the columns are separated by {name}; save the file with commas"
    told = shown(",".join(headings))
    return f"{told} has no column 'time'; the first line names the columns, such as time,signal,value"


def _in_column(column: str, read: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
    """What `read` makes of its arguments, its ValueError told of the column."""
    try:
        return read(*arguments, **named)
    except ValueError as error:
        raise CellError(column, str(error)) from None


def _number(text: str) -> float:
    """A number as CSV writes it; raises ValueError naming the text and the fix."""
    if not text:
        raise ValueError("has no value; write a number or leave the row out")
    if text.isascii() and "_" not in text:
        try:
            value = float(text)
        except ValueError:
            pass
        else:
            if math.isfinite(value):
                return value
            raise ValueError(f"{shown(text)} is not a finite number; leave the reading out")
    if text.lower() in {"on", "off", "true", "false", "yes", "no"}:
        raise ValueError(f"{shown(text)} is not a number; write 1 for on and 0 for off")
    raise ValueError(f"{shown(text)} is not a number; write it with a decimal point, as 12.5")


def _numbers(texts: Sequence[str]) -> NDArray[np.float64]:
    """As `_number` for many texts; raises ValueError if any is not a finite number."""
    together = "".join(texts)
    if "_" in together or not together.isascii():
        raise ValueError("a cell is not a number")
    values = np.frombuffer(array("d", map(float, texts)), np.float64)
    if not np.isfinite(values).all():
        raise ValueError("a cell is not a finite number")
    return values
