"""Readings in JSON, as devices and scripts send them: SenML (RFC 8428) or a plain form.

Plain form is `{"time": "2026-01-31T14:05:00Z", "signal": "indoor.pm25", "value": 8.5}`, with `"unit"` if it is not the
signal's own; or a list of such records; or `{"readings": [...]}`. SenML is a list of SenML records whose names are
signals. A record that cannot be used is refused by its place, a JSON Pointer (RFC 6901), and the others are used.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from difflib import get_close_matches
from functools import lru_cache
from typing import ParamSpec, TypeVar

from pydantic import BaseModel, ConfigDict

from ..signals import Kind, Signal, signal_named
from ..store import Reading
from .documents import DocumentError, as_json, json_document
from .moments import moment_us, refuse_wrong_clock
from .rooms import MOST_ROOMS, Rooms

P = ParamSpec("P")
T = TypeVar("T")

MOST_REFUSALS_TOLD = 1000
SENML_VERSION = 10

# RFC 8428 section 4.5.3: a time below 2**28 s is relative to now.
_RELATIVE_BELOW_S = 2**28
_BEYOND_ANY_CLOCK_S = 1e11
_SENML_BASE = {"bn", "bt", "bu", "bv", "bs", "bver"}
_SENML_VALUES = ("v", "vb", "vs", "vd")
_SENML_ONLY = {*_SENML_BASE, *_SENML_VALUES, "n", "u", "t", "s", "ut"}
_PLAIN = ("time", "signal", "value", "unit")
# Units of the SenML registries (RFC 8428 section 12.1, RFC 8798) that people do not write: the unit they write, and how
# many of it one is. Those not listed here are written alike.
_SENML_UNITS = {"kg/m3": ("mg/m3", 1e6), "ms": ("s", 1e-3), "/100": ("%", 1.0)}
_PLAIN_FIX = 'send {"time": "2026-01-31T14:05:00Z", "signal": "indoor.pm25", "value": 8.5}, a list of these, or SenML'

_LONGEST_NAME = 100
_LONGEST_REASON = 400


class Refusal(BaseModel):
    """One record that was not used: its place (JSON Pointer), the value that is wrong there, the reason and the fix."""

    model_config = ConfigDict(frozen=True)

    place: str
    value: str
    reason: str


@dataclass
class Records:
    """What a body held: readings, in order; how many records were refused; and the first thousand refusals."""

    readings: list[Reading] = field(default_factory=list)
    refused: int = 0
    refusals: list[Refusal] = field(default_factory=list)


class RecordsError(ValueError):
    """A body that is unusable as a whole: its place (JSON Pointer; "" is all of it) and the problem with its fix.

    `readable` tells JSON that holds no readings from what is no JSON.
    """

    def __init__(self, place: str, problem: str, *, readable: bool = True) -> None:
        self.place = place
        self.readable = readable
        self.problem = problem
        super().__init__(f"{place or 'the body'}: {problem}")


class _RefusedError(ValueError):
    """A member of a record that cannot be used; an empty name is the record itself."""

    def __init__(self, member: str, value: object, reason: str) -> None:
        self.member = member
        self.value = value
        super().__init__(reason)


def read_records(body: bytes, now_us: int, *, senml: bool = False, rooms: Rooms | None = None) -> Records:
    """The readings in a JSON body received at `now_us` (microseconds since 1970 UTC).

    Which of the two forms it is shows in the body; `senml` insists on SenML. Readings of more `rooms` than there can be
    are refused. A reading more than five minutes ahead of
    now is refused, unless it is a forecast. Raises RecordsError, and nothing else, for a body that is no JSON, has
    neither form, or breaks a rule of SenML that concerns all records.
    """
    document = _json(body)
    place, records = _list_of_records(document)
    if senml or _is_senml(records):
        if not isinstance(document, list):
            raise RecordsError("", "SenML is a list of records; put them in [ ]")
        return _collect("", _senml(records, now_us), rooms)
    if not any(isinstance(record, dict) and not record.keys().isdisjoint(_PLAIN) for record in records):
        raise RecordsError(place, f"holds neither SenML nor plain readings; {_PLAIN_FIX}")
    single = document is not records and place == ""
    return _collect(place, _plain(records, now_us), rooms, single=single)


def _json(body: bytes) -> object:
    try:
        return json_document(body)
    except DocumentError as error:
        raise RecordsError("", f"{error}; {_PLAIN_FIX}", readable=False) from None


def _list_of_records(document: object) -> tuple[str, list[object]]:
    if isinstance(document, dict) and isinstance(document.get("readings"), list):
        surplus = [name for name in document if name != "readings"]
        if surplus:
            raise RecordsError(f"/{_escaped(surplus[0])}", "stands beside 'readings'; remove it")
        place, records = "/readings", document["readings"]
    elif isinstance(document, list):
        place, records = "", document
    elif isinstance(document, dict):
        return "", [document]
    else:
        raise RecordsError("", f"is {as_json(document)}, not a reading; {_PLAIN_FIX}")
    if not records:
        raise RecordsError(place, f"is an empty list; {_PLAIN_FIX}")
    return place, records


def _is_senml(records: list[object]) -> bool:
    keys = {key for record in records[:2] if isinstance(record, dict) for key in record}
    return not keys.isdisjoint(_SENML_ONLY) and keys.isdisjoint(_PLAIN)


def _collect(
    place: str, read: Iterator[Reading | _RefusedError | None], rooms: Rooms | None, *, single: bool = False
) -> Records:
    found = Records()
    for number, told in enumerate(read):
        result = told
        if isinstance(result, Reading) and rooms is not None and not rooms.takes(result.signal):
            result = _RefusedError("", result.signal, f"is one room more than the {MOST_ROOMS} kept; check its name")
        if isinstance(result, Reading):
            found.readings.append(result)
        elif result is not None:
            found.refused += 1
            if len(found.refusals) < MOST_REFUSALS_TOLD:
                here = place if single else f"{place}/{number}"
                member = f"/{_escaped(result.member)}" if result.member else ""
                found.refusals.append(
                    Refusal(place=here + member, value=as_json(result.value), reason=str(result)[:_LONGEST_REASON])
                )
    return found


def _escaped(member: str) -> str:
    """A member's name as a reference token, RFC 6901 section 3, without what UTF-8 cannot carry."""
    return member.replace("~", "~0").replace("/", "~1").encode("utf-8", "replace").decode("utf-8")


def _plain(records: list[object], now_us: int) -> Iterator[Reading | _RefusedError | None]:
    for record in records:
        try:
            yield _plain_reading(record, now_us)
        except _RefusedError as refused:
            yield refused


def _plain_reading(record: object, now_us: int) -> Reading:
    if not isinstance(record, dict):
        raise _RefusedError("", record, f"is not a reading; {_PLAIN_FIX}")
    for name in record:
        if name not in _PLAIN:
            near = get_close_matches(name, _PLAIN, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"a reading has {', '.join(_PLAIN)}"
            raise _RefusedError(name, record[name], f"is no member of a reading; {hint}")
    for name in _PLAIN[:3]:
        if name not in record:
            raise _RefusedError("", record, f"has no {name!r}; add it")
    time, name, value, unit = record["time"], record["signal"], record["value"], record.get("unit")
    if not isinstance(time, str):
        raise _RefusedError("time", time, "is not a time; write it as text, such as 2026-01-31T14:05:00Z")
    if not isinstance(name, str):
        raise _RefusedError("signal", name, "is not text; write the signal's name, such as indoor.pm25")
    if unit is not None and not isinstance(unit, str):
        raise _RefusedError("unit", unit, "is not text; write the unit's symbol, such as ug/m3")
    time_us = _told("time", time, moment_us, time)
    _check_time("time", time, time_us, now_us, name)
    return Reading(time_us, name, _value(_Members("signal", "value", "unit"), name, value, unit))


@dataclass(frozen=True)
class _Members:
    """What a form calls the members that a value is made of."""

    signal: str
    value: str
    unit: str


def _value(members: _Members, name: str, value: object, unit: str | None, factor: float = 1.0) -> float:
    """The value in the signal's own unit; true and false are 1 and 0 for a state. `factor` is the written unit's."""
    signal = _signal(name)
    if isinstance(signal, str):
        raise _RefusedError(members.signal, name, signal)
    if isinstance(value, bool):
        if signal.kind is not Kind.STATE:
            raise _RefusedError(members.value, value, f"is true or false, and {name} is not a state; send a number")
        return float(value)
    if not isinstance(value, (int, float)):
        raise _RefusedError(members.value, value, "is not a number; send a JSON number without quotes")
    try:
        number = float(value) * factor
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise _RefusedError(members.value, value, "is too large to be a value; leave the reading out")
    _told(members.unit, unit, signal.converted, 0.0, unit)
    return _told(members.value, value, signal.value_from, number, unit)


def _told(member: str, value: object, read: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
    """What `read` makes of its arguments, its ValueError told of the member."""
    try:
        return read(*arguments, **named)
    except ValueError as error:
        raise _RefusedError(member, value, str(error)) from None


@lru_cache(maxsize=1024)
def _signal(name: str) -> Signal | str:
    """The signal called `name`, or why there is none; a hub may send the same foreign name again and again."""
    if len(name) > _LONGEST_NAME:
        return f"is longer than the {_LONGEST_NAME} characters a signal's name may have; correct it"
    try:
        return signal_named(name)
    except ValueError as error:
        return str(error)


def _check_time(member: str, value: object, time_us: int, now_us: int, name: str) -> None:
    signal = _signal(name)
    forecast_h = 0.0 if isinstance(signal, str) else signal.forecast_h
    _told(member, value, refuse_wrong_clock, time_us, now_us, forecast_h)


class _Base:
    """The base fields of a SenML pack, which hold for a record and all after it (RFC 8428 section 4.1)."""

    def __init__(self) -> None:
        self.name = ""
        self.time: float = 0
        self.unit: str | None = None
        self.value: float = 0

    def take(self, record: dict[str, object], place: str) -> None:
        for key, value in record.items():
            if key.endswith("_"):
                raise RecordsError(f"{place}/{_escaped(key)}", "must be understood and is not; remove it")
            if key not in _SENML_BASE:
                continue
            here = f"{place}/{key}"
            if key in ("bn", "bu"):
                if not isinstance(value, str):
                    raise RecordsError(here, f"{as_json(value)} is not text; send text")
                self.name, self.unit = (value, self.unit) if key == "bn" else (self.name, value)
            else:
                number = _senml_number(value)
                if number is None:
                    raise RecordsError(here, f"{as_json(value)} is not a number; send a number")
                if key == "bt":
                    self.time = number
                elif key == "bv":
                    self.value = number
                elif key == "bver" and (number != int(number) or not 1 <= number <= SENML_VERSION):
                    raise RecordsError(here, f"version {as_json(value)} is not known; send version {SENML_VERSION}")


def _senml(records: list[object], now_us: int) -> Iterator[Reading | _RefusedError | None]:
    base = _Base()
    for number, record in enumerate(records):
        try:
            if not isinstance(record, dict):
                raise _RefusedError("", record, "is not a SenML record; send an object with n and v")
            base.take(record, f"/{number}")
            # A record of base fields alone measures nothing; it speaks for those after it.
            yield None if record.keys() <= _SENML_BASE else _senml_reading(record, base, now_us)
        except _RefusedError as refused:
            yield refused


def _senml_reading(record: dict[str, object], base: _Base, now_us: int) -> Reading:
    present = [key for key in _SENML_VALUES if key in record]
    if not present:
        raise _RefusedError("", record, "has no value; add v")
    if len(present) > 1:
        raise _RefusedError("", record, f"has more than one value ({', '.join(present)}); keep one")
    (key,) = present
    if key in ("vs", "vd"):
        raise _RefusedError(key, record[key], "is no number; send v, or vb for a state")
    name, unit, value = record.get("n", ""), record.get("u", base.unit), record[key]
    if not isinstance(name, str):
        raise _RefusedError("n", name, "is not text; send the signal's name")
    if unit is not None and not isinstance(unit, str):
        raise _RefusedError("u", unit, "is not text; send the unit's symbol")
    if key == "vb":
        if not isinstance(value, bool):
            raise _RefusedError("vb", value, "is not true or false; send v for a number")
        unit = None
    else:
        number = _senml_number(value)
        if number is None:
            raise _RefusedError("v", value, "is not a number; send a JSON number without quotes")
        value = number + base.value
    offset = _senml_number(record.get("t", 0))
    if offset is None:
        raise _RefusedError(
            "t", record.get("t"), "is not a number of seconds; send seconds since 1970, or relative to now"
        )
    time_us = _senml_time_us(offset + base.time, now_us)
    name = base.name + name
    _check_time("t" if "t" in record else "", record.get("t", base.time), time_us, now_us, name)
    written, factor = _SENML_UNITS.get(unit, (unit, 1.0)) if unit is not None else (None, 1.0)
    # A member that is missing here was given by a base field before; then the record as a whole is the place.
    members = _Members("n" if "n" in record else "", key, "u" if "u" in record else "")
    return Reading(time_us, name, _value(members, name, value, written, factor))


def _senml_number(value: object) -> float | None:
    """A finite JSON number, or None."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        return value if math.isfinite(value) else None
    except OverflowError:
        return None


def _senml_time_us(seconds: float, now_us: int) -> int:
    """SenML seconds as microseconds since 1970: relative to now if small, cut to what a clock can show if absurd."""
    bounded = min(max(seconds, -_BEYOND_ANY_CLOCK_S), _BEYOND_ANY_CLOCK_S)
    return round(bounded * 1e6) + (now_us if bounded < _RELATIVE_BELOW_S else 0)
