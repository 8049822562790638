"""The filter is due when the first of its limits is reached: pressure, dust, age."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from motemodel.plan import Reach, first_reached, reach_by_age, reach_by_cost, reach_by_filling, reach_by_growth

positive = st.floats(1e-3, 1e3)


def test_a_steadily_growing_drop_reaches_its_limit_after_the_rest_divided_by_the_growth() -> None:
    reach = reach_by_growth("pressure", (60.0, 60.0, 60.0), (0.5, 0.5, 0.5), 125.0)
    assert (reach.days, reach.low, reach.high) == (130.0, 130.0, 130.0)


def test_the_interval_agrees_with_a_monte_carlo_of_the_ratio() -> None:
    # JCGM 101:2008 (Monte Carlo propagation) as the oracle of the first-order interval, normal inputs, 90 % = 1.645 sd.
    draws = np.random.default_rng(8)
    now = draws.normal(60.0, 2.0 / 1.645, 200_000)
    growth = draws.normal(0.5, 0.03 / 1.645, 200_000)
    low, high = np.quantile((125.0 - now) / growth, [0.05, 0.95])
    reach = reach_by_growth("pressure", (60.0, 58.0, 62.0), (0.5, 0.47, 0.53), 125.0)
    assert reach.low == pytest.approx(low, rel=0.02)
    assert reach.high == pytest.approx(high, rel=0.02)


def test_a_drop_past_its_limit_is_due_now() -> None:
    assert reach_by_growth("pressure", (130.0, 128.0, 132.0), (0.5, 0.4, 0.6), 125.0).days == 0.0


def test_growth_that_may_be_nil_leaves_the_far_end_open() -> None:
    reach = reach_by_growth("pressure", (60.0, 58.0, 62.0), (0.5, -0.1, 1.1), 125.0)
    assert math.isinf(reach.high)
    assert math.isfinite(reach.low)


def test_no_growth_at_all_is_never() -> None:
    assert math.isinf(reach_by_growth("pressure", (60.0, 60.0, 60.0), (0.0, 0.0, 0.0), 125.0).days)


def test_dust_fills_a_filter_at_the_rate_that_filled_it_so_far() -> None:
    # 90 days took 30 g of 100: 300 days in all at that rate. In a home of twice the dust it took 60 and lasts 150.
    reach = reach_by_filling("dust", 90.0, (30.0, 15.0, 60.0), 100.0)
    assert (reach.days, reach.low, reach.high) == pytest.approx((210.0, 60.0, 510.0))
    assert reach_by_filling("dust", 90.0, (30.0, 10.0, 150.0), 100.0).low == 0.0
    assert math.isinf(reach_by_filling("dust", 90.0, (0.0, 0.0, 0.0), 100.0).days)


def test_the_first_limit_wins_and_gives_its_reason() -> None:
    first = first_reached([reach_by_age(300.0, 365.0), Reach("pressure", 130.0, 40.0, 200.0)])
    assert first == Reach("age", 65.0, 40.0, 65.0)


def test_an_overaged_filter_is_due_now() -> None:
    assert reach_by_age(400.0, 365.0).days == 0.0


def test_no_limit_is_an_error_that_says_what_to_state() -> None:
    with pytest.raises(ValueError, match="final drop"):
        first_reached([])


def test_numbers_that_are_none_are_refused() -> None:
    with pytest.raises(ValueError, match="finite"):
        reach_by_growth("pressure", (math.nan, 0.0, 0.0), (1.0, 1.0, 1.0), 2.0)
    for used, capacity in ((0.0, 100.0), (90.0, 0.0), (math.nan, 100.0)):
        with pytest.raises(ValueError, match="above zero"):
            reach_by_filling("dust", used, (1.0, 1.0, 1.0), capacity)
    with pytest.raises(ValueError, match="out of order"):
        Reach("pressure", 3.0, 4.0, 5.0)


@given(positive, positive, positive, positive, positive)
def test_faster_growth_never_comes_later(now: float, spread: float, growth: float, more: float, limit: float) -> None:
    def reach(rate: float) -> Reach:
        return reach_by_growth("pressure", (now, now - spread, now + spread), (rate, rate / 2, rate * 2), limit)

    slow, fast = reach(growth), reach(growth + more)
    assert fast.days <= slow.days
    assert 0.0 <= slow.low <= slow.days <= slow.high


def test_the_cost_best_day_is_where_the_mean_cost_of_a_day_is_least() -> None:
    # scipy.optimize as the oracle: price / T + dearer T / 2 minimised numerically.
    for price, dearer in ((25.0, 0.002), (60.0, 0.0005), (8.0, 0.01)):
        found = minimize_scalar(
            lambda t, p=price, d=dearer: p / t + d * t / 2.0, bounds=(1.0, 2000.0), method="bounded"
        )
        reach = reach_by_cost(0.0, price, (dearer, dearer / 2.0, dearer * 2.0))
        assert reach.days == pytest.approx(float(found.x), rel=1e-3)
        assert reach.low == pytest.approx(reach.days / math.sqrt(2.0))
        assert reach.high == pytest.approx(reach.days * math.sqrt(2.0))


def test_a_filter_that_gets_no_dearer_is_kept_and_one_past_its_best_day_is_due_now() -> None:
    assert math.isinf(reach_by_cost(100.0, 20.0, (0.0, 0.0, 0.0)).days)
    assert reach_by_cost(500.0, 20.0, (0.01, 0.005, 0.02)).days == 0.0
    with pytest.raises(ValueError, match="cost"):
        reach_by_cost(10.0, -1.0, (0.1, 0.1, 0.1))
    with pytest.raises(ValueError, match="cost"):
        reach_by_cost(10.0, 5.0, (math.nan, 0.1, 0.1))
