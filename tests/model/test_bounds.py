"""Refusals name the place, the value and the fix. No outside source: the rule of the house."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.bounds import finite, fraction, not_negative, positive, within

anything = st.one_of(st.floats(), st.text(max_size=3), st.none(), st.lists(st.floats(), max_size=3), st.booleans())


@given(anything)
@settings(max_examples=200)
def test_whatever_comes_in_is_either_in_bounds_or_refused_by_its_name(value: Any) -> None:
    for check, good in (
        (finite, np.isfinite),
        (positive, lambda array: array > 0.0),
        (not_negative, lambda array: array >= 0.0),
        (fraction, lambda array: (array >= 0.0) & (array <= 1.0)),
        (lambda place, given_value: within(place, given_value, -2.0, 3.0), lambda array: abs(array - 0.5) <= 2.5),
    ):
        try:
            array = check("the place", value)
        except ValueError as error:
            assert str(error).startswith("the place: ")
            assert "give" in str(error) or "write" in str(error)
        else:
            assert np.all(good(array))


@pytest.mark.parametrize(
    ("check", "message"),
    [
        (lambda: positive("drop", [3.0, -1.0]), "drop: -1.0 is not above zero; give a number above zero (at index 1)"),
        (lambda: not_negative("dust", -2), "dust: -2.0 is below zero; give zero or more"),
        (lambda: fraction("e1", 85), "e1: 85.0 is outside 0..1; write 85 % as 0.85"),
        (lambda: finite("drop", "0.5 Pa"), "drop: '0.5 Pa' is not a number; give a finite number"),
        (lambda: within("width", 2, 0, 0.5, "m"), "width: 2 is out of range; give 0 to 0.5 m"),
    ],
)
def test_a_refusal_reads_as_place_value_and_fix(check: Any, message: str) -> None:
    with pytest.raises(ValueError, match=r".") as refusal:
        check()
    assert str(refusal.value) == message
