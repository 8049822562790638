"""The pictures of the report for a client; each function draws one to a width."""

from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

from .document import ClientReport
from .drawing import PALETTE, Strip, date_axis, draw_strip, is_narrow, key_above, letter_numbers, sheet, svg_of
from .told import Teller

_LEDGER = "/assessment/ledger"


def account_picture(report: ClientReport, width_in: float) -> str:
    """What came in and was made, and what took it out, as two bars of one length."""
    ledger = report.assessment.ledger
    sides = (
        ("In", (("From outdoors", "entered_mg", "///"), ("Made indoors", "generated_mg", "")), "in"),
        (
            "Out",
            (
                ("Filtered out", "filtered_mg", "\\\\\\"),
                ("Settled", "settled_mg", "..."),
                ("Left with the air", "carried_out_mg", ""),
            ),
            "out",
        ),
    )
    total = max(report.came_in_mg, report.went_out_mg, 1e-12)
    # What is too small for its name stands in the table below all the same.
    named_from = 0.25 if is_narrow(width_in) else 0.1
    with sheet(width_in, 1.5) as (drawn, (axes,)):
        for place, (side, parts, ink) in enumerate(sides):
            left = 0.0
            for name, key, hatch in parts:
                mass = getattr(ledger, key)
                axes.barh(
                    -place,
                    mass,
                    left=left,
                    height=0.5,
                    color=PALETTE["paper"],
                    edgecolor=PALETTE[ink],
                    hatch=hatch,
                    gid=f"{_LEDGER}/{key}",
                )
                if mass > named_from * total:
                    axes.text(left + mass / 2.0, 0.33 - place, name, ha="center", va="bottom", fontsize=8)
                left += mass
            axes.text(-0.01 * total, -place, side, ha="right", va="center", weight="bold", color=PALETTE[ink])
        axes.set(xlim=(0.0, 1.001 * total), ylim=(-1.4, 0.75))
        axes.axis("off")
        return svg_of(drawn, "account", width_in)


def delivery_picture(report: ClientReport, teller: Teller, width_in: float) -> str:
    """Expected and delivered clean air on one scale, each with its range hatched."""
    scale, symbol = teller.systems("m3/h")[0]
    figures = (("Expected", "expected"), ("Delivered", "estimates"))
    with sheet(width_in, 1.25) as (drawn, (axes,)):
        for place, (_, key) in enumerate(figures):
            figure = getattr(report.assessment, key).clean_air_delivered_m3h
            if figure.value is None:
                axes.text(0.0, -place, " not known", va="center", style="italic", color=PALETTE["ink-soft"])
                continue
            value, low, high = (number / scale for number in (figure.value, figure.low, figure.high))
            source = f"/assessment/{key}/clean_air_delivered_m3h"
            draw_strip(axes, -place, Strip(value, low, high, source), height=0.8)
        axes.set_yticks([0, -1], [name for name, _ in figures])
        axes.grid(axis="x")
        letter_numbers(axes.xaxis)
        axes.set(xlim=(0.0, None), ylim=(-1.5, 0.5), xlabel=f"clean air while the fan runs, {symbol}")
        return svg_of(drawn, "delivery", width_in)


def course_picture(name: str, report: ClientReport, teller: Teller, width_in: float) -> str:
    """Outdoors; indoors as measured and by the account; what the account leaves over. `name`: "course" or "detail"."""
    points = report.course if name == "course" else report.assessment.trace
    times: Any = [point.time.astimezone(teller.zone) for point in points]
    nan = float("nan")
    indoor, outdoor, modelled = (
        [nan if value is None else value for value in column]
        for column in zip(*((each.indoor_pm25, each.outdoor_pm25, each.modelled_pm25) for each in points), strict=True)
    )
    source = "/course" if name == "course" else "/assessment/trace"
    # Outdoors has a field of its own: its scale would press the indoor lines, which are to be compared, flat.
    with sheet(width_in, 3.3, 3, sharex=True, height_ratios=(1.1, 2, 1)) as (drawn, (above, middle, below)):
        above.plot(times, outdoor, color=PALETTE["in"], linewidth=1.0, gid=f"{source}/outdoor_pm25")
        above.set(ylabel="outdoors", ylim=(0.0, None))
        # The account is a broad stroke below, the measured a fine one on it: where they agree, both are seen.
        middle.plot(
            times,
            modelled,
            color=PALETTE["reckoned"],
            linewidth=4.0,
            solid_joinstyle="round",
            label="by the account",
            gid=f"{source}/modelled_pm25",
        )
        middle.plot(times, indoor, color=PALETTE["ink"], linewidth=0.9, label="measured", gid=f"{source}/indoor_pm25")
        key_above(middle, 2)
        middle.set(ylabel="indoors", ylim=(0.0, None))
        residual = [seen - reckoned for seen, reckoned in zip(indoor, modelled, strict=True)]
        below.axhline(0.0, color=PALETTE["rule-strong"], linewidth=0.8)
        below.plot(times, residual, color=PALETTE["ink"], linewidth=0.8)
        below.set(ylabel="left over")
        letter_numbers(above.yaxis, middle.yaxis, below.yaxis)
        date_axis(below, teller.zone, teller.clock, width_in)
        return svg_of(drawn, name, width_in)


def pressure_picture(report: ClientReport, teller: Teller, width_in: float) -> str:
    """The filter's drop by days against the drop at which it is changed, and the duct's static pressure."""
    scale, symbol = teller.systems("Pa")[0]
    limit = report.assessment.filter.drop_limit_pa
    narrow = is_narrow(width_in)
    with sheet(width_in, 2.3 if narrow else 1.9) as (drawn, (axes,)):
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
                gid="/filter_drop",
            )
            if limit is not None:
                axes.axhline(
                    limit / scale,
                    color=PALETTE["margin"],
                    linewidth=1.2,
                    linestyle=(0, (4, 2)),
                    label="changed at",
                    gid="/assessment/filter/drop_limit_pa",
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
                gid="/duct_static",
            )
        key_above(axes, 1 if narrow else 3)
        letter_numbers(axes.yaxis)
        axes.set(ylabel=f"{symbol}, fan running", ylim=(min(0.0, *axes.get_ylim()), None))
        # A day has no zone; the plotting library sets it down at midnight of UTC.
        date_axis(axes, ZoneInfo(str(UTC)), teller.clock, width_in)
        return svg_of(drawn, "pressure", width_in)
