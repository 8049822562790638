"""The month of the bench is one that the identification knows, and the plain way beside it does the same work."""

import pytest

from moteledger.bench.identified_month import DAY_STEPS, by_least_squares, identified_month, month


def test_the_row_is_measured_and_its_errors_are_those_of_the_delivery() -> None:
    row = identified_month(steps=4 * DAY_STEPS, plain_steps=DAY_STEPS // 4)
    assert row.measured > 0.0
    assert row.error is not None
    assert row.error < 0.05
    assert row.plain[0].scaled_from == "0.25 d"


def test_the_plain_way_finds_what_the_fan_adds_to_within_a_tenth() -> None:
    # The rates that made the month are the outside truth: the fan adds 2.5 1/h.
    assert by_least_squares(month(DAY_STEPS))[2] == pytest.approx(2.5, rel=0.1)
