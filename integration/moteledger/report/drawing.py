"""Curves on ruled frames: positions only, in per cent across and in pixels down, so that lettering keeps its size."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor, log10

from ..cards.drawing import Mark
from ..cards.figures import number

Point = tuple[float, float]
_CANVAS = 1000.0


@dataclass(frozen=True)
class Frame:
    """A stretch of the plane (`left` to `right`, `bottom` to `top`) drawn `height` pixels high below `above` pixels."""

    left: float
    right: float
    bottom: float
    top: float
    height: int
    above: int

    def across(self, x: float) -> float:
        """Per cent of the width."""
        return round(100.0 * (x - self.left) / (self.right - self.left), 2)

    def down(self, y: float) -> float:
        """Pixels from the top of the drawing."""
        return round(self.above + self.height * (self.top - y) / (self.top - self.bottom), 1)

    def path(self, points: Sequence[Point]) -> str:
        """SVG path data on a canvas of 1000 by 1000, of the part of a line that lies within the frame."""
        inside = self.clipped(points)
        return "M" + "L".join(
            f"{_CANVAS * (x - self.left) / (self.right - self.left):.1f} "
            f"{_CANVAS * (self.top - y) / (self.top - self.bottom):.1f}"
            for x, y in inside
        )

    def clipped(self, points: Sequence[Point]) -> list[Point]:
        """The first connected part of a line that lies within the frame, cut at its edges."""
        inside: list[Point] = []
        for start, end in pairwise(points):
            cut = self._cut(start, end)
            if cut is None:
                if inside:
                    break
                continue
            if not inside:
                inside.append(cut[0])
            inside.append(cut[1])
        return inside or [points[0]]

    def _cut(self, start: Point, end: Point) -> tuple[Point, Point] | None:
        """The part of a straight piece within the frame (Liang and Barsky 1984), None where there is none."""
        (x, y), (dx, dy) = start, (end[0] - start[0], end[1] - start[1])
        enter, leave = 0.0, 1.0
        for step, room in (
            (-dx, x - self.left),
            (dx, self.right - x),
            (-dy, y - self.bottom),
            (dy, self.top - y),
        ):
            if step == 0.0:
                if room < 0.0:
                    return None
            elif step < 0.0:
                enter = max(enter, room / step)
            else:
                leave = min(leave, room / step)
        if enter > leave:
            return None
        return (x + enter * dx, y + enter * dy), (x + leave * dx, y + leave * dy)


def round_ticks(low: float, high: float, per_printed: float, most: int) -> tuple[float, ...]:
    """Values at round numbers of the printed unit between low and high, at most `most` of them."""
    first, last = low / per_printed, high / per_printed
    power = 10.0 ** floor(log10(max(last - first, 1e-12)) - 1.0)
    step = next(
        size * power * ten
        for ten in (1, 10, 100)
        for size in (1, 2, 5)
        if (last - first) / (size * power * ten) <= most
    )
    start = ceil(round(first / step, 9))
    count = floor(round(last / step, 9)) - start + 1
    return tuple((start + place) * step * per_printed for place in range(count))


def ticks_across(frame: Frame, per_printed: float, most: int = 5) -> tuple[Mark, ...]:
    """Labelled places across."""
    return tuple(
        Mark(frame.across(value), number(value / per_printed, None))
        for value in round_ticks(frame.left, frame.right, per_printed, most)
    )


def ticks_down(frame: Frame, per_printed: float, most: int = 4) -> tuple[Mark, ...]:
    """Labelled places down, pixels."""
    return tuple(
        Mark(frame.down(value), number(value / per_printed, None))
        for value in round_ticks(frame.bottom, frame.top, per_printed, most)
    )


def spaced(places: Sequence[float], gap: float, low: float, high: float) -> tuple[float, ...]:
    """Places moved apart as little as a sweep can, so that neighbours are `gap` apart and all lie within low..high.

    >>> spaced([10.0, 11.0, 40.0], 5.0, 0.0, 100.0)
    (10.0, 15.0, 40.0)
    """
    order = sorted(range(len(places)), key=lambda place: places[place])
    moved = [min(max(places[place], low), high) for place in order]
    for place in range(1, len(moved)):
        moved[place] = max(moved[place], moved[place - 1] + gap)
    limit = high
    for place in reversed(range(len(moved))):
        moved[place] = min(moved[place], limit)
        limit = moved[place] - gap
    result = [0.0] * len(places)
    for place, value in zip(order, moved, strict=True):
        result[place] = round(value, 2)
    return tuple(result)
