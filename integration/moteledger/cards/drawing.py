"""Where marks stand on the cards' drawings: scales, ranges, columns, hours of a day and lines, as plain positions.

Positions across are per cent of the drawing's width, so that drawings stretch with the page while their lettering keeps
its size; positions down are in pixels unless a drawing says otherwise.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import ceil, floor, log10
from zoneinfo import ZoneInfo

from ..settings import Clock
from .figures import Written, hour_label, number


@dataclass(frozen=True)
class Mark:
    """A labelled place across a drawing, per cent, with the end of the label that touches it; a minor one may yield."""

    at: float
    label: str
    anchor: str = "middle"
    is_minor: bool = False


@dataclass(frozen=True)
class Scale:
    """A scale from zero to a round number.

    Values are in the document's unit; the scale is lettered in the printed unit, of which one is `per_printed` of the
    document's.
    """

    top: float
    per_printed: float = 1.0
    unit: str = ""

    def percent(self, value: float) -> float:
        """Where a value stands, per cent of the width, kept within the drawing."""
        return round(100.0 * min(max(value / self.top, 0.0), 1.0), 2)

    @property
    def ticks(self) -> tuple[Mark, ...]:
        """Zero, the middle and the top."""
        return (
            Mark(0.0, "0", "start"),
            Mark(50.0, number(self.top / self.per_printed / 2.0)),
            Mark(100.0, f"{number(self.top / self.per_printed)} {self.unit}".rstrip(), "end"),
        )


def scale_over(values: Iterable[float | None], per_printed: float = 1.0, unit: str = "") -> Scale:
    """The scale up to the next round number of the printed unit (1, 2, 3, 4, 5, 6, 8 times a power of ten)."""
    top = max((value / per_printed for value in values if value is not None), default=0.0)
    if top <= 1e-300:
        return Scale(per_printed, per_printed, unit)
    power = 10.0 ** floor(log10(top))
    rounded = next((step * power for step in (1, 2, 3, 4, 5, 6, 8, 10) if step * power >= top), top)
    return Scale(rounded * per_printed, per_printed, unit)


@dataclass(frozen=True)
class Strip:
    """One number drawn on a scale: a bar to its value, its 90 % range hatched, and a limit that it is held against."""

    value: float
    low: float
    high: float
    has_range: bool
    limit: Mark | None = None

    @property
    def width(self) -> float:
        """Width of the hatched range."""
        return round(self.high - self.low, 2)


def strip(written: Written, scale: Scale, limit: Mark | None = None) -> Strip | None:
    """The strip of a figure on a scale of the document's units; None for a figure that is not known."""
    if written.value is None:
        return None
    low, high = written.interval or (written.value, written.value)
    return Strip(
        scale.percent(written.value), scale.percent(low), scale.percent(high), written.interval is not None, limit
    )


def mark(at: float, label: str) -> Mark:
    """A label at a place; near the sides it is set so that it stays inside the drawing."""
    return Mark(at, label, "start" if at < 20.0 else "end" if at > 80.0 else "middle")


@dataclass(frozen=True)
class Reading:
    """A labelled figure with its strip, or with the reason why there is none."""

    label: str
    figure: Written
    strip: Strip | None


@dataclass(frozen=True)
class Segment:
    """One part of a stacked column: its top and height, in the unit of the column's own height."""

    name: str
    y: float
    height: float

    @property
    def middle(self) -> float:
        """Where its label stands."""
        return round(self.y + self.height / 2.0, 2)


def stack(parts: Sequence[tuple[str, float]], total: float, height: float) -> tuple[Segment, ...]:
    """Parts of a column from the top down, `height` being the whole; parts of no mass are left out."""
    segments = []
    y = 0.0
    for name, mass in parts:
        share = min(max(mass, 0.0) / total * height, height - y) if total > 0.0 else 0.0
        if share > 0.0:
            segments.append(Segment(name, round(y, 2), round(share, 2)))
        y += share
    return tuple(segments)


@dataclass(frozen=True)
class Band:
    """A stretch of a time drawing: its start and width, per cent."""

    start: float
    width: float


@dataclass(frozen=True)
class DayRow:
    """One local day from midnight to midnight: the bands in it, its hours, and the time now if it falls in it."""

    day: date
    bands: tuple[Band, ...]
    outside: tuple[Band, ...]
    hours: tuple[Mark, ...]
    now: float | None


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=zone)


def _hours_between(start: datetime, end: datetime) -> float:
    """True hours; aware datetimes of one zone would subtract their wall clocks."""
    return end.timestamp() / 3600.0 - start.timestamp() / 3600.0


def day_rows(
    spans: Sequence[tuple[datetime, datetime]],
    start: datetime,
    end: datetime,
    zone: ZoneInfo,
    style: Clock = Clock.H24,
) -> tuple[DayRow, ...]:
    """The local days that a plan from `start` to `end` touches, with its spans and what lies outside it.

    Days of 23 and 25 hours (clock changes) are drawn at their true length.
    """
    first, last = start.astimezone(zone).date(), (end - timedelta(seconds=1)).astimezone(zone).date()
    rows = []
    for offset in range(max((last - first).days, 0) + 1):
        day = first + timedelta(days=offset)
        midnight, next_midnight = _midnight(day, zone), _midnight(day + timedelta(days=1), zone)
        length = _hours_between(midnight, next_midnight)

        def place(moment: datetime, midnight: datetime = midnight, length: float = length) -> float:
            return round(100.0 * min(max(_hours_between(midnight, moment) / length, 0.0), 1.0), 2)

        bands = [Band(place(begin), round(place(finish) - place(begin), 2)) for begin, finish in spans]
        outside = [Band(0.0, place(start)), Band(place(end), round(100.0 - place(end), 2))]
        hours = [
            Mark(place(midnight + timedelta(hours=hour)), hour_label(hour, style), {0: "start"}.get(hour, "middle"))
            for hour in range(0, 24, 6)
        ]
        rows.append(
            DayRow(
                day,
                tuple(band for band in bands if band.width > 0.0),
                tuple(band for band in outside if band.width > 0.0),
                (*hours, Mark(100.0, hour_label(24, style), "end")),
                place(start) if midnight <= start < next_midnight else None,
            )
        )
    return tuple(rows)


def line_path(points: Sequence[tuple[float, float | None]], top: float) -> str:
    """SVG path data of a line on a 1000 by 100 canvas; a missing value breaks it, a lone value is drawn as a dot."""
    commands = []
    pen_down = False
    for across, value in points:
        if value is None:
            pen_down = False
            continue
        x, y = _canvas(across, value, top)
        commands.append(f"L{x} {y}" if pen_down else f"M{x} {y}h0")
        pen_down = True
    return "".join(commands)


def area_path(points: Sequence[tuple[float, tuple[float, float] | None]], top: float) -> str:
    """SVG path data of a band between a low and a high line on the same canvas; a missing pair breaks it."""
    areas: list[list[tuple[float, tuple[float, float]]]] = [[]]
    for across, pair in points:
        if pair is None:
            areas.append([])
        else:
            areas[-1].append((across, pair))
    paths = []
    for area in areas:
        outline = [_canvas(across, high, top) for across, (_, high) in area]
        outline += [_canvas(across, low, top) for across, (low, _) in reversed(area)]
        if len(area) > 1:
            paths.append("M" + "L".join(f"{x} {y}" for x, y in outline) + "Z")
    return "".join(paths)


def _canvas(across: float, value: float, top: float) -> tuple[str, str]:
    return f"{1000.0 * across:.1f}", f"{100.0 * (1.0 - min(max(value / top, 0.0), 1.0)):.2f}"


def every(count: int, room: int) -> int:
    """Which labels to keep so that `count` of them fit where `room` do: every n-th."""
    return max(1, ceil(count / room))
