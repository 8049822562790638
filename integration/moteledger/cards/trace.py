"""The card of the traces: the last hours outdoors, indoors and by the model, and when the fan ran."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import fmean

from ..engine.assessment import TracePoint
from .drawing import Band, Mark, Scale, area_path, line_path
from .figures import Written, day_name, per_cent
from .occasion import Occasion

LONGEST = timedelta(hours=48)
MOST_POINTS = 288
FAN_RAN = 0.5


@dataclass(frozen=True)
class Line:
    """One line of the drawing."""

    key: str
    name: str
    path: str


@dataclass(frozen=True)
class TraceCard:
    """What the card of the traces shows; no lines where nothing was recorded."""

    lead: str
    lines: tuple[Line, ...]
    band: str
    scale: Scale
    hours: tuple[Mark, ...]
    midnights: tuple[Mark, ...]
    fan: tuple[Band, ...]
    fan_hours: Written | None
    start: str
    end: str
    step: str


def trace_card(occasion: Occasion) -> TraceCard:
    """The card of the traces from an assessment."""
    points = sorted(occasion.assessment.trace, key=lambda point: point.time)
    points = [point for point in points if points[-1].time - point.time <= LONGEST]
    if len(points) < 2:
        return TraceCard("No trace has been recorded yet.", (), "", Scale(1.0), (), (), (), None, "", "", "")
    thinned = _thinned(points)
    start, end = points[0].time, points[-1].time
    span = (end - start).total_seconds()

    def across(moment: datetime) -> float:
        return (moment - start).total_seconds() / span

    def line(key: str, name: str, value: Callable[[TracePoint], float | None]) -> Line:
        return Line(key, name, line_path([(across(point.time), value(point)) for point in thinned], scale.top))

    scale = occasion.scale(
        (
            value
            for point in thinned
            for value in (
                point.indoor_pm25,
                point.outdoor_pm25,
                point.modelled_pm25,
                point.modelled_between and point.modelled_between[1],
            )
        ),
        "ug/m3",
    )
    hours, midnights = hour_marks(start, end, occasion)
    fan, fan_hours = _fan(points, across)
    return TraceCard(
        lead=_lead(points),
        lines=tuple(
            each
            for each in (
                line("outdoor", "Outdoors, measured", lambda point: point.outdoor_pm25),
                line("modelled", "Indoors, by the account", lambda point: point.modelled_pm25),
                line("indoor", "Indoors, measured", lambda point: point.indoor_pm25),
            )
            if each.path
        ),
        band=area_path([(across(point.time), point.modelled_between) for point in thinned], scale.top),
        scale=scale,
        hours=hours,
        midnights=midnights,
        fan=fan,
        fan_hours=None if fan_hours is None else occasion.exact(fan_hours, "h"),
        start=occasion.moment(start),
        end=occasion.moment(end),
        step=f"{(thinned[1].time - thinned[0].time).total_seconds() / 60.0:.0f} min",
    )


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return fmean(known) if known else None


def _thinned(points: Sequence[TracePoint]) -> list[TracePoint]:
    """Means over equal runs of points, so that a drawing holds at most MOST_POINTS of them."""
    run = -(-len(points) // MOST_POINTS)
    if run == 1:
        return list(points)
    thinned = []
    for first in range(0, len(points), run):
        group = points[first : first + run]
        pairs = [point.modelled_between for point in group if point.modelled_between is not None]
        thinned.append(
            TracePoint(
                time=group[0].time,
                indoor_pm25=_mean([point.indoor_pm25 for point in group]),
                outdoor_pm25=_mean([point.outdoor_pm25 for point in group]),
                modelled_pm25=_mean([point.modelled_pm25 for point in group]),
                fan_fraction=_mean([point.fan_fraction for point in group]),
                modelled_between=(fmean(low for low, _ in pairs), fmean(high for _, high in pairs)) if pairs else None,
            )
        )
    return thinned


def hour_marks(start: datetime, end: datetime, occasion: Occasion) -> tuple[tuple[Mark, ...], tuple[Mark, ...]]:
    """Labels at the local hours divisible by six, and the local midnights with their day."""
    span = (end - start).total_seconds()
    step = 6 if span > 15 * 3600 else 3 if span > 6 * 3600 else 1
    zone = occasion.house.zone
    hour = start.astimezone(zone).replace(minute=0, second=0, microsecond=0)
    hours, midnights = [], []
    for _ in range(int(LONGEST.total_seconds() // 3600) + 2):
        at = round(100.0 * (hour.timestamp() - start.timestamp()) / span, 2)
        if 6.0 < at < 94.0 and hour.hour % step == 0:
            hours.append(Mark(at, occasion.clock(hour), is_minor=hour.hour not in (0, 12)))
            if hour.hour == 0:
                midnights.append(
                    Mark(at, day_name(hour.date()), "start" if at < 15.0 else "end" if at > 85.0 else "middle")
                )
        hour = datetime.fromtimestamp(hour.timestamp() + 3600.0, tz=zone)
    return tuple(hours), tuple(midnights)


def _fan(points: Sequence[TracePoint], across: Callable[[datetime], float]) -> tuple[tuple[Band, ...], float | None]:
    """The stretches in which the fan ran more than half the time, and its running time, h; None where not recorded."""
    if all(point.fan_fraction is None for point in points):
        return (), None
    bands: list[tuple[float, float]] = []
    hours = 0.0
    for point, following in pairwise(points):
        fraction = point.fan_fraction or 0.0
        hours += fraction * (following.time - point.time).total_seconds() / 3600.0
        if fraction < FAN_RAN:
            continue
        begin, finish = across(point.time), across(following.time)
        if bands and abs(bands[-1][1] - begin) < 1e-9:
            bands[-1] = (bands[-1][0], finish)
        else:
            bands.append((begin, finish))
    return tuple(Band(round(100 * begin, 2), round(100 * (finish - begin), 2)) for begin, finish in bands), hours


def _lead(points: Sequence[TracePoint]) -> str:
    hours = (points[-1].time - points[0].time).total_seconds() / 3600.0
    span = f"Over the last {hours:.0f} hours" if hours >= 1.5 else "Over the last hour"
    both = [
        (point.indoor_pm25, point.outdoor_pm25)
        for point in points
        if point.indoor_pm25 is not None and point.outdoor_pm25 is not None
    ]
    if not both:
        return f"{span} indoor and outdoor air were not measured together."
    indoor, outdoor = fmean(inside for inside, _ in both), fmean(outside for _, outside in both)
    if outdoor <= 0.0:
        return f"{span} the outdoor air held no measurable fine dust."
    share = indoor / outdoor
    if share > 1.05:
        return f"{span} the air indoors held more fine dust than the air outdoors: {per_cent(share)} of it."
    return f"{span} the air indoors held {per_cent(share)} as much fine dust as the air outdoors."
