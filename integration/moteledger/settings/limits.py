"""The bounds of a settings file in plain words, each in the unit in which the person wrote the value."""

import re
from collections.abc import Iterator, Mapping
from math import ceil, floor, isclose, log10
from typing import Any

from pydantic import BeforeValidator
from pydantic.fields import FieldInfo

_LOWER = {"gt": "more than", "ge": "at least"}
_UPPER = {"lt": "less than", "le": "at most"}
_SIDE = {"greater_than": _LOWER, "greater_than_equal": _LOWER, "less_than": _UPPER, "less_than_equal": _UPPER}
_UNIT = re.compile(r"[-+.\d]+(?:[eE][-+]?\d+)?\s*(\S.*?)\s*")


def told_limit(detail: Mapping[str, Any], field: FieldInfo | None) -> str | None:
    """What an error's detail says of a bound, such as "write at least 1 min"; None where it is of no bound.

    `field` is that of the value: it knows the units, and the narrowest of the bounds that were set one upon another.
    Without it the bound is that of the detail, a bare number.
    """
    if detail["type"] == "too_long":
        return f"{detail['ctx']['actual_length']} are listed; list at most {detail['ctx']['max_length']}"
    side = _SIDE.get(detail["type"])
    if side is None:
        return None
    parts = [] if field is None else list(_parts(field))
    bounds = [
        (float(getattr(part, key)), key) for part in parts for key in side if getattr(part, key, None) is not None
    ]
    bounds += [(float(bound), key) for key, bound in detail["ctx"].items() if key in side]
    bound, key = max(bounds) if side is _LOWER else min(bounds)
    unit = _UNIT.fullmatch(detail["input"].strip()) if isinstance(detail["input"], str) else None
    read = next((part.func for part in parts if isinstance(part, BeforeValidator)), None)
    if unit is None or read is None:
        return f"write {side[key]} {bound:g}"
    nought, one = (read(f"{number} {unit[1]}") for number in (0, 1))  # type: ignore[call-arg]
    return f"write {side[key]} {_to_three_digits((bound - nought) / (one - nought), up=side is _LOWER)} {unit[1]}"


def _parts(described: object) -> Iterator[object]:
    """All that describes a value, however deep in its type: its validators and its bounds among them."""
    for name in ("annotation", "metadata", "__args__", "__metadata__"):
        inner = getattr(described, name, ())
        for part in inner if isinstance(inner, (tuple, list)) else (inner,):
            yield part
            yield from _parts(part)


def _to_three_digits(number: float, *, up: bool) -> str:
    """A bound to three digits, rounded to the side that is allowed."""
    if number == 0.0 or isclose(number, float(f"{number:.3g}"), rel_tol=1e-9):
        return f"{float(f'{number:.3g}'):g}"
    digit = 10.0 ** (floor(log10(abs(number))) - 2)
    return f"{(ceil if up else floor)(number / digit) * digit:g}"
