"""The card of the hours ahead: the forecast with its spread, the fan's schedule in it, and the way that it beats."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import fmean

from ..engine.assessment import Alternative, FanAdvice, FanSpan, HourAhead, Known
from .drawing import Band, Mark, Scale, area_path, line_path
from .figures import Written, number, per_cent
from .occasion import Occasion
from .trace import hour_marks

HOUR = timedelta(hours=1)
SHOWN_HOURS = 24
"""The plan looks further; a day is what can be read at a glance, and forecasts tell little beyond it."""
NOT_WORTH_TELLING = 0.01


@dataclass(frozen=True)
class HourRow:
    """One hour in figures; `fan` is how many minutes of it the schedule asks for, beyond the thermostat's calls."""

    hour: str
    outdoors: Written
    indoors: Written
    fan: str


@dataclass(frozen=True)
class AheadCard:
    """What the card of the hours ahead shows; no lines where there is no forecast that still holds."""

    lead: str
    beaten: str
    lines: tuple[tuple[str, str, str, str], ...]
    scale: Scale
    target: float
    target_label: str
    hours: tuple[Mark, ...]
    midnights: tuple[Mark, ...]
    fan: tuple[Band, ...]
    rows: tuple[HourRow, ...]
    basis: str


def ahead_card(occasion: Occasion) -> AheadCard:
    """The card of the hours ahead from an assessment."""
    fan = occasion.assessment.fan
    hours = tuple(hour for hour in fan.hours_ahead if hour.start + HOUR > occasion.now)[:SHOWN_HOURS]
    if occasion.is_stale or not hours:
        told = (
            "What comes is not known: the readings are too old for a forecast."
            if occasion.is_stale
            else "There is no forecast of the next hours yet."
        )
        return AheadCard(told, "", (), Scale(1.0), 0.0, "", (), (), (), (), "")
    start, end = hours[0].start, hours[-1].start + HOUR
    span = (end - start).total_seconds()
    # The far end of the outdoor spread may lie many times above what is expected; it runs off the drawing, not over it.
    tops = [1.3 * max(hour.outdoor_pm25 for hour in hours), max(hour.indoor_between[1] for hour in hours)]
    scale = occasion.scale(
        [
            1.1 * fan.target_ug_m3,
            max(hour.outdoor_pm25 for hour in hours),
            min(max(hour.outdoor_between[1] for hour in hours), max(tops)),
        ],
        "ug/m3",
    )

    def across(moment: datetime) -> float:
        return min(max((moment - start).total_seconds() / span, 0.0), 1.0)

    def drawn(name: str, title: str) -> tuple[str, str, str, str]:
        middles = [across(hour.start + HOUR / 2) for hour in hours]
        values = [getattr(hour, f"{name}_pm25") for hour in hours]
        pairs = [getattr(hour, f"{name}_between") for hour in hours]
        return (
            name,
            title,
            line_path(list(zip(middles, values, strict=True)), scale.top),
            area_path(list(zip(middles, pairs, strict=True)), scale.top),
        )

    marks, midnights = hour_marks(start, end, occasion)
    bands = [(across(each.start), across(each.end)) for each in fan.schedule]
    return AheadCard(
        lead=_lead(hours, fan, occasion),
        beaten=_beaten(fan),
        lines=(drawn("outdoor", "Outdoors, forecast"), drawn("indoor", "Indoors, if the schedule is kept")),
        scale=scale,
        target=round(16.0 + 180.0 * (1.0 - scale.percent(fan.target_ug_m3) / 100.0), 1),
        target_label=f"target {number(fan.target_ug_m3)}",
        hours=marks,
        midnights=midnights,
        fan=tuple(Band(round(100 * left, 2), round(100 * (right - left), 2)) for left, right in bands if right > left),
        rows=tuple(_row(hour, fan, occasion) for hour in hours),
        basis=fan.forecast_basis,
    )


def _lead(hours: Sequence[HourAhead], fan: FanAdvice, occasion: Occasion) -> str:
    """The mean indoors over the hours shown; a forecast that is too high is taken to be so in all of them."""
    value, low, high = (
        fmean(each) for each in zip(*((hour.indoor_pm25, *hour.indoor_between) for hour in hours), strict=True)
    )
    mean = occasion.figure(Known(value=value, low=low, high=high, unit="ug/m3")).first
    target = occasion.exact(fan.target_ug_m3, "ug/m3").first
    side = (
        "above"
        if low > fan.target_ug_m3
        else "within"
        if high <= fan.target_ug_m3
        else "likely above"
        if value > fan.target_ug_m3
        else "likely within"
    )
    start, end = hours[0].start, hours[-1].start + HOUR
    scheduled = sum((_overlap(each, start, end) for each in fan.schedule), timedelta(0)) / HOUR
    return (
        f"Over the next {len(hours)} hours the air indoors should come to about {mean.number}\N{NO-BREAK SPACE}"
        f"{mean.unit} ({mean.low} to {mean.high}), {side} the target of {target.number}, "
        f"with the fan scheduled for {number(scheduled)}\N{NO-BREAK SPACE}h."
    )


def _beaten(fan: FanAdvice) -> str:
    """The best simple way on the same forecast, and by how much the schedule is better than it."""
    ways = [(way, way.energy_kwh, way.mean_pm25) for way in fan.alternatives]
    known = [(way, energy, mean) for way, energy, mean in ways if isinstance(energy, Known) and isinstance(mean, Known)]
    if not known or not isinstance(fan.energy_kwh, Known) or not isinstance(fan.mean_pm25, Known):
        return ""
    hours = len(fan.hours_ahead)
    holding = [each for each in known if each[0].holds_target]
    if fan.holds_target and holding:
        way, energy, _ = min(holding, key=lambda each: each[1].value)
        saved = 1.0 - fan.energy_kwh.value / energy.value if energy.value > 0.0 else 0.0
        if saved > NOT_WORTH_TELLING:
            return (
                f"Over the {hours} hours planned it beats {_name(way)}, the best simple way that also keeps the "
                f"target, by {per_cent(saved)} energy."
            )
        return f"{_name(way, starts=True)} would keep the target over the {hours} hours planned at the same energy."
    way, _, mean = min(known, key=lambda each: each[1].value)
    cleaner = 1.0 - fan.mean_pm25.value / mean.value if mean.value > 0.0 else 0.0
    kept = "" if fan.holds_target else "No way of running the fan keeps the target on this forecast. "
    if cleaner > NOT_WORTH_TELLING:
        told = f"Over the {hours} hours planned it leaves the air {per_cent(cleaner)} cleaner than {_name(way)} would."
        return kept + told
    return f"{kept}{_name(way, starts=True)} would come to the same."


def _name(way: Alternative, *, starts: bool = False) -> str:
    told = f"running it \N{LEFT DOUBLE QUOTATION MARK}{way.name}\N{RIGHT DOUBLE QUOTATION MARK}"
    return told[0].upper() + told[1:] if starts else told


def _row(hour: HourAhead, fan: FanAdvice, occasion: Occasion) -> HourRow:
    end = hour.start + HOUR
    minutes = sum((_overlap(each, hour.start, end) for each in fan.schedule), timedelta(0)) / timedelta(minutes=1)

    def figure(value: float, between: tuple[float, float]) -> Written:
        return occasion.figure(Known(value=value, low=between[0], high=between[1], unit="ug/m3"))

    return HourRow(
        occasion.clock(hour.start),
        figure(hour.outdoor_pm25, hour.outdoor_between),
        figure(hour.indoor_pm25, hour.indoor_between),
        f"{minutes:.0f}",
    )


def _overlap(span: FanSpan, start: datetime, end: datetime) -> timedelta:
    """How much of a span lies between two moments."""
    return max(min(span.end, end) - max(span.start, start), timedelta(0))
