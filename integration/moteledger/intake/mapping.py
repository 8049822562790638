"""From a JSON document to readings, by the declared mapping; what cannot be used is refused with its reason."""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from ..settings import MappedSignal, NoSuchPlaceError, TimeUnit, value_at
from ..signals import Kind, signal_named
from ..store import Reading
from .documents import as_json
from .moments import moment_us, refuse_wrong_clock, text_of
from .records import Refusal

OLDEST_LIVE_US = 31 * 24 * 3600 * 1_000_000
"""A live source that tells of a time longer ago than this repeats itself; older readings come in as a recording."""

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_LONGEST_NUMBER = 60
_LONGEST_REASON = 400
_BEYOND_ANY_CLOCK_S = 1e11


@dataclass(frozen=True)
class Arrived:
    """A reading, and the raw value that it was made from; `unit` with the scale and the offset, if any, before it."""

    reading: Reading
    raw: str
    unit: str


@dataclass(frozen=True)
class Refused:
    """What a signal's mapping found and could not use."""

    signal: str
    refusal: Refusal


@dataclass
class Converted:
    """What one or more documents held; `absent` are the signals whose place the document does not have."""

    arrived: list[Arrived] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    absent: list[str] = field(default_factory=list)

    def add(self, other: "Converted") -> None:
        """Add what another document held."""
        self.arrived += other.arrived
        self.refused += other.refused
        self.absent += other.absent


class _UnusableError(ValueError):
    """A place of the document that cannot be used, its value, and why."""

    def __init__(self, place: str, value: object, reason: str) -> None:
        self.refusal = Refusal(place=place, value=as_json(value), reason=reason[:_LONGEST_REASON])
        super().__init__(reason)


def converted(signals: Iterable[MappedSignal], document: object, now_us: int) -> Converted:
    """The readings that the mapping finds in a parsed JSON document which arrived at `now_us`; never raises.

    A document without a mapped place tells nothing of that signal (`absent`); a value there that is null, of another
    kind, in a unit that does not measure the signal, implausible, dated wrongly or more than 31 days ago is refused.
    """
    found = Converted()
    for mapped in signals:
        if not _applies(mapped, document):
            continue
        try:
            raw = value_at(document, mapped.pointer)
        except NoSuchPlaceError:
            found.absent.append(mapped.signal)
            continue
        try:
            unit = _unit(mapped, document)
            value = _value(mapped, raw, unit)
            reading = Reading(_time_us(mapped, document, now_us), mapped.signal, value)
        except _UnusableError as error:
            found.refused.append(Refused(mapped.signal, error.refusal))
        else:
            found.arrived.append(Arrived(reading, as_json(raw), _shown_unit(mapped, unit)))
    return found


def _applies(mapped: MappedSignal, document: object) -> bool:
    for pointer, wanted in mapped.only_where.items():
        try:
            there = value_at(document, pointer)
        except NoSuchPlaceError:
            return False
        # In Python true equals 1; in JSON it does not.
        if isinstance(there, bool) is not isinstance(wanted, bool) or there != wanted:
            return False
    return True


def _unit(mapped: MappedSignal, document: object) -> str | None:
    if mapped.unit_at is None:
        return mapped.unit
    try:
        unit = value_at(document, mapped.unit_at)
    except NoSuchPlaceError:
        raise _UnusableError(mapped.unit_at, None, "the document has no unit there; correct unit_at") from None
    if not isinstance(unit, str):
        raise _UnusableError(mapped.unit_at, unit, "is no unit; correct unit_at, or declare the unit")
    try:
        signal_named(mapped.signal).converted(0.0, unit)
    except ValueError as error:
        raise _UnusableError(mapped.unit_at, unit, str(error)) from None
    return unit


def _shown_unit(mapped: MappedSignal, unit: str | None) -> str:
    """What makes the raw value one of the unit, and the unit: such as "* 0.1 ug/m3"."""
    if mapped.is_state:
        return ""
    scale = "" if mapped.scale == 1.0 else f"* {mapped.scale:g} "
    offset = "" if mapped.offset == 0.0 else f"{'-' if mapped.offset < 0.0 else '+'} {abs(mapped.offset):g} "
    return f"{scale}{offset}{unit or signal_named(mapped.signal).unit}"


def _value(mapped: MappedSignal, raw: object, unit: str | None) -> float:
    if raw is None:
        raise _UnusableError(mapped.pointer, raw, "is null: the sender knows no value now")
    if isinstance(raw, (dict, list)):
        raise _UnusableError(mapped.pointer, raw, "is no single value; let the pointer go further into the document")
    word = raw if isinstance(raw, str) else as_json(raw)
    if word in mapped.states:
        return mapped.states[word]
    signal = signal_named(mapped.signal)
    if isinstance(raw, bool):
        if signal.kind is not Kind.STATE:
            raise _UnusableError(mapped.pointer, raw, f"is true or false, and {signal.name} is not a state")
        return float(raw)
    number = _number(raw)
    if number is None:
        known = ", ".join(mapped.states)
        fix = f"states knows {known}; add this word" if known else "map a number, or give states for words"
        raise _UnusableError(mapped.pointer, raw, f"is no number; {fix}")
    scaled = mapped.scale * number + mapped.offset
    if not math.isfinite(scaled):
        raise _UnusableError(mapped.pointer, raw, "is too large to be a value")
    try:
        return float(signal.value_from(scaled, unit))
    except ValueError as error:
        raise _UnusableError(mapped.pointer, raw, str(error)) from None


def _number(raw: object) -> float | None:
    """A JSON number, or one that is written as text as many senders do."""
    if isinstance(raw, str):
        text = raw.strip()
        return float(text) if len(text) <= _LONGEST_NUMBER and _NUMBER.fullmatch(text) else None
    assert isinstance(raw, (int, float))
    try:
        return float(raw)
    except OverflowError:
        return math.inf


def _time_us(mapped: MappedSignal, document: object, now_us: int) -> int:
    if mapped.time is None:
        return now_us
    try:
        raw = value_at(document, mapped.time)
    except NoSuchPlaceError:
        raise _UnusableError(
            mapped.time, None, "the document has no time there; correct time, or leave it out"
        ) from None
    number = None if isinstance(raw, bool) or not isinstance(raw, (int, float, str)) else _number(raw)
    try:
        if number is not None:
            if math.isnan(number):
                raise ValueError("is not a time")
            seconds = number * (1e-3 if mapped.time_in is TimeUnit.MILLISECONDS else 1.0)
            time_us = round(min(max(seconds, -_BEYOND_ANY_CLOCK_S), _BEYOND_ANY_CLOCK_S) * 1e6)
        elif isinstance(raw, str):
            time_us = moment_us(raw)
        else:
            raise ValueError("is not a time; let `time` point to RFC 3339 text or to a number")
        refuse_wrong_clock(time_us, now_us, signal_named(mapped.signal).forecast_h)
    except ValueError as error:
        raise _UnusableError(mapped.time, raw, str(error)) from None
    if time_us < now_us - OLDEST_LIVE_US:
        reason = (
            f"is late: {text_of(time_us)} is more than 31 days ago; bring old readings in with `moteledger backfill`"
        )
        raise _UnusableError(mapped.time, raw, reason)
    return time_us
