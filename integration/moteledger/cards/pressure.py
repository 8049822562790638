"""The card of the pressure: what the sensors in the duct read now and over the last hour, held against the budget."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from ..engine.assessment import FilterAdvice, Known
from .beside import Watched
from .drawing import Mark, Reading, Scale, line_path, mark, strip
from .figures import Written, per_cent, printed_scale
from .occasion import Occasion

SHOWN_FOR = timedelta(hours=1)
FRESH_FOR = timedelta(minutes=5)
BREAKS_AFTER = timedelta(minutes=3)
NAMES = {"filter.pressure_drop": "Drop across the filter", "duct.static_pressure": "Static pressure in the duct"}
LINES = {"filter.pressure_drop": "indoor", "duct.static_pressure": "outdoor"}


@dataclass(frozen=True)
class LiveFigure:
    """A figure that follows its sensor; `per_printed` of the document's unit make one of the printed one.

    A figure that moves keeps its number of decimals, so that it does not jump about.
    """

    signal: str
    name: str
    figure: Written
    is_fresh: bool
    per_printed: float
    decimals: int


@dataclass(frozen=True)
class PressureCard:
    """What the card of the pressure shows; no lines where nothing was read in the last hour."""

    lead: str
    live: tuple[LiveFigure, ...]
    lines: tuple[tuple[str, str, str], ...]
    scale: Scale
    budget: float | None
    minutes: tuple[Mark, ...]
    start: str
    end: str
    drop: Reading
    drop_scale: Scale
    reference_airflow: Written | None


def pressure_card(occasion: Occasion) -> PressureCard:
    """The card of the pressure from an assessment and the readings of the last hour."""
    advice = occasion.assessment.filter
    watched = [each for each in occasion.beside.watched if each.points]
    start, end = occasion.now - SHOWN_FOR, occasion.now
    points = {each.signal: [point for point in each.points if start <= point[0] <= end + FRESH_FOR] for each in watched}
    drop, limit = advice.drop_at_reference_pa, advice.drop_limit_pa
    values = [max(value, 0.0) for each in points.values() for _, value in each]
    scale = occasion.scale([limit and 1.1 * limit, *values], "Pa")
    drop_scale = occasion.scale([limit and 1.1 * limit, drop.high if isinstance(drop, Known) else None], "Pa")
    drop_written = occasion.figure(drop)
    per_printed, _ = printed_scale("Pa", occasion.units)
    decimals = 1 if per_printed == 1.0 else 3
    return PressureCard(
        lead=_lead(advice, watched, occasion),
        live=tuple(
            LiveFigure(
                each.signal,
                NAMES[each.signal],
                _steady(occasion.exact(round(each.points[-1][1], 1), "Pa"), each.points[-1][1] / per_printed, decimals),
                occasion.now - each.points[-1][0] <= FRESH_FOR,
                per_printed,
                decimals,
            )
            for each in watched
        ),
        lines=tuple(
            (LINES[signal], NAMES[signal], line_path(_across(signal_points, occasion), scale.top))
            for signal, signal_points in points.items()
            if signal_points
        ),
        scale=scale,
        budget=None if limit is None else round(16.0 + 120.0 * (1.0 - scale.percent(limit) / 100.0), 1),
        minutes=tuple(
            Mark(round(100.0 - 100.0 * ago / 60.0, 2), occasion.clock(end - timedelta(minutes=ago)))
            for ago in (45, 30, 15)
        ),
        start=occasion.clock(start),
        end=occasion.clock(end),
        drop=Reading(
            "Filter drop at the reference airflow",
            drop_written,
            strip(drop_written, drop_scale, None if limit is None else mark(drop_scale.percent(limit), "budget")),
        ),
        drop_scale=drop_scale,
        reference_airflow=(
            None if advice.reference_airflow_m3h is None else occasion.exact(advice.reference_airflow_m3h, "m3/h")
        ),
    )


def _steady(written: Written, value: float, decimals: int) -> Written:
    # Adding nought turns a negative nought into a plain one.
    number = f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "\N{MINUS SIGN}")
    return replace(written, first=replace(written.first, number=number))


def _across(points: list[tuple[datetime, float]], occasion: Occasion) -> list[tuple[float, float | None]]:
    """Places on the last hour; a long silence breaks the line."""
    placed: list[tuple[float, float | None]] = []
    before: datetime | None = None
    for moment, value in points:
        at = 1.0 - (occasion.now - moment) / SHOWN_FOR
        if before is not None and moment - before > BREAKS_AFTER:
            placed.append((at, None))
        placed.append((min(max(at, 0.0), 1.0), value))
        before = moment
    return placed


def _lead(advice: FilterAdvice, watched: list[Watched], occasion: Occasion) -> str:
    drop, limit = advice.drop_at_reference_pa, advice.drop_limit_pa
    if not watched:
        return "No pressure is measured here: a sensor across the filter would show its load as it grows."
    if isinstance(drop, Known) and limit:
        share = drop.value / limit
        if drop.low > limit:
            return "The filter resists more than its budget allows: change it, and look at what else hinders the air."
        return f"At its reference airflow the filter takes {per_cent(share)} of its pressure budget."
    newest = max(watched, key=lambda each: each.points[-1][0])
    told = occasion.exact(round(newest.points[-1][1], 1), "Pa").first
    return (
        f"{NAMES[newest.signal]}: {told.number}\N{NO-BREAK SPACE}{told.unit} at {occasion.when(newest.points[-1][0])}."
    )
