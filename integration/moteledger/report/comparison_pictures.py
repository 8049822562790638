"""The pictures of a comparison: where blower and system meet, clean air and life, the air indoors, the cost.

Each function draws one to a width. Candidates are told apart by their letter first, by dash and ink besides.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..cards.figures import Written
from ..engine.assessment import Figure, Known
from ..engine.comparison import Comparison, Entry, Stage
from ..settings import Units
from .amounts import per_printed, plain, unit_of
from .drawing import PALETTE, Strip, draw_strip, is_narrow, key_above, letter_numbers, sheet, spaced, svg_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ROOM_ABOVE, _ROOM_BELOW, _ROOM_LEFT, _ROOM_RIGHT = 1.08, 0.9, 0.96, 1.01
_TAG_PT = 12.0
"""How far apart tags stand at least, points."""
_ROW_IN, _HEAD_IN = 0.42, 0.45


@dataclass(frozen=True)
class Stroke:
    """How a candidate's line is drawn: an ink of the palette, the dashes in widths of the line, the width in points."""

    ink: str
    dashes: tuple[float, ...] = ()
    width: float = 1.6

    @property
    def drawn(self) -> dict[str, Any]:
        """As the plotting library takes it."""
        return {
            "color": PALETTE[self.ink],
            "linewidth": self.width,
            "linestyle": (0, self.dashes) if self.dashes else "-",
        }


IN_PLACE = Stroke("rule-strong", (1, 1.5))
STROKES = (
    Stroke("in"),
    Stroke("out", (4, 2)),
    Stroke("ink", (0.6, 1.6), 2.2),
    Stroke("out"),
    Stroke("in", (5, 1.5, 1, 1.5)),
    Stroke("ink", (7, 2.5)),
    Stroke("out", (0.6, 1.6), 2.2),
    Stroke("in", (4, 2)),
    Stroke("ink", (5, 1.5, 1, 1.5)),
    Stroke("out", (7, 2.5)),
    Stroke("in", (0.6, 1.6), 2.2),
    Stroke("ink", (2.5, 1)),
)


@dataclass(frozen=True)
class Shown:
    """A candidate with its place in the document."""

    entry: Entry
    source: str

    @property
    def stroke(self) -> Stroke:
        """How its line is drawn; the filter in place has one of its own."""
        mark = self.entry.mark
        return STROKES[(ord(mark) - ord("A")) % len(STROKES)] if mark.isalpha() else IN_PLACE

    @property
    def name(self) -> str:
        """Its letter and its name."""
        return f"{self.entry.mark}\N{EN SPACE}{self.entry.name}"


def shown_of(comparison: Comparison) -> tuple[Shown, ...]:
    """All candidates, and the filter in place where it is surveyed."""
    shown = [Shown(entry, f"/entries/{place}") for place, entry in enumerate(comparison.entries)]
    return (*shown, *([] if comparison.in_place is None else [Shown(comparison.in_place, "/in_place")]))


def _lived(comparison: Comparison) -> list[Shown]:
    return [each for each in shown_of(comparison) if each.entry.outcome is not None]


def curves_picture(comparison: Comparison, units: Units, width_in: float) -> str:
    """Total external static pressure against airflow: the blower's curve, and every system's crossing it."""
    per_flow, per_static = per_printed("m3/h", units), per_printed("Pa", units)
    shown, blower = shown_of(comparison), comparison.blower
    left, right, bottom, top = _room(comparison)
    height_in = 3.6
    with sheet(width_in, height_in) as (drawn, (axes,)):
        axes.set(xlim=(left / per_flow, right / per_flow), ylim=(bottom / per_static, top / per_static))
        axes.grid(axis="x")
        axes.yaxis.tick_right()
        letter_numbers(axes.xaxis, axes.yaxis)
        axes.yaxis.set_label_position("right")
        axes.set(xlabel=f"airflow, {unit_of('m3/h', units)}", ylabel=f"total external static, {unit_of('Pa', units)}")
        feet = []
        for each in shown:
            airflow = np.array([point.airflow_m3h for point in each.entry.system_curve])
            static = np.array([point.pressure_pa for point in each.entry.system_curve])
            axes.plot(airflow / per_flow, static / per_static, **each.stroke.drawn, gid=f"{each.source}/system_curve")
            feet.append(float(np.interp(left, airflow, static)) / per_static)
        axes.plot(
            [point.airflow_m3h / per_flow for point in blower.points],
            [point.pressure_pa / per_static for point in blower.points],
            color=PALETTE["ink"],
            linewidth=2.8,
            label="the blower",
            gid="/blower/points",
        )
        _limits(axes, comparison, units)
        for label, marker, stages in (
            (
                "at the end of its life",
                _END,
                [each.entry.outcome.end if each.entry.outcome else None for each in shown],
            ),
            ("new", _NEW, [None if each.entry.refusals else each.entry.new for each in shown]),
            ("refused", _REFUSED, [each.entry.new if each.entry.refusals else None for each in shown]),
        ):
            points = [stage for stage in stages if stage is not None]
            if points:
                axes.plot(
                    [stage.airflow_m3h / per_flow for stage in points],
                    [stage.external_static_pa / per_static for stage in points],
                    linestyle="none",
                    zorder=4,
                    label=label,
                    **marker,
                )
        _tags(axes, shown, feet, height_in, at_end=False)
        key_above(axes, 2 if is_narrow(width_in) else 4)
        return svg_of(drawn, "curves", width_in)


_END: dict[str, Any] = {
    "marker": "o",
    "markersize": 5,
    "markerfacecolor": PALETTE["paper"],
    "markeredgecolor": PALETTE["ink"],
    "markeredgewidth": 1.2,
}
_NEW: dict[str, Any] = {"marker": "o", "markersize": 5, "color": PALETTE["ink"], "markeredgecolor": PALETTE["paper"]}
_REFUSED: dict[str, Any] = {"marker": "x", "markersize": 7, "color": PALETTE["alert"], "markeredgewidth": 2.2}


def _room(comparison: Comparison) -> tuple[float, float, float, float]:
    """The stretch of airflow (m3/h) and static pressure (Pa) that holds all crossings and limits."""
    conditions, blower = comparison.conditions, comparison.blower
    entries = [each.entry for each in shown_of(comparison)]
    stages: list[Stage] = [stage for entry in entries if (stage := entry.new)]
    stages += [entry.outcome.end for entry in entries if entry.outcome]
    airflows = [stage.airflow_m3h for stage in stages] or [blower.surveyed.airflow_m3h]
    statics = [stage.external_static_pa for stage in stages] or [blower.surveyed.pressure_pa]
    left = _ROOM_LEFT * min([*airflows, conditions.least_airflow_m3h or airflows[0]])
    starts = [
        float(
            np.interp(
                left,
                [point.airflow_m3h for point in entry.system_curve],
                [point.pressure_pa for point in entry.system_curve],
            )
        )
        for entry in entries
    ]
    bottom, top = _ROOM_BELOW * min(starts), _ROOM_ABOVE * max([*statics, *starts, conditions.most_static_pa])
    within = [point.airflow_m3h for point in blower.points if bottom <= point.pressure_pa <= top]
    return left, _ROOM_RIGHT * max([*airflows, *within]), bottom, top


def _limits(axes: "Axes", comparison: Comparison, units: Units) -> None:
    conditions = comparison.conditions
    line: dict[str, Any] = {"color": PALETTE["margin"], "linewidth": 1.2, "linestyle": (0, (4, 2)), "zorder": 1}
    said: dict[str, Any] = {
        "color": PALETTE["margin"],
        "weight": "bold",
        "bbox": {"facecolor": PALETTE["paper"], "edgecolor": "none", "pad": 1.0},
    }
    level = conditions.most_static_pa / per_printed("Pa", units)
    axes.axhline(level, **line)
    axes.annotate(
        f"{'most' if conditions.most_static_is_rated else 'usual'} {plain(conditions.most_static_pa, 'Pa', units)}",
        (0.6, level),
        (0.0, 3.0),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        ha="center",
        va="bottom",
        gid="/conditions/most_static_pa",
        **said,
    )
    if conditions.least_airflow_m3h is not None:
        least = conditions.least_airflow_m3h / per_printed("m3/h", units)
        axes.axvline(least, **line)
        axes.annotate(
            f"least {plain(conditions.least_airflow_m3h, 'm3/h', units)}",
            (least, 0.0),
            (3.0, 4.0),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            va="bottom",
            gid="/conditions/least_airflow_m3h",
            **said,
        )


def _tags(axes: "Axes", shown: Sequence[Shown], feet: Sequence[float], height_in: float, *, at_end: bool) -> None:
    """A letter beside each line, moved apart where lines come close, with a leader to its line's end."""
    low, high = axes.get_ylim()
    gap = _TAG_PT * (high - low) / (0.7 * 72.0 * height_in)
    edge, out = (1.0, 1.035) if at_end else (0.0, -0.035)
    beside = axes.get_yaxis_transform()
    for each, foot, tag in zip(shown, feet, spaced(feet, gap, low, high), strict=True):
        leader: dict[str, Any] = {"color": PALETTE["rule-strong"], "linewidth": 0.8, "clip_on": False}
        axes.plot([edge, edge + 0.8 * (out - edge)], [foot, tag], transform=beside, **leader)
        axes.text(
            out,
            tag,
            each.entry.mark,
            transform=beside,
            ha="left" if at_end else "right",
            va="center",
            weight="bold",
            fontsize=9,
            color=PALETTE["alert" if each.entry.refusals else "ink"],
            gid=f"{each.source}/mark",
        )


def course_picture(comparison: Comparison, units: Units, width_in: float) -> str:
    """Clean air delivered while the fan runs over the share of each filter's life that has passed."""
    per, shown = per_printed("m3/h", units), _lived(comparison)
    height_in = 2.8
    with sheet(width_in, height_in) as (drawn, (axes,)):
        feet = []
        for each in shown:
            assert each.entry.outcome is not None
            course = each.entry.outcome.course
            clean = [point.clean_air_m3h / per for point in course]
            days = np.array([point.day for point in course])
            axes.plot(days / max(days[-1], 1e-9), clean, **each.stroke.drawn, gid=f"{each.source}/outcome/course")
            feet.append(clean[-1])
        axes.set(xlim=(0.0, 1.0), ylim=(0.0, None), ylabel=f"clean air, {unit_of('m3/h', units)}")
        letter_numbers(axes.yaxis)
        axes.set_xticks([0.0, 0.5, 1.0], ["new", "half way", "changed"])
        axes.grid(axis="x")
        _tags(axes, shown, feet, height_in, at_end=True)
        return svg_of(drawn, "life", width_in)


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
