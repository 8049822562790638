"""The report's pictures: drawn by matplotlib as SVG, in the inks of the cards' palette, their lettering kept as text.

matplotlib is loaded by the first picture and by nothing else, so that a service at rest does not carry it.
"""

import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from io import StringIO
from typing import TYPE_CHECKING, Any

from ..cards import STATIC_FILES
from .document import ClientReport
from .told import Teller

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Sheet

_INKS = ("ink", "ink-soft", "rule", "rule-strong", "margin", "in", "out", "paper")
_WIDTH_IN = 7.1


def _palette() -> dict[str, str]:
    light = STATIC_FILES["cards.css"].content.decode().split("}", 1)[0]
    return {name: found for name, found in re.findall(r"--([\w-]+): (#[0-9a-f]{6})", light) if name in _INKS}


PALETTE = _palette()
_SETTINGS: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "svg.fonttype": "none",
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


@contextmanager
def _sheet(name: str, height_in: float, rows: int = 1, **options: Any) -> Iterator[tuple["Sheet", list["Axes"]]]:
    import matplotlib as mpl  # noqa: PLC0415  only a report pays for loading it
    from matplotlib.figure import Figure as Sheet  # noqa: PLC0415

    settings: Any = {**_SETTINGS, "svg.hashsalt": name}
    with mpl.rc_context(settings):
        sheet = Sheet(figsize=(_WIDTH_IN, height_in), layout="constrained")
        yield sheet, list(sheet.subplots(rows, 1, squeeze=False, **options)[:, 0])


def _svg(sheet: "Sheet", name: str) -> str:
    """The drawing without its prologue; ids that nothing refers to left out, the others made the picture's own."""
    out = StringIO()
    sheet.savefig(out, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    svg = out.getvalue()
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg[svg.index("<svg") :], flags=re.DOTALL)
    used = set(re.findall(r"(?:url\(#|href=\"#)([^)\"]+)", svg))
    svg = re.sub(r'\sid="([^"]+)"', lambda found: f' id="{name}-{found[1]}"' if found[1] in used else "", svg)
    return re.sub(r"(url\(#|href=\"#)", rf"\g<1>{name}-", svg)


def account_picture(report: ClientReport) -> str:
    """What came in and was made, and what took it out, as two bars of one length."""
    ledger = report.assessment.ledger
    sides = (
        ("In", (("From outdoors", ledger.entered_mg, "///"), ("Made indoors", ledger.generated_mg, "")), "in"),
        (
            "Out",
            (
                ("Filtered out", ledger.filtered_mg, "\\\\\\"),
                ("Settled", ledger.settled_mg, "..."),
                ("Left with the air", ledger.carried_out_mg, ""),
            ),
            "out",
        ),
    )
    total = max(*(sum(mass for _, mass, _ in parts) for _, parts, _ in sides), 1e-12)
    with _sheet("account", 1.5) as (sheet, (axes,)):
        for place, (side, parts, ink) in enumerate(sides):
            left = 0.0
            for name, mass, hatch in parts:
                axes.barh(
                    -place, mass, left=left, height=0.5, color=PALETTE["paper"], edgecolor=PALETTE[ink], hatch=hatch
                )
                if mass > 0.1 * total:
                    axes.text(left + mass / 2.0, 0.33 - place, name, ha="center", va="bottom", fontsize=8)
                left += mass
            axes.text(-0.01 * total, -place, side, ha="right", va="center", weight="bold", color=PALETTE[ink])
        axes.set(xlim=(0.0, 1.001 * total), ylim=(-1.4, 0.75))
        axes.axis("off")
        return _svg(sheet, "account")


def delivery_picture(report: ClientReport, teller: Teller) -> str:
    """Expected and delivered clean air on one scale, each with its range hatched."""
    scale, symbol = teller.systems("m3/h")[0]
    figures = (
        ("Expected", report.assessment.expected.clean_air_delivered_m3h),
        ("Delivered", report.assessment.estimates.clean_air_delivered_m3h),
    )
    with _sheet("delivery", 1.25) as (sheet, (axes,)):
        for place, (_, figure) in enumerate(figures):
            if figure.value is None:
                axes.text(0.0, -place, " not known", va="center", style="italic", color=PALETTE["ink-soft"])
                continue
            value, low, high = (number / scale for number in (figure.value, figure.low, figure.high))
            axes.barh(-place, value, height=0.28, color=PALETTE["rule-strong"])
            axes.barh(
                -place, high - low, left=low, height=0.5, color=PALETTE["paper"], edgecolor=PALETTE["ink"], hatch="////"
            )
            axes.plot([value, value], [-place - 0.4, -place + 0.4], color=PALETTE["ink"], linewidth=2.5)
        axes.set_yticks([0, -1], [name for name, _ in figures])
        axes.grid(axis="x")
        axes.set(xlim=(0.0, None), ylim=(-1.5, 0.5), xlabel=f"clean air while the fan runs, {symbol}")
        return _svg(sheet, "delivery")


def course_picture(name: str, report: ClientReport, teller: Teller) -> str:
    """In and out as measured, the account's course, and what it leaves over; `name` is "course" or "detail"."""
    points = report.course if name == "course" else report.assessment.trace
    times: Any = [point.time.astimezone(teller.zone) for point in points]
    nan = float("nan")
    indoor, outdoor, modelled = (
        [nan if value is None else value for value in column]
        for column in zip(*((each.indoor_pm25, each.outdoor_pm25, each.modelled_pm25) for each in points), strict=True)
    )
    with _sheet(name, 3.6, 2, sharex=True, height_ratios=(3, 1)) as (sheet, (above, below)):
        above.plot(times, outdoor, color=PALETTE["in"], linewidth=0.9, linestyle=(0, (5, 2)), label="outdoors")
        above.plot(times, indoor, color=PALETTE["ink"], linewidth=1.1, label="indoors, measured")
        above.plot(
            times, modelled, color=PALETTE["out"], linewidth=1.6, linestyle=(0, (1, 1.2)), label="by the account"
        )
        above.legend(ncols=3, loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.1)
        above.set(ylabel="PM2.5, µg/m³", ylim=(0.0, None))
        residual = [seen - reckoned for seen, reckoned in zip(indoor, modelled, strict=True)]
        below.axhline(0.0, color=PALETTE["rule-strong"], linewidth=0.8)
        below.plot(times, residual, color=PALETTE["ink"], linewidth=0.8)
        below.set(ylabel="left over")
        _dated(below, times)
        return _svg(sheet, name)


def pressure_picture(report: ClientReport, teller: Teller) -> str:
    """The filter's drop by days against the drop at which it is changed, and the duct's static pressure."""
    scale, symbol = teller.systems("Pa")[0]
    limit = report.assessment.filter.drop_limit_pa
    with _sheet("pressure", 2.2) as (sheet, (axes,)):
        if report.filter_drop:
            days: Any = [each.day for each in report.filter_drop]
            axes.plot(
                days,
                [each.drop_pa / scale for each in report.filter_drop],
                color=PALETTE["ink"],
                marker="o",
                markersize=3.5,
                linewidth=1.0,
                label="across the filter",
            )
            if limit is not None:
                axes.axhline(
                    limit / scale, color=PALETTE["margin"], linewidth=1.2, linestyle=(0, (4, 2)), label="changed at"
                )
        if report.duct_static:
            days = [each.day for each in report.duct_static]
            axes.plot(
                days,
                [each.median_pa / scale for each in report.duct_static],
                color=PALETTE["out"],
                marker="s",
                markersize=3,
                linewidth=1.0,
                linestyle=(0, (1, 1.5)),
                label="static pressure in the duct",
            )
        axes.legend(ncols=3, loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.1)
        axes.set(ylabel=f"{symbol}, fan running", ylim=(min(0.0, *axes.get_ylim()), None))
        _dated(axes, [*(each.day for each in report.filter_drop), *(each.day for each in report.duct_static)])
        return _svg(sheet, "pressure")


def _dated(axes: "Axes", times: Sequence[Any]) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter  # noqa: PLC0415  as above

    zone = times[0].tzinfo if times and isinstance(times[0], datetime) else None
    # With its usual five at least, it finds no step that gives at most eight of 4 hours, or of 4 days.
    locator = AutoDateLocator(tz=zone, minticks=3, maxticks=8)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    formatter = ConciseDateFormatter(locator, tz=zone, show_offset=False)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(formatter)
