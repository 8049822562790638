"""The card of the events: particles made indoors, when and how much."""

from dataclasses import dataclass
from datetime import timedelta

from ..engine.assessment import Event, Known
from .drawing import Scale, Strip, strip
from .figures import Written, number
from .notes import Cell, Notes
from .occasion import Occasion

MOST_EVENTS = 6
COOKING_HOURS = ((6, 9), (11, 14), (17, 21))
"""Local hours in which meals are made (common practice, no source)."""
LONGEST_MEAL = timedelta(hours=2)


@dataclass(frozen=True)
class EventRow:
    """One event as a row of the table."""

    when: str
    likely: str
    emitted: Cell
    drawn: Strip | None
    peak: Written


@dataclass(frozen=True)
class EventsCard:
    """What the card of the events shows, the latest first."""

    lead: str
    total: str
    rows: tuple[EventRow, ...]
    scale: Scale
    left_out: int
    notes: tuple[tuple[int, str], ...]


def events_card(occasion: Occasion) -> EventsCard:
    """The card of the events from an assessment."""
    events = sorted(occasion.assessment.events, key=lambda event: event.start, reverse=True)
    shown = events[:MOST_EVENTS]
    scale = occasion.scale([each.emitted_mg.high for each in shown if isinstance(each.emitted_mg, Known)], "mg")
    notes = Notes()

    def row(event: Event) -> EventRow:
        emitted = occasion.figure(event.emitted_mg)
        return EventRow(
            _when(event, occasion),
            "likely cooking" if likely_cooking(event, occasion) else "",
            notes.cell(emitted),
            strip(emitted, scale),
            occasion.exact(event.peak_ug_m3, "ug/m3"),
        )

    rows = tuple(row(event) for event in shown)
    return EventsCard(
        lead=_lead(events[0], occasion) if events else "Nothing that was made indoors stood out in this time.",
        total=_total(events),
        rows=rows,
        scale=scale,
        left_out=len(events) - len(shown),
        notes=notes.texts,
    )


def likely_cooking(event: Event, occasion: Occasion) -> bool:
    """Whether an event is as short, and begins at such an hour, as cooking does; no more than a guess."""
    hour = event.start.astimezone(occasion.house.zone).hour
    return event.end - event.start <= LONGEST_MEAL and any(begin <= hour < end for begin, end in COOKING_HOURS)


def _lead(event: Event, occasion: Occasion) -> str:
    likely = ", likely cooking" if likely_cooking(event, occasion) else ""
    start, end = occasion.when(event.start), occasion.when(event.end)
    between = f"Between {start} and {end}"
    if event.start.astimezone(occasion.house.zone).date() == event.end.astimezone(occasion.house.zone).date():
        between = f"Between {occasion.clock(event.start)} and {end}"
    if not isinstance(event.emitted_mg, Known):
        return f"{between} something was made indoors{likely}; how much cannot be told."
    emitted = occasion.figure(event.emitted_mg).first
    return f"{between} about {emitted.number}\N{NO-BREAK SPACE}mg were made indoors{likely}."


def _when(event: Event, occasion: Occasion) -> str:
    return f"{occasion.moment(event.start)} to {occasion.clock(event.end)}"


def _total(events: list[Event]) -> str:
    known = [event.emitted_mg.value for event in events if isinstance(event.emitted_mg, Known)]
    if len(known) < 2:
        return ""
    return f"In the whole time there were {len(events)} such events; together they made about {number(sum(known))} mg."
