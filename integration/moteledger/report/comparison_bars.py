"""The bars of a comparison: how long each candidate lasts, the air indoors, the cost; each drawn to a width."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..cards.figures import Written
from ..engine.assessment import Figure, Known
from .drawing import PALETTE, Strip, draw_strip, is_narrow, key_above, letter_numbers, sheet, svg_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ROW_IN, _HEAD_IN = 0.42, 0.45


@dataclass(frozen=True)
class Row:
    """A candidate's figure in a picture of bars: its name, the figure as it is written, and where it stands."""

    name: str
    figure: Figure
    written: Written
    source: str


def _field(axes: "Axes", rows: int, top: float, width_in: float) -> None:
    """A field of rows, one below the other, with a scale from nought and room for the figures at its right."""
    room = 1.75 if is_narrow(width_in) else 1.32
    axes.set(xlim=(0.0, room * max(top, 1e-9)), ylim=(0.35 - rows, 0.75))
    axes.set_yticks([])
    axes.grid(axis="y", visible=False)
    axes.grid(axis="x")
    axes.spines["left"].set_color(PALETTE["rule-strong"])
    ticks = [tick for tick in axes.get_xticks() if tick <= 1.0001 * top]
    axes.set_xticks(ticks)
    letter_numbers(axes.xaxis)


def _name(axes: "Axes", place: float, name: str, source: str) -> None:
    ground = {"facecolor": PALETTE["paper"], "edgecolor": "none", "pad": 0.8}
    axes.text(0.004, place, name, transform=axes.get_yaxis_transform(), bbox=ground, gid=source)


def _said(axes: "Axes", place: float, row: Row) -> None:
    """The figure at the right end of its row: value and range, or that it is not known."""
    first = row.written.first
    told = "not known" if row.written.value is None else first.number
    where: dict[str, Any] = {"transform": axes.get_yaxis_transform(), "va": "center", "ha": "right"}
    if first.low and first.low != first.high:
        told += f"  ({first.low} to {first.high})"
    axes.text(1.0, place, told, gid=row.source, **where)


def _strip_of(row: Row) -> Strip | None:
    if not isinstance(row.figure, Known):
        return None
    return Strip(row.figure.value, row.figure.low, row.figure.high, row.source)


def _highest(rows: Sequence[Row]) -> float:
    return max([row.figure.high for row in rows if isinstance(row.figure, Known)], default=1.0)


def lives_picture(rows: Sequence[Row], width_in: float) -> str:
    """How long each lasts, months, with its range hatched."""
    with sheet(width_in, _HEAD_IN + _ROW_IN * len(rows)) as (drawn, (axes,)):
        _field(axes, len(rows), _highest(rows), width_in)
        for place, row in enumerate(rows):
            _name(axes, 0.28 - place, row.name, f"{row.source.removesuffix('/outcome/life/months')}/name")
            strip = _strip_of(row)
            if strip is not None:
                draw_strip(axes, -place, strip, height=0.42)
            _said(axes, -place, row)
        axes.set_xlabel("months")
        return svg_of(drawn, "lives", width_in)


@dataclass(frozen=True)
class Day:
    """One kind of day: its title, for every candidate the fan by the thermostat and always on, where it stands."""

    title: str
    pairs: tuple[tuple[Row, Row], ...]
    source: str


def indoors_picture(days: Sequence[Day], target: float, width_in: float) -> str:
    """Indoor PM2.5 of all candidates on each kind of day: by the thermostat's hours, and with the fan always on."""
    narrow = is_narrow(width_in)
    deep = _HEAD_IN + 1.35 * _ROW_IN * len(days[0].pairs)
    with sheet(width_in, deep * (len(days) if narrow else 1), *((len(days), 1) if narrow else (1, len(days)))) as (
        drawn,
        fields,
    ):
        for axes, day in zip(fields, days, strict=True):
            _field(axes, len(day.pairs), max(target, _highest([row for pair in day.pairs for row in pair])), width_in)
            axes.axvline(
                target, color=PALETTE["margin"], linewidth=1.2, linestyle=(0, (4, 2)), gid="/conditions/target_ug_m3"
            )
            for place, pair in enumerate(day.pairs):
                _name(axes, 0.36 - place, pair[0].name, f"{pair[0].source.partition('/outcome')[0]}/name")
                for row, down in zip(pair, (-0.1, 0.24), strict=True):
                    strip = _strip_of(row)
                    if strip is not None:
                        draw_strip(axes, -place - down, strip, height=0.28)
                    _said(axes, -place - down, row)
            axes.set_title(day.title, loc="left", fontsize=8, weight="bold", color=PALETTE["ink"], gid=day.source)
            axes.set_xlabel("PM2.5, µg/m³")
        return svg_of(drawn, "indoors", width_in)


@dataclass(frozen=True)
class Bill:
    """A candidate's yearly cost and what it is made of."""

    yearly: Row
    media: Row
    energy: Row


def costs_picture(bills: Sequence[Bill], currency: str, width_in: float) -> str:
    """The cost of a year, media and fan energy in one bar, and the range of their sum below it."""
    with sheet(width_in, _HEAD_IN + 0.15 + _ROW_IN * len(bills)) as (drawn, (axes,)):
        _field(axes, len(bills), _highest([bill.yearly for bill in bills]), width_in)
        # Any of the figures may be unknown, so the key takes each from where it is first drawn.
        in_key = {
            "media": "filters or media",
            "energy": "fan energy in the hours of the thermostat",
            "range": "range of the sum",
        }
        for place, bill in enumerate(bills):
            _name(axes, 0.28 - place, bill.yearly.name, f"{bill.yearly.source.partition('/outcome')[0]}/name")
            left = 0.0
            for kind, row, face, edge, hatch in (
                ("media", bill.media, "paper", "in", "//////"),
                ("energy", bill.energy, "out", "out", ""),
            ):
                if isinstance(row.figure, Known):
                    axes.barh(
                        -place + 0.04,
                        row.figure.value,
                        left=left,
                        height=0.26,
                        color=PALETTE[face],
                        edgecolor=PALETTE[edge],
                        linewidth=0.8,
                        hatch=hatch,
                        gid=row.source,
                        label=in_key.pop(kind, None),
                    )
                    left += row.figure.value
            if isinstance(bill.yearly.figure, Known):
                axes.errorbar(
                    [bill.yearly.figure.value],
                    [-place - 0.2],
                    xerr=[
                        [bill.yearly.figure.value - bill.yearly.figure.low],
                        [bill.yearly.figure.high - bill.yearly.figure.value],
                    ],
                    color=PALETTE["ink"],
                    capsize=2.5,
                    linewidth=1.2,
                    label=in_key.pop("range", None),
                )
            _said(axes, -place, bill.yearly)
        key_above(axes, 1 if is_narrow(width_in) else 3)
        axes.set_xlabel(currency)
        return svg_of(drawn, "costs", width_in)
