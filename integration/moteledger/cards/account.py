"""The card of the account: what came in and was made on one side, what took it out on the other, in balance."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta

from ..engine.assessment import Known, Ledger, LedgerDay
from .drawing import Scale, Segment, Strip, every, stack, strip
from .figures import Written, decimals_of_column, duration, in_column, number, per_cent, sentence, short_day, weekday
from .occasion import Occasion

COLUMN_HEIGHT = 100.0
DAY_HEIGHT = 96.0
MOST_DAYS = 31
DAY_LABELS = 7
OFF_BALANCE = 1e-6
_BILLIONTH = 1e-9


@dataclass(frozen=True)
class Entry:
    """One line of a side: its name, its mass, its bar on the scale of the side's total, and finer posts under it."""

    key: str
    name: str
    short: str
    mass: Written
    bar: Strip | None
    posts: tuple[tuple[str, Written], ...] = ()


@dataclass(frozen=True)
class Side:
    """One side of the account."""

    title: str
    entries: tuple[Entry, ...]
    total: Written
    column: tuple[Segment, ...]

    @property
    def lines(self) -> tuple[int, int]:
        """How many entries and how many finer posts it has."""
        return len(self.entries), sum(len(entry.posts) for entry in self.entries)


@dataclass(frozen=True)
class DayColumn:
    """One local day: what came in upwards, what went out downwards, and its figures."""

    label: tuple[str, str] | None
    name: str
    centre: float
    left: float
    width: float
    came_in: tuple[Segment, ...]
    went_out: tuple[Segment, ...]
    masses: tuple[Written, ...]


@dataclass(frozen=True)
class AccountCard:
    """What the card of the account shows."""

    lead: str
    period: str
    came_in: Side
    went_out: Side
    has_bounds: bool
    balance: str
    basis: str
    days: tuple[DayColumn, ...]
    day_top: str
    days_left_out: int


def account_card(occasion: Occasion) -> AccountCard:
    """The card of the account from an assessment."""
    ledger = occasion.assessment.ledger
    came_in, went_out = sides(ledger, occasion)
    days = ledger.by_day[-MOST_DAYS:]
    day_top = max((max(_came_in(day), _went_out(day)) for day in days), default=0.0)
    return AccountCard(
        lead=_lead(ledger, came_in.total.value or 0.0, occasion),
        period=occasion.period,
        came_in=came_in,
        went_out=went_out,
        has_bounds=bool(ledger.bounds),
        balance=_balance(ledger, came_in.total.value or 0.0, went_out.total.value or 0.0),
        basis=sentence(ledger.basis),
        days=tuple(_day_column(day, place, days, day_top, occasion) for place, day in enumerate(days)),
        day_top=number(day_top),
        days_left_out=len(ledger.by_day) - len(days),
    )


def _came_in(masses: Ledger | LedgerDay) -> float:
    return masses.entered_mg + masses.generated_mg + max(-masses.stored_mg, 0.0)


def _went_out(masses: Ledger | LedgerDay) -> float:
    return masses.filtered_mg + masses.settled_mg + masses.carried_out_mg + max(masses.stored_mg, 0.0)


def sides(ledger: Ledger, occasion: Occasion) -> tuple[Side, Side]:
    """Both sides; a change of what hangs in the air stands on the side that makes them balance."""
    largest = max(_came_in(ledger), _went_out(ledger))
    scale = Scale(largest if largest > 0.0 else 1.0)
    decimals = decimals_of_column(largest)
    bounds = {bound.entry: (bound.low_mg, bound.high_mg) for bound in ledger.bounds}

    def entry(key: str, name: str, short: str, mass: float, posts: Iterable[tuple[str, float]] = ()) -> Entry:
        interval = bounds.get("stored" if key == "brought_forward" else key)  # type: ignore[call-overload]
        if interval is None:
            mass_written = in_column(occasion.exact(mass, "mg"), decimals)
        else:
            low, high = sorted((-interval[0], -interval[1])) if key == "brought_forward" else interval
            mass_written = in_column(occasion.figure(Known(value=mass, low=low, high=high, unit="mg")), decimals)
        return Entry(
            key,
            name,
            short,
            mass_written,
            strip(mass_written, scale),
            tuple((device, in_column(occasion.exact(each, "mg"), decimals)) for device, each in posts),
        )

    devices = [(each.device, each.filtered_mg) for each in ledger.by_device]
    left = [
        entry("entered", "From outdoors", "outdoors", ledger.entered_mg),
        entry("generated", "Made indoors", "indoors", ledger.generated_mg),
    ]
    right = [
        entry("filtered", "Filtered out", "filtered", ledger.filtered_mg, devices if len(devices) > 1 else ()),
        entry("settled", "Settled on surfaces", "settled", ledger.settled_mg),
        entry("carried_out", "Left with the air", "left the house", ledger.carried_out_mg),
    ]
    if ledger.stored_mg < 0.0:
        left.append(entry("brought_forward", "In the air from before", "before", -ledger.stored_mg))
    else:
        right.append(entry("stored", "Still in the air", "in the air", ledger.stored_mg))

    def side(title: str, entries: list[Entry], total: float) -> Side:
        parts = [(each.key, each.mass.value or 0.0) for each in entries]
        return Side(
            title,
            tuple(entries),
            in_column(occasion.exact(total, "mg"), decimals),
            stack(parts, scale.top, COLUMN_HEIGHT),
        )

    return side("In", left, _came_in(ledger)), side("Out", right, _went_out(ledger))


def _lead(ledger: Ledger, came_in: float, occasion: Occasion) -> str:
    if came_in <= 0.0:
        return "Nothing is booked for this period."
    period = occasion.assessment.period
    span = duration(timedelta(seconds=round((period.end - period.start).total_seconds())))
    filtered, settled, carried = (
        per_cent(mass / came_in) for mass in (ledger.filtered_mg, ledger.settled_mg, ledger.carried_out_mg)
    )
    return (
        f"Of all the fine dust that came in or was made in {span}, about {filtered} was filtered out; "
        f"{settled} settled in the house and {carried} left with the air."
    )


def _balance(ledger: Ledger, came_in: float, went_out: float) -> str:
    if max(came_in, went_out) <= 0.0:
        return "There is nothing to balance."
    if abs(came_in - went_out) > OFF_BALANCE * max(came_in, went_out):
        return f"The sides do not balance: {number(abs(came_in - went_out))} mg are unexplained."
    if abs(ledger.closure) <= _BILLIONTH:
        return "The sides balance: before rounding they differ by less than a billionth of the mass that moved."
    return f"The sides balance: before rounding they differ by {number(ledger.closure)} of the mass that moved."


def _day_column(
    day: LedgerDay, place: int, days: tuple[LedgerDay, ...], day_top: float, occasion: Occasion
) -> DayColumn:
    pitch = 100.0 / len(days)
    labelled = place % every(len(days), DAY_LABELS) == 0
    up = stack([("generated", day.generated_mg), ("entered", day.entered_mg)], day_top, DAY_HEIGHT)
    shift = DAY_HEIGHT - sum(segment.height for segment in up)
    return DayColumn(
        label=(weekday(day.day), short_day(day.day)) if labelled else None,
        name=f"{weekday(day.day)} {short_day(day.day)}",
        centre=round(pitch * (place + 0.5), 2),
        left=round(pitch * (place + 0.22), 2),
        width=round(pitch * 0.56, 2),
        came_in=tuple(Segment(each.name, round(each.y + shift, 2), each.height) for each in up),
        went_out=stack(
            [("filtered", day.filtered_mg), ("settled", day.settled_mg), ("carried_out", day.carried_out_mg)],
            day_top,
            DAY_HEIGHT,
        ),
        masses=tuple(
            in_column(occasion.exact(mass, "mg"), decimals_of_column(day_top))
            for mass in (
                day.entered_mg,
                day.generated_mg,
                day.filtered_mg,
                day.settled_mg,
                day.carried_out_mg,
                day.stored_mg,
            )
        ),
    )
