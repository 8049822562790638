"""The card of the fan: what it is to do now and in the hours ahead, why, and what the alternatives would bring."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from math import isclose

from ..engine.assessment import Alternative, Caution, FanAdvice, FanSpan, Figure, Known, NotKnown
from ..engine.fan_answer import Override, ReasonCode
from ..engine.fan_score import Decision, score_of
from .drawing import DayRow, Scale, day_rows, mark, strip
from .figures import Written, day_name, duration, number, per_cent, sentence
from .notes import Cell, Notes
from .occasion import Occasion

SHORTEST_OUTLOOK = timedelta(hours=24)
MOST_SPANS = 48

_SAME = 1e-6
_WHILE_H = 0.25

_SELF_EVIDENT = (
    ReasonCode.PLANNED_RUN,
    ReasonCode.PLANNED_RUN_EARLY,
    ReasonCode.PLANNED_REST,
    ReasonCode.PERSON,
)


@dataclass(frozen=True)
class Way:
    """One way to run the fan, as a row of the table, and those that come to the same hours."""

    name: str
    alike: str
    is_advice: bool
    mean: Cell
    hours: Cell
    energy: Cell
    cost: Cell


@dataclass(frozen=True)
class Outcome:
    """One decision of the past: since when, what was told, how much the fan ran, the air expected and read."""

    since: str
    told: str
    ran: str
    expected: str
    read: str


@dataclass(frozen=True)
class FanCard:
    """What the card of the fan shows; `is_lapsed` when the advice no longer holds; `told`: what automations hear."""

    lead: str
    reason: str
    is_lapsed: bool
    told: str
    holds_until: str
    rows: tuple[tuple[str, DayRow], ...]
    spans: tuple[str, ...]
    spans_left_out: int
    ways: tuple[Way, ...]
    notes: tuple[tuple[int, str], ...]
    scale: Scale
    target: Written
    basis: str
    cautions: tuple[Caution, ...]
    score: str
    outcomes: tuple[Outcome, ...]


def fan_card(occasion: Occasion) -> FanCard:
    """The card of the fan from an assessment."""
    fan = occasion.assessment.fan
    is_lapsed = occasion.is_stale or occasion.now > fan.valid_until
    ends = [span.end for span in fan.schedule]
    planned_until = fan.planned_until or max([occasion.now + SHORTEST_OUTLOOK, *ends])
    planned_until = max(planned_until, occasion.now + timedelta(hours=1))
    zone = occasion.house.zone
    has_plan = bool(fan.schedule) or fan.action_now != "leave"
    rows = day_rows(
        [(span.start, span.end) for span in fan.schedule], occasion.now, planned_until, zone, occasion.house.clock
    )
    notes = Notes()
    means = [fan.mean_pm25, *(each.mean_pm25 for each in fan.alternatives)]
    scale = occasion.scale([fan.target_ug_m3, *(each.high for each in means if isinstance(each, Known))], "ug/m3")

    target = mark(scale.percent(fan.target_ug_m3), "target")

    def way(name: str, same: Sequence[Alternative], each: FanAdvice | Alternative, cost: Figure) -> Way:
        mean_written, is_advice = occasion.figure(each.mean_pm25), isinstance(each, FanAdvice)
        return Way(
            name,
            f"the same as {_listed([one.name for one in same])}" if same else "",
            is_advice,
            notes.cell(mean_written, strip(mean_written, scale, target if is_advice else replace(target, label=""))),
            notes.cell(occasion.exact(each.run_hours, "h")),
            notes.cell(occasion.figure(each.energy_kwh)),
            notes.cell(occasion.figure(cost)),
        )

    same, *others = alike(fan, fan.alternatives)
    upcoming = [span for span in fan.schedule if span.end > occasion.now]
    return FanCard(
        lead=_lead(fan, is_lapsed, occasion),
        reason="" if is_lapsed else _reason(fan, occasion),
        is_lapsed=is_lapsed,
        told=_told(occasion),
        holds_until=occasion.when(fan.valid_until),
        rows=tuple((day_name(row.day), row) for row in rows if has_plan),
        spans=tuple(_span_text(span, occasion) for span in upcoming[:MOST_SPANS]),
        spans_left_out=max(len(upcoming) - MOST_SPANS, 0),
        ways=(
            way("This advice", same, fan, _cost_of(fan, occasion)),
            *(way(first.name, rest, first, first.cost) for first, *rest in others),
        ),
        notes=notes.texts,
        scale=scale,
        target=occasion.exact(fan.target_ug_m3, "ug/m3"),
        basis=sentence(fan.forecast_basis),
        cautions=tuple(each for each in occasion.assessment.cautions if each.applies_to == "fan"),
        score=_score(occasion),
        outcomes=tuple(_outcome(each, occasion) for each in occasion.beside.decided),
    )


def alike(fan: FanAdvice, alternatives: Sequence[Alternative]) -> list[list[Alternative]]:
    """The alternatives in groups that run the fan alike: first those that come to the advice itself, maybe none.

    Schedules of the same hours, energy and air are taken to be one schedule.
    """
    groups: list[tuple[FanAdvice | Alternative, list[Alternative]]] = [(fan, [])]
    for each in alternatives:
        group = next((members for first, members in groups if _is_same(first, each)), None)
        if group is None:
            groups.append((each, [each]))
        else:
            group.append(each)
    return [members for _, members in groups]


def _is_same(one: FanAdvice | Alternative, other: Alternative) -> bool:
    if not isclose(one.run_hours, other.run_hours, rel_tol=_SAME):
        return False
    pairs = ((one.energy_kwh, other.energy_kwh), (one.mean_pm25, other.mean_pm25))
    return all(
        isinstance(a, Known) and isinstance(b, Known) and isclose(a.value, b.value, rel_tol=_SAME) for a, b in pairs
    )


def _listed(names: Sequence[str]) -> str:
    """Names in a sentence: "a, b and c"."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _told(occasion: Occasion) -> str:
    """What automations hear now, with the reason where it is not the plan's, and a person's wish that stands."""
    answer = occasion.answer
    if answer is None:
        return ""
    asked = {"run": "run the fan", "rest": "let it rest", "leave": "leave it to its thermostat"}
    told = f"Automations are told now: {asked[answer.action]} (good until {occasion.when(answer.valid_until)})."
    if answer.reason_code not in _SELF_EVIDENT:
        again = f"After that: {occasion.assessment.fan.reason}"
        told += f" {sentence(answer.reason.replace(again, 'After that, as planned.'))}"
    if answer.override is not None:
        note = f" ({answer.override.note})" if answer.override.note else ""
        until = occasion.when(answer.override.until)
        told += f" A person wants this until {until}: {asked[answer.override.action]}{note}."
    return told


def _score(occasion: Occasion) -> str:
    """What the latest decisions came to together; nothing before any has stood for a while."""
    score = score_of(occasion.beside.decided)
    told = []
    if score.hours < _WHILE_H:
        return ""
    if score.expected_pm25 is not None and score.indoor_pm25 is not None:
        told.append(
            f"Over the last decisions, {duration(timedelta(hours=score.hours))} in all, the air indoors came to "
            f"{number(score.indoor_pm25)} µg/m³, where the plans expected {number(score.expected_pm25)}."
        )
    if score.runs:
        told.append(f"Runs carried out: {score.followed} of {score.runs} asked for.")
    return " ".join(told)


def _outcome(decision: Decision, occasion: Occasion) -> Outcome:
    outcome, answer = decision.outcome, decision.answer
    told = {"run": "Run", "rest": "Rest", "leave": "Leave alone"}[answer.action]
    speed = f" at {answer.speed}" if answer.speed else ""
    why = answer.reason_code.replace("_", " ")
    return Outcome(
        since=occasion.when(decision.time),
        told=f"{told}{speed} ({why})",
        ran="" if outcome.fan_ran is None else per_cent(outcome.fan_ran),
        expected="" if outcome.expected_pm25 is None else number(outcome.expected_pm25),
        read="" if outcome.indoor_pm25 is None else number(outcome.indoor_pm25),
    )


def _cost_of(fan: FanAdvice, occasion: Occasion) -> Figure:
    """What the advised energy costs at the house's tariff."""
    tariff = occasion.house.tariff
    if tariff.per_kwh is None:
        return NotKnown(reason="the house file gives no tariff; add per_kwh under [tariff]")
    if isinstance(fan.energy_kwh, NotKnown):
        return fan.energy_kwh
    value, low, high = (
        tariff.per_kwh * each for each in (fan.energy_kwh.value, fan.energy_kwh.low, fan.energy_kwh.high)
    )
    return Known(value=value, low=low, high=high, unit=tariff.currency)


def _reason(fan: FanAdvice, occasion: Occasion) -> str:
    """Why the plan is as it is, told apart from a person's wish that stands in its place."""
    return sentence(fan.reason) if _wish(occasion) is None else f"The plan otherwise: {sentence(fan.reason)}"


def _wish(occasion: Occasion) -> Override | None:
    """A person's wish that stands."""
    return None if occasion.answer is None else occasion.answer.override


def _lead(fan: FanAdvice, is_lapsed: bool, occasion: Occasion) -> str:
    wish = _wish(occasion)
    if wish is not None:
        wished = {"run": "Let the fan run", "rest": "Let the fan rest", "leave": "Leave the fan to its thermostat"}
        return f"{wished[wish.action]} until {occasion.when(wish.until)}, as a person wishes."
    if is_lapsed:
        return "Leave the fan to its thermostat: the advice has run out and no newer one is here."
    if fan.action_now == "leave":
        return "Leave the fan to its thermostat."
    running = [span.end for span in fan.schedule if span.start <= occasion.now < span.end]
    coming = [span.start for span in fan.schedule if span.start > occasion.now]
    if fan.action_now == "run":
        return f"Let the fan run until {occasion.when(running[0])}." if running else "Let the fan run now."
    return f"Let the fan rest until {occasion.when(min(coming))}." if coming else "Let the fan rest now."


def _span_text(span: FanSpan, occasion: Occasion) -> str:
    zone = occasion.house.zone
    start, end = span.start.astimezone(zone), span.end.astimezone(zone)
    until = occasion.clock(span.end) if start.date() == end.date() else occasion.moment(span.end)
    return f"{occasion.moment(span.start)} to {until}"
