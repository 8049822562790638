"""Uncertain numbers multiplied and added: as the Guide to the expression of uncertainty (JCGM 100:2008, 5.1.2) has it.

Bounds are held against draws of the same numbers: a product or a sum of three is within them nine times in ten.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from moteledger.engine.figures import figure, product, spread, total
from motemodel.estimate import Estimate, Unknown

NUMBERS = np.random.default_rng(5)
Z_90 = 1.645


def drawn(estimate: Estimate, count: int = 200_000) -> np.ndarray:
    return NUMBERS.normal(estimate.value, estimate.half_width / Z_90, count)


@pytest.mark.parametrize(
    "numbers",
    [
        (Estimate(100.0, 90.0, 110.0), Estimate(0.5, 0.45, 0.55)),
        (Estimate(-20.0, -25.0, -15.0), Estimate(2.0, 1.8, 2.2)),
        (Estimate(0.0, -1.0, 1.0), Estimate(3.0, 2.9, 3.1)),
        (Estimate(8.0, 7.2, 8.8), Estimate(3.0, 2.7, 3.3), Estimate(0.9, 0.8, 1.0)),
    ],
)
def test_a_product_holds_nine_in_ten_of_the_products_drawn(numbers: tuple[Estimate, ...]) -> None:
    told = product(*numbers)
    draws = np.prod([drawn(each) for each in numbers], axis=0)
    assert np.mean((draws > told.low) & (draws < told.high)) == pytest.approx(0.9, abs=0.02)


def test_a_sum_holds_nine_in_ten_of_the_sums_drawn() -> None:
    numbers = (Estimate(0.3, 0.2, 0.4), Estimate(0.4, 0.2, 0.6))
    draws = np.sum([drawn(each) for each in numbers], axis=0)
    assert np.mean((draws > total(*numbers).low) & (draws < total(*numbers).high)) == pytest.approx(0.9, abs=0.01)


def estimates(least: float) -> st.SearchStrategy[list[Estimate]]:
    ends = st.lists(st.floats(least, 1e6), min_size=3, max_size=3).map(sorted)
    return st.lists(ends.map(lambda ends: Estimate(ends[1], ends[0], ends[2])), min_size=1, max_size=4)


@given(estimates(-1e6))
def test_no_numbers_make_bounds_that_leave_their_value_out(numbers: list[Estimate]) -> None:
    for told in (product(*numbers), total(*numbers)):
        assert told.low <= told.value <= told.high


@given(estimates(0.0))
def test_a_product_of_what_cannot_be_negative_is_not_negative(numbers: list[Estimate]) -> None:
    assert product(*numbers).low >= 0.0


def test_a_spread_is_a_factor_to_either_side() -> None:
    assert spread(6.0, 1.5) == Estimate(6.0, 4.0, 9.0)


def test_an_unknown_keeps_its_reason_and_what_would_tell() -> None:
    told = figure(Unknown("the fan never rested", "let it rest"), "m3/h")
    assert told.value is None
    assert told.reason == "the fan never rested; let it rest"
