"""Spans of every day, by the clock on the wall."""

from datetime import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from moteledger.settings import QuietHours

CLOCK = st.integers(0, 86_399).map(lambda second: time(second // 3600, second // 60 % 60, second % 60))


@given(start=CLOCK, end=CLOCK, moment=CLOCK)
def test_a_moment_lies_in_a_span_or_in_the_one_that_is_the_rest_of_the_day(
    start: time, end: time, moment: time
) -> None:
    """As going round the dial from the start tells it: it is in the span if it comes before the end."""
    if start == end:
        return

    def round_from_start(at: time) -> int:
        return (3600 * (at.hour - start.hour) + 60 * (at.minute - start.minute) + at.second - start.second) % 86_400

    assert QuietHours(start=start, end=end).holds(moment) is (round_from_start(moment) < round_from_start(end))
    assert QuietHours(start=end, end=start).holds(moment) is not QuietHours(start=start, end=end).holds(moment)


@pytest.mark.parametrize(
    ("span", "told"),
    [
        ({"start": "08:00", "end": "08:00"}, "no time or all day; leave the span out"),
        ({"start": "22:00Z", "end": "06:00"}, "is not local time; write times without an offset"),
    ],
)
def test_what_is_no_span_by_the_clock_on_the_wall_is_refused(span: dict[str, str], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        QuietHours.model_validate(span)
