"""The contractor's page: the houses that are looked after, those whose delivery has slipped furthest first."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from motemodel.estimate import SHARE_NEEDED

from ..engine.assessment import Figure, Known, NotKnown, Verdict
from ..engine.standing import Client, Newest, Share, Standing
from ..settings import Collecting
from .drawing import Mark, Scale, Strip, line_path, mark, scale_over, strip
from .figures import Written, full_day, per_cent, printed_scale, short_day, when, written, written_exact
from .templating import templates_of

NAME = "clients"
"""Of the card, and of the marks in it."""

_VERDICTS = {Verdict.SHORT: "Short", Verdict.CANNOT_TELL: "Cannot tell yet", Verdict.DELIVERS: "Delivers"}
_WIDEST_SHARE = 1.2
TREND_FOR = timedelta(days=30)
TREND_SIGNALS = {"duct.static_pressure": "outdoor", "filter.pressure_drop": "indoor"}
"""The pressures of a house's page, each with the kind of its line."""

_BREAKS_AFTER = timedelta(hours=9)
_NAMES = {"duct.static_pressure": "Static pressure in the duct", "filter.pressure_drop": "Drop across the filter"}
_STATIC, _DROP, _FAN = "duct.static_pressure", "filter.pressure_drop", "fan.running"

_templates = templates_of("moteledger.cards")


@dataclass(frozen=True)
class Pressure:
    """A pressure as it was read last; `since` says when where that is no longer now."""

    figure: Written
    since: str


@dataclass(frozen=True)
class AlarmRow:
    """An alarm that stands in a house."""

    title: str
    text: str
    next_step: str
    since: str
    worth_a_drive: bool


@dataclass(frozen=True)
class Trend:
    """A pressure over the time that is shown: means of some hours, by the middle of each."""

    signal: str
    points: tuple[tuple[datetime, float], ...]


@dataclass(frozen=True)
class TrendDrawing:
    """The pressures of a house over a month, drawn; no lines where none was read."""

    lines: tuple[tuple[str, str, str], ...]
    scale: Scale
    days: tuple[Mark, ...]
    start: str
    end: str
    said: str


@dataclass(frozen=True)
class ClientRow:
    """One house of the list."""

    id: str
    name: str
    heard: str
    is_silent: bool
    verdict: str
    has_slipped: bool
    share: Written | None
    strip: Strip | None
    static: Pressure | None
    drop: Pressure | None
    fan: str
    due: str
    is_due: bool
    alarms: tuple[AlarmRow, ...]
    waiting: int
    problem: str


def render_clients(clients: Sequence[Client], settings: Collecting, *, now: datetime) -> str:
    """The page of all houses, in the order given; `now` is an aware time."""
    rows = _told_apart([_row(client, settings, now) for client in clients])
    return _templates.get_template("clients.html").render(
        name=NAME,
        settings=settings,
        rows=rows,
        lead=lead(rows),
        as_of=when(now, now, ZoneInfo(settings.time_zone), settings.clock),
        needed=per_cent(SHARE_NEEDED),
    )


def render_client(client: Client, trends: Sequence[Trend], settings: Collecting, *, now: datetime) -> str:
    """The page of one house: what it told last, and its pressures over `TREND_FOR`; `now` is an aware time."""
    told = client.standing or Standing(house=client.id)
    drop = None if told.drop_at_reference_pa is None else _figure(told.drop_at_reference_pa, "Pa")
    limit = told.drop_limit_pa
    return _templates.get_template("client.html").render(
        name="client",
        settings=settings,
        row=_row(client, settings, now),
        reason=told.reason or "",
        drop=None if drop is None else written(drop, settings.units),
        limit=None if limit is None else written_exact(limit, "Pa", settings.units),
        trend=trend_drawing(trends, settings, now),
        as_of=when(now, now, ZoneInfo(settings.time_zone), settings.clock),
        needed=per_cent(SHARE_NEEDED),
    )


def trend_drawing(trends: Sequence[Trend], settings: Collecting, now: datetime) -> TrendDrawing:
    """The pressures over the time up to now; a long silence breaks a line."""
    start, zone = now - TREND_FOR, ZoneInfo(settings.time_zone)
    values = [max(value, 0.0) for trend in trends for _, value in trend.points]
    scale = scale_over(values, *printed_scale("Pa", settings.units))
    lines = tuple(
        (TREND_SIGNALS[trend.signal], _NAMES[trend.signal], line_path(_across(trend.points, start), scale.top))
        for trend in trends
        if trend.points
    )
    said = [
        f"{_NAMES[trend.signal]}: from {_said(trend.points[0][1], settings)} to {_said(trend.points[-1][1], settings)}."
        for trend in trends
        if trend.points
    ]
    days = tuple(
        Mark(
            round(100.0 - 100.0 * (days_ago / TREND_FOR.days), 2),
            short_day((now - timedelta(days_ago)).astimezone(zone)),
        )
        for days_ago in (24, 18, 12, 6)
    )
    return TrendDrawing(
        lines, scale, days, short_day(start.astimezone(zone)), short_day(now.astimezone(zone)), " ".join(said)
    )


def _across(points: Sequence[tuple[datetime, float]], start: datetime) -> list[tuple[float, float | None]]:
    placed: list[tuple[float, float | None]] = []
    before: datetime | None = None
    for moment, value in points:
        at = min(max((moment - start) / TREND_FOR, 0.0), 1.0)
        if before is not None and moment - before > _BREAKS_AFTER:
            placed.append((at, None))
        placed.append((at, max(value, 0.0)))
        before = moment
    return placed


def _said(value: float, settings: Collecting) -> str:
    told = written_exact(round(value, 1), "Pa", settings.units).first
    return f"{told.number} {told.unit}"


def lead(rows: Sequence[ClientRow]) -> str:
    """What the list comes to, in a sentence."""
    if not rows:
        return "No house has sent anything yet."
    counts = (
        (sum(row.has_slipped for row in rows), "delivers less than it should", "deliver less than they should"),
        (
            sum(any(alarm.worth_a_drive for alarm in row.alarms) for row in rows),
            "is worth a drive",
            "are worth a drive",
        ),
        (sum(row.is_silent for row in rows), "has fallen silent", "have fallen silent"),
    )
    told = [f"{count} {one if count == 1 else many}" for count, one, many in counts if count]
    of = "The one house here" if len(rows) == 1 else f"Of {len(rows)} houses"
    if not told:
        return (
            "The one house here is as it should be." if len(rows) == 1 else f"All {len(rows)} houses do as they should."
        )
    return f"{of}: {', '.join(told)}."


def _row(client: Client, settings: Collecting, now: datetime) -> ClientRow:
    zone = ZoneInfo(settings.time_zone)
    told = client.standing or Standing(house=client.id)
    newest = {each.signal: each for each in client.newest}
    share = (
        None
        if told.share_of_expected is None
        else written(_figure(told.share_of_expected), settings.units, percent=True)
    )
    scale = scale_over([_WIDEST_SHARE])
    today = now.astimezone(zone).date()

    def at(moment: datetime) -> str:
        return when(moment, now, zone, settings.clock)

    def pressure(signal: str) -> Pressure | None:
        found = newest.get(signal)
        if found is None:
            return None
        figure = written_exact(round(found.value, 1), found.unit, settings.units)
        return Pressure(figure, "" if found.is_fresh else at(found.time))

    return ClientRow(
        id=client.id,
        name=client.name,
        heard="never" if client.last_heard is None else at(client.last_heard),
        is_silent=client.is_silent,
        verdict="" if told.verdict is None else _VERDICTS[told.verdict],
        has_slipped=told.verdict is Verdict.SHORT,
        share=share,
        strip=None if share is None else strip(share, scale, mark(scale.percent(SHARE_NEEDED), "")),
        static=pressure(_STATIC),
        drop=pressure(_DROP),
        fan=_fan(newest.get(_FAN)),
        due=_day(told.change_on, today),
        is_due=told.change_on is not None and told.change_on <= today,
        alarms=tuple(
            AlarmRow(alarm.title, alarm.text, alarm.next_step, at(alarm.since), alarm.worth_a_drive)
            for alarm in told.alarms
        ),
        waiting=told.waiting,
        problem=client.problem or "",
    )


def _told_apart(rows: Sequence[ClientRow]) -> list[ClientRow]:
    """Houses that call themselves alike are told by their ids, too: a house names itself, the office its token."""
    counted = Counter(row.name.casefold() for row in rows)
    return [row if counted[row.name.casefold()] == 1 else replace(row, name=f"{row.name} ({row.id})") for row in rows]


def _figure(share: Share, unit: str = "1") -> Figure:
    if not share.low <= share.value <= share.high:
        return NotKnown(reason="what the house told of it does not agree with itself")
    return Known(value=share.value, low=share.low, high=share.high, unit=unit)


def _fan(newest: Newest | None) -> str:
    if newest is None or not newest.is_fresh:
        return ""
    return "fan runs" if newest.value > 0.5 else "fan rests"


def _day(day: date | None, today: date) -> str:
    if day is None:
        return ""
    return short_day(day) if day.year == today.year else full_day(day)
