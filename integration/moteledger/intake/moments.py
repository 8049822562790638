"""Times as RFC 3339 writes them, to and from microseconds since 1970 UTC.

RFC 3339 section 5.6: `2026-01-31T14:05:00Z`, a fraction of a second and an offset in place of Z allowed, "T" and "Z" in
either case, a space in place of "T". A zone is required. A leap second (`:60`) is the second that follows it, as in
POSIX time. Digits beyond the microsecond are dropped.
"""

import re
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from ..store import from_us, to_us

FIRST_YEAR, LAST_YEAR = 1990, 2100
FUTURE_US = 5 * 60 * 1_000_000
"""How far a sender's clock may be ahead of ours."""

_TIME = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:([Zz])|([+-])(\d\d):(\d\d))?", re.ASCII
)
_SECOND_US = 1_000_000
_MINUTE_US = 60 * _SECOND_US
_HOUR_US = 60 * _MINUTE_US
_DAY_US = 24 * _HOUR_US
_EARLIEST_US = to_us(datetime(FIRST_YEAR, 1, 1, tzinfo=UTC))
_AFTER_ALL_US = to_us(datetime(LAST_YEAR + 1, 1, 1, tzinfo=UTC))
# Where the digits of date and time of day stand: YYYY-MM-DDThh:mm:ss
_CLOCK_DIGITS = (0, 1, 2, 3, 5, 6, 8, 9, 11, 12, 14, 15, 17, 18)
_CLOCK_LENGTH = 19


def moment_us(text: str) -> int:
    """The RFC 3339 time `text` in microseconds since 1970 UTC.

    Raises ValueError, naming the value and the fix, for anything else, for a time without zone and for a year outside
    1990 to 2100.

    >>> moment_us("2026-01-31T14:05:00-05:00") == moment_us("2026-01-31T19:05:00Z")
    True
    """
    match = _TIME.fullmatch(text)
    if match is None:
        raise ValueError(f"{shown(text)} is not an RFC 3339 time; write it as 2026-01-31T14:05:00Z")
    *clock, fraction, zulu, sign, offset_hours, offset_minutes = match.groups()
    if zulu is None and sign is None:
        raise ValueError(f"{shown(text)} has no time zone; end it with Z for UTC or with an offset such as -05:00")
    year, month, day, hour, minute, second = map(int, clock)
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise ValueError(f"{shown(text)} is not between {FIRST_YEAR} and {LAST_YEAR}; correct the year")
    try:
        moment = datetime(year, month, day, hour, minute, min(second, 59), tzinfo=UTC)
        offset = timedelta(hours=int(offset_hours or 0), minutes=int(offset_minutes or 0))
        if second > 60 or offset >= timedelta(days=1) or int(offset_minutes or 0) > 59:
            raise ValueError
    except ValueError:
        raise ValueError(f"{shown(text)} does not exist on calendar and clock; correct it") from None
    local_us = to_us(moment) + (second == 60) * _SECOND_US + int((fraction or "0")[:6].ljust(6, "0"))
    return local_us - (-1 if sign == "-" else 1) * (offset // timedelta(microseconds=1))


def moments_us(texts: Sequence[str]) -> NDArray[np.int64]:
    """As `moment_us` for many texts; quick where they are written alike. Raises ValueError if any is not a time."""
    lengths = np.fromiter(map(len, texts), np.intp, len(texts))
    different = np.unique(lengths).tolist()
    if len(different) == 1:
        return _alike(texts)
    result = np.empty(len(texts), dtype=np.int64)
    for length in different:
        where = np.flatnonzero(lengths == length)
        result[where] = _alike([texts[i] for i in where.tolist()])
    return result


def text_of(time_us: int) -> str:
    """Microseconds since 1970 UTC as an RFC 3339 time in UTC, with only as many decimals as it needs.

    >>> text_of(0)
    '1970-01-01T00:00:00Z'
    """
    return from_us(time_us).isoformat().replace("+00:00", "Z")


def refuse_wrong_clock(time_us: int, now_us: int, forecast_h: float = 0.0) -> None:
    """Raise ValueError, with the fix, for a time that only a wrong clock gives: to come, before 1990 or after 2100.

    A forecast may be of a time up to `forecast_h` to come.
    """
    if time_us > now_us + FUTURE_US + forecast_h * _HOUR_US:
        ahead_s = (time_us - now_us) / 1e6
        raise ValueError(f"is {ahead_s:.0f} s ahead of the clock here ({text_of(now_us)}); set the sender's clock")
    if time_us < _EARLIEST_US:
        raise ValueError(f"is before {FIRST_YEAR}; set the sender's clock")
    if time_us >= _AFTER_ALL_US:
        raise ValueError(f"is after {LAST_YEAR}; set the clock here and the sender's")


def shown(text: str, longest: int = 60) -> str:
    """A written value as an error message shows it: quoted, nothing unprintable, not too long."""
    return repr(text) if len(text) <= longest else f"{text[:longest]!r}..."


def _alike(texts: Sequence[str]) -> NDArray[np.int64]:
    """Texts of equal length: all at once if they are laid out like the first and all exist, else one by one."""
    layout = _TIME.fullmatch(texts[0])
    if layout is not None and (layout[8] or layout[9]):
        characters = np.frombuffer("".join(texts).encode("ascii"), np.uint8).reshape(len(texts), -1).T
        found = _laid_out(characters, len(layout[7] or ""), offset=layout[9] is not None)
        if found is not None:
            return found
    return np.fromiter(map(moment_us, texts), np.int64, len(texts))


def _laid_out(characters: NDArray[np.uint8], decimals: int, *, offset: bool) -> NDArray[np.int64] | None:
    """Times from characters, one row per position; None if one is laid out otherwise or does not exist."""
    zone_at = _CLOCK_LENGTH + (1 + decimals if decimals else 0)
    decimals_at = range(_CLOCK_LENGTH + 1, _CLOCK_LENGTH + 1 + decimals)
    offset_at = (zone_at + 1, zone_at + 2, zone_at + 4, zone_at + 5) if offset else ()
    digit_at = [*_CLOCK_DIGITS, *decimals_at, *offset_at]
    other_at = sorted(set(range(len(characters))) - set(digit_at))
    digits = characters - np.uint8(ord("0"))
    if (digits[digit_at] > 9).any() or (characters[other_at] != characters[other_at, :1]).any():
        return None

    def number(*places: int) -> NDArray[np.int64]:
        value: NDArray[np.int64] = digits[places[0]].astype(np.int64)
        for place in places[1:]:
            value = value * 10 + digits[place]
        return value

    year, month, day = number(0, 1, 2, 3), number(5, 6), number(8, 9)
    hour, minute, second = number(11, 12), number(14, 15), number(17, 18)
    months = (year - 1970) * 12 + month - 1
    month_start, next_month = _first_day(months), _first_day(months + 1)
    exists = (year >= FIRST_YEAR) & (year <= LAST_YEAR) & (month >= 1) & (month <= 12)
    exists &= (day >= 1) & (day <= next_month - month_start) & (hour < 24) & (minute < 60) & (second <= 60)
    time_us: NDArray[np.int64] = (
        (month_start + day - 1) * _DAY_US + (hour * 60 + minute) * _MINUTE_US + second * _SECOND_US
    )
    if decimals:
        kept = min(decimals, 6)
        time_us += number(*decimals_at[:kept]) * 10 ** (6 - kept)
    if offset:
        offset_hours, offset_minutes = number(*offset_at[:2]), number(*offset_at[2:])
        exists &= (offset_hours < 24) & (offset_minutes < 60)
        sign = -1 if characters[zone_at, 0] == ord("-") else 1
        time_us -= sign * (offset_hours * 60 + offset_minutes) * _MINUTE_US
    return time_us if exists.all() else None


def _first_day(months: NDArray[np.int64]) -> NDArray[np.int64]:
    """The first day of each month, in days since 1970, of months counted since January 1970."""
    return months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
