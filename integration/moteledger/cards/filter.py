"""The card of the filter: its resistance against its limit, the dust it took, and when to change it."""

from dataclasses import dataclass
from datetime import date

from motemodel.estimate import StepKind

from ..engine.assessment import Assessment, Caution, FilterAdvice, Known, LimitReason
from .drawing import Mark, Reading, Scale, Strip, mark, strip
from .figures import Written, full_day, sentence, short_day
from .occasion import Occasion

_LATER: dict[LimitReason, str] = {
    "pressure": "its resistance reaches its limit",
    "airflow": "it leaves too little air for heating and cooling",
    "efficiency": "it takes too few of the fine particles",
    "dust": "it is full of dust",
    "age": "it has been in use as long as it should",
}
"""What would come to be, were the filter not changed when its first limit is reached."""


@dataclass(frozen=True)
class DueDate:
    """The day to change the filter on a line of days from today."""

    strip: Strip
    marks: tuple[Mark, ...]
    title: str


@dataclass(frozen=True)
class SuddenChange:
    """The newest sudden change of the drop: when it came, which way, from what to what, what it likely is and why."""

    when: str
    went: str
    before: Written
    after: Written
    likely: str
    evidence: str


@dataclass(frozen=True)
class FilterCard:
    """What the card of the filter shows."""

    lead: str
    range: str
    besides: str
    later: str
    reason: str
    due: DueDate | None
    drop: Reading
    drop_scale: Scale
    limit: Written | None
    reference_airflow: Written | None
    change: SuddenChange | None
    dust: Written
    cautions: tuple[Caution, ...]
    today: date
    recorded: str


def filter_card(occasion: Occasion) -> FilterCard:
    """The card of the filter from an assessment."""
    advice = occasion.assessment.filter
    today = occasion.now.astimezone(occasion.house.zone).date()
    drop, limit = advice.drop_at_reference_pa, advice.drop_limit_pa
    scale = occasion.scale([limit and 1.1 * limit, drop.high if isinstance(drop, Known) else None], "Pa")
    drop_written = occasion.figure(drop)
    limit_mark = None if limit is None else mark(scale.percent(limit), "limit")
    return FilterCard(
        lead=_lead(occasion.assessment, today),
        range=_range(occasion.assessment),
        besides=_besides(advice, today),
        later=_later(occasion.assessment),
        reason=sentence(advice.reason),
        due=_due_date(occasion.assessment, today),
        drop=Reading("Pressure drop", drop_written, strip(drop_written, scale, limit_mark)),
        drop_scale=scale,
        limit=None if limit is None else occasion.exact(limit, "Pa"),
        reference_airflow=(
            None if advice.reference_airflow_m3h is None else occasion.exact(advice.reference_airflow_m3h, "m3/h")
        ),
        change=_newest_change(advice, occasion),
        dust=occasion.figure(advice.deposited_g),
        cautions=tuple(each for each in occasion.assessment.cautions if each.applies_to == "filter"),
        today=today,
        recorded=_recorded(advice, occasion),
    )


def _recorded(advice: FilterAdvice, occasion: Occasion) -> str:
    """A change that somebody recorded and that is not reckoned with yet."""
    on = occasion.beside.filter_changed_on
    if on is None or (advice.installed_on is not None and on <= advice.installed_on):
        return ""
    return f"Changed on {full_day(on)}, as recorded; the next assessment counts from there."


def _newest_change(advice: FilterAdvice, occasion: Occasion) -> SuddenChange | None:
    newest = max(advice.pressure_changes, key=lambda change: change.time, default=None)
    if newest is None:
        return None
    unexplained = newest.likely == StepKind.UNEXPLAINED
    return SuddenChange(
        occasion.moment(newest.time),
        "fell" if newest.after_pa < newest.before_pa else "rose",
        occasion.exact(round(newest.before_pa, 1), "Pa"),
        occasion.exact(round(newest.after_pa, 1), "Pa"),
        "nothing in the readings explains it" if unexplained else f"most likely: {newest.likely}",
        sentence(newest.evidence),
    )


def _lead(assessment: Assessment, today: date) -> str:
    advice = assessment.filter
    change_on = advice.change_on
    if change_on is None:
        return "When the filter is due cannot be told yet."
    days = (change_on - today).days
    if days <= 0:
        return "The filter is due. Change it now."
    if _by_age_alone(advice):
        on = full_day(change_on)
        return f"Change the filter by {on} at the latest; it cannot be told yet whether it is spent sooner."
    if not assessment.in_sight(change_on):
        return "The filter is not due within ten years, as far as can be told."
    earliest = change_on if advice.change_between is None else advice.change_between[0]
    already = " It may be due already." if earliest <= today else ""
    if days < 14:
        span = "1 day" if days == 1 else f"{days} days"
        return f"Change the filter in about {span}, around {short_day(change_on)}.{already}"
    span = f"{round(days / 7)} weeks" if days < 70 else f"{round(days / 30.4)} months"
    on = short_day(change_on) if change_on.year == today.year else full_day(change_on)
    return f"Change the filter in about {span}, around {on}.{already}"


def _by_age_alone(advice: FilterAdvice) -> bool:
    """Whether only its age sets a day, while the limits that its load sets are not known yet."""
    dated = {limit.reason for limit in advice.limits if limit.on is not None}
    undated = {limit.reason for limit in advice.limits if limit.on is None}
    return dated == {"age"} and bool(undated & {"pressure", "airflow"})


def _besides(advice: FilterAdvice, today: date) -> str:
    """By when to order one, when changing costs least, and since when this one is in."""
    told = []
    if advice.order_by is not None:
        by = f"{full_day(advice.order_by)}{' at the latest' if _by_age_alone(advice) else ''}"
        told.append("Order one now." if advice.order_by <= today else f"Order one by {by}.")
    if advice.cost_best_on is not None:
        told.append(f"Changing it costs least around {full_day(advice.cost_best_on)}.")
    if advice.change_seen_on is not None:
        told.append(f"Its resistance fell on {full_day(advice.change_seen_on)}: counted as a change.")
    elif advice.installed_on is not None:
        told.append(f"It is in since {full_day(advice.installed_on)}.")
    return " ".join(told)


def _later(assessment: Assessment) -> str:
    """The limits that the first one comes ahead of, and why the least efficiency asked for sets no day."""
    advice = assessment.filter
    dated = [limit for limit in advice.limits if limit.on is not None]
    told = [
        f"{_LATER[limit.reason]} around {full_day(limit.on)}"
        for limit in dated[1:]
        if limit.on is not None and assessment.in_sight(limit.on)
    ]
    asked = [limit for limit in advice.limits if limit.reason == "efficiency" and limit.on is None]
    of_efficiency = [limit.told for limit in asked if dated]
    return " ".join(([f"If it stays in, {'; '.join(told)}."] if told else []) + of_efficiency)


def _range(assessment: Assessment) -> str:
    between = assessment.filter.change_between
    if between is None or between[0] == between[1]:
        return ""
    low, high = map(full_day, between)
    if not assessment.in_sight(between[1]):
        return f"Nine times in ten the day is {low} or later; no latest day is in sight."
    return f"Nine times in ten the day falls between {low} and {high}."


def _due_date(assessment: Assessment, today: date) -> DueDate | None:
    change_on = assessment.filter.change_on
    if change_on is None or not assessment.in_sight(change_on):
        return None
    low, high = assessment.filter.change_between or (change_on, change_on)
    between = (
        f"between {full_day(low)} and {full_day(high)}" if assessment.in_sight(high) else f"{full_day(low)} or later"
    )
    start = min(today, low, change_on)
    length = max((max(high, change_on) - start).days * 1.08, 1.0)

    def place(day: date) -> float:
        return round(100.0 * (day - start).days / length, 2)

    return DueDate(
        Strip(place(change_on), place(low), place(high), high > low),
        (
            Mark(place(today), "today", "start" if place(today) < 80.0 else "end"),
            mark(place(change_on), short_day(change_on)),
        ),
        f"Change on {full_day(change_on)}, {between}; today is {full_day(today)}",
    )
