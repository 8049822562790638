"""The curves of a comparison: where blower and system meet, and the clean air over each life.

Each function draws one to a width. Candidates are told apart by their letter first, by dash and ink besides.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..engine.comparison import Comparison, Entry, Stage
from ..settings import Units
from .amounts import per_printed, plain, unit_of
from .drawing import PALETTE, is_narrow, key_above, letter_numbers, sheet, spaced, svg_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ROOM_ABOVE, _ROOM_BELOW, _ROOM_LEFT, _ROOM_RIGHT = 1.08, 0.9, 0.96, 1.01
_TAG_PT = 12.0
"""How far apart tags stand at least, points."""


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
