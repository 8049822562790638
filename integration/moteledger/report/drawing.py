"""How the documents' static pictures are drawn: by matplotlib, as SVG in the inks of the cards' palette.

Lettering is kept as text. Every picture is drawn to a width: for a page and for print, and again for a phone, so that
its letters keep their size. Numerals in a picture are of two kinds and can be told apart: the scale of an axis stands
in groups marked `data-axis`, and whatever else says or shows a figure carries the figure's place in the document (a
JSON Pointer, RFC 6901) as `data-from`.

matplotlib is loaded by the first picture and by nothing else, so that a service at rest does not carry it.
"""

import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from io import StringIO
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from markupsafe import Markup

from ..cards import STATIC_FILES
from ..cards.figures import clock, number, short_day
from ..settings import Clock

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import Axis
    from matplotlib.figure import Figure as Sheet

WIDE_IN, NARROW_IN = 7.1, 3.3

Draw = Callable[[float], str]
"""Draws a picture to a width in inches; its SVG."""

_INKS = ("ink", "ink-soft", "rule", "rule-strong", "margin", "in", "out", "paper", "alert", "reckoned")


def _palette() -> dict[str, str]:
    light = STATIC_FILES["cards.css"].content.decode().split("}", 1)[0]
    return {name: found for name, found in re.findall(r"--([\w-]+): (#[0-9a-f]{6})", light) if name in _INKS}


PALETTE = _palette()
_SETTINGS: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "text.parse_math": False,
    "svg.fonttype": "none",
    "svg.hashsalt": "moteledger",
    "hatch.linewidth": 0.7,
    "axes.edgecolor": PALETTE["rule-strong"],
    "axes.labelcolor": PALETTE["ink-soft"],
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "grid.color": PALETTE["rule"],
    "grid.linewidth": 0.6,
    "xtick.color": PALETTE["ink-soft"],
    "ytick.color": PALETTE["ink-soft"],
    "text.color": PALETTE["ink"],
    "legend.frameon": False,
    "axes.axisbelow": True,
}


def is_narrow(width_in: float) -> bool:
    """Whether a picture is drawn for a phone."""
    return width_in < 0.5 * (WIDE_IN + NARROW_IN)


@contextmanager
def sheet(
    width_in: float, height_in: float, rows: int = 1, columns: int = 1, **options: Any
) -> Iterator[tuple["Sheet", list["Axes"]]]:
    """A sheet to draw on and its fields, row by row."""
    import matplotlib as mpl  # noqa: PLC0415  only a document pays for loading it
    from matplotlib.figure import Figure as Sheet  # noqa: PLC0415

    settings: Any = _SETTINGS
    with mpl.rc_context(settings):
        drawn = Sheet(figsize=(width_in, height_in), layout="constrained")
        yield drawn, list(drawn.subplots(rows, columns, squeeze=False, **options).flat)


def svg_of(drawn: "Sheet", name: str, width_in: float) -> str:
    """The drawing without its prologue. Ids that something refers to are the picture's own, the others are left out."""
    out = StringIO()
    with warnings.catch_warnings():
        # A name in a script that the plotting library's own font lacks; the reader's fonts letter it.
        warnings.filterwarnings("ignore", "Glyph .* missing from")
        drawn.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    svg = out.getvalue()
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg[svg.index("<svg") :], flags=re.DOTALL)
    used = set(re.findall(r"(?:url\(#|href=\"#)([^)\"]+)", svg))
    own = f"{name}-narrow" if is_narrow(width_in) else name

    def kept(found: re.Match[str]) -> str:
        if found[1].startswith("/"):
            return f' data-from="{found[1]}"'
        axis = re.fullmatch(r"([xy])tick_\d+", found[1])
        return f' data-axis="{axis[1]}"' if axis else f' id="{own}-{found[1]}"' if found[1] in used else ""

    svg = re.sub(r'\sid="([^"]+)"', kept, svg)
    return re.sub(r"(url\(#|href=\"#)", rf"\g<1>{own}-", svg)


def inked(draw: Draw, width_in: float) -> Markup:
    """A picture for a page, whose inks follow the reader's light or dark: the palette's colours by their names."""
    svg = draw(width_in)
    for name, colour in PALETTE.items():
        svg = svg.replace(colour, f"var(--{name})")
    return Markup(svg)  # noqa: S704  matplotlib escapes what is written in a picture


@dataclass(frozen=True)
class Strip:
    """A figure on a scale: its value, its 90 % range, and where it stands in the document."""

    value: float
    low: float
    high: float
    source: str


def draw_strip(axes: "Axes", place: float, strip: Strip, *, height: float) -> None:
    """A figure as a bar to its value, its range hatched, a tick at the value; `height` is the tick's."""
    axes.barh(place, strip.value, height=0.3 * height, color=PALETTE["rule-strong"])
    axes.barh(
        place,
        strip.high - strip.low,
        left=strip.low,
        height=0.6 * height,
        color=PALETTE["paper"],
        edgecolor=PALETTE["ink"],
        linewidth=0.8,
        hatch="//////",
        gid=strip.source,
    )
    axes.plot(
        [strip.value, strip.value],
        [place - 0.5 * height, place + 0.5 * height],
        color=PALETTE["ink"],
        linewidth=2.2,
        solid_capstyle="butt",
        gid=f"{strip.source}/value",
    )


def letter_numbers(*scales: "Axis") -> None:
    """Letter the numbers of scales as the cards write them: grouped thousands, a true minus sign."""
    from matplotlib.ticker import FuncFormatter  # noqa: PLC0415  as above

    for scale in scales:
        scale.set_major_formatter(FuncFormatter(lambda at, _: number(at)))


def key_above(axes: "Axes", columns: int) -> None:
    """The key of the lines, above the drawing and outside it."""
    axes.legend(
        ncols=columns,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        borderaxespad=0.2,
        borderpad=0.0,
        handlelength=2.8,
        columnspacing=1.6,
    )


def date_axis(axes: "Axes", zone: ZoneInfo, style: Clock, width_in: float) -> None:
    """Letter an axis of times as the cards do: "25 Nov" at midnights, "18:00" or "6:00 pm" between them."""
    from matplotlib.dates import AutoDateLocator, num2date  # noqa: PLC0415  as above
    from matplotlib.ticker import FuncFormatter  # noqa: PLC0415

    # With its usual five at least, it finds no step that gives at most eight of 4 hours, or of 4 days.
    least, most = (2, 5) if is_narrow(width_in) else (3, 8)
    locator = AutoDateLocator(tz=zone, minticks=least, maxticks=most)  # type: ignore[no-untyped-call]

    def lettered(at: float, _: int) -> str:
        moment: datetime = num2date(at, tz=zone)  # type: ignore[no-untyped-call]
        is_midnight = (moment.hour, moment.minute) == (0, 0)
        return short_day(moment.date()) if is_midnight else clock(moment, zone, style)

    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(FuncFormatter(lettered))


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
        result[place] = value
    return tuple(result)
