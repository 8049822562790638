"""The day on which a loading filter's drop meets its limit, from its own record."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.plan import DropHistory, LoadAhead, reach_by_clogging

SHARE = 0.5
DAYS = np.unique(np.round(np.geomspace(1.0, 1500.0, 150)))
AHEAD = LoadAhead(DAYS, SHARE * DAYS, np.zeros(DAYS.size))
PASCALS = st.floats(-50.0, 2000.0)


def reach(drop: np.ndarray, limit: float = 125.0, weight: float = 1.0):
    load = SHARE * np.arange(1.0, drop.size + 1.0)
    return reach_by_clogging(
        "pressure", [[(DropHistory(load, drop, float(load[-1]), weight), AHEAD)]], limit, 0.5, SHARE
    )


@pytest.mark.parametrize("days", [15, 40, 55])
def test_growth_by_equal_shares_is_due_on_the_day_that_logarithms_find(days: int) -> None:
    # Li et al. (2022), Sep. Purif. Technol. 284, 120209: the drop of loading filters grows exponentially with the dust.
    scatter = np.random.default_rng(1).normal(0.0, 0.1, days)
    found = reach(60.0 * np.exp(np.arange(1.0, days + 1.0) / 80.0) + scatter)
    due = 80.0 * math.log(125.0 / 60.0) - days
    assert found.days == pytest.approx(due, abs=3.0)
    assert found.low < due < found.high


@pytest.mark.parametrize("days", [20, 40, 55])
def test_a_cake_of_even_resistance_grows_in_a_straight_line_and_lies_within_the_interval(days: int) -> None:
    # Darcy's law: the drop of a cake goes with its thickness.
    scatter = np.random.default_rng(2).normal(0.0, 0.1, days)
    found = reach(60.0 + np.arange(1.0, days + 1.0) + scatter)
    assert found.low < 65.0 - days < found.high


def test_the_longer_the_record_the_narrower_the_interval() -> None:
    grown = 60.0 * np.exp(np.arange(1.0, 200.0) / 250.0)
    widths = [reach(grown[:days], 150.0) for days in (25, 60, 140)]
    assert widths[0].high - widths[0].low > widths[1].high - widths[1].low > widths[2].high - widths[2].low


def test_the_interval_holds_the_day_nine_times_in_ten_where_dust_comes_unevenly() -> None:
    # Monte Carlo: a filter that grows by equal shares of dust that varies by 0.6 from day to day, independently.
    rng = np.random.default_rng(3)
    held = []
    for _ in range(60):
        dust = rng.gamma(1.0 / 0.36, 0.36, 600)
        drop = 60.0 * np.exp(np.cumsum(dust) / 150.0)
        due = int(np.argmax(drop >= 125.0)) + 1
        known = due - 40
        found = reach(drop[:known] + rng.normal(0.0, 0.3, known))
        held.append(found.low <= due - known <= found.high)
    assert 0.8 <= np.mean(held) <= 1.0


def test_a_drop_past_its_limit_is_due_now_and_one_that_falls_is_never() -> None:
    assert reach(130.0 + np.arange(20.0)).days == 0.0
    assert math.isinf(reach(90.0 - 0.2 * np.arange(40.0)).days)


def test_three_days_or_no_running_tell_nothing() -> None:
    assert reach(np.array([60.0, 61.0, 62.0])) is None
    still = DropHistory(np.ones(20), np.linspace(60.0, 70.0, 20), 1.0)
    assert reach_by_clogging("pressure", [[(still, AHEAD)]], 125.0, 0.5, SHARE) is None


def test_ways_that_the_record_cannot_tell_apart_widen_the_interval() -> None:
    load = SHARE * np.arange(1.0, 61.0)
    one, other = (60.0 * np.exp(np.arange(1.0, 61.0) / life) for life in (110.0, 150.0))
    both = [[(DropHistory(load, drop, 30.0), AHEAD)] for drop in (one, other)]
    together = reach_by_clogging("pressure", both, 125.0, 0.5, SHARE)
    alone = [reach_by_clogging("pressure", [way], 125.0, 0.5, SHARE) for way in both]
    assert together.low < alone[1].low
    assert together.high > alone[0].high
    assert alone[0].days < together.days < alone[1].days


def test_more_running_ahead_is_due_sooner() -> None:
    load = SHARE * np.arange(1.0, 61.0)
    history = DropHistory(load, 60.0 * np.exp(np.arange(1.0, 61.0) / 150.0), 30.0)
    due = [
        reach_by_clogging(
            "pressure", [[(history, LoadAhead(DAYS, share * DAYS, 0.05 * share * DAYS))]], 125.0, 0.5, share
        ).days
        for share in (0.25, 0.5, 1.0)
    ]
    assert due[0] == pytest.approx(2.0 * due[1], rel=0.05)
    assert due[1] == pytest.approx(2.0 * due[2], rel=0.05)


@given(st.lists(st.floats(0.0, 2000.0), min_size=1, max_size=40), st.floats(1.0, 2500.0))
def test_any_record_gives_an_ordered_interval_or_none(drop: list[float], limit: float) -> None:
    found = reach(np.array(drop), limit)
    assert found is None or 0.0 <= found.low <= found.days <= found.high


def test_a_filter_like_it_that_was_watched_before_tells_by_what_law_this_one_loads() -> None:
    # Two filters that load by a law of their own, the second known to its half: a line, then growth by equal shares.
    rng = np.random.default_rng(4)
    for grown in (lambda load: 60.0 * (1.0 + load), lambda load: 60.0 * np.exp(load * math.log(2.0))):
        whole, half = (grown(np.arange(1.0, days + 1.0) / 160.0) for days in (170, 90))
        before = DropHistory(SHARE * np.arange(1.0, 171.0), whole + rng.normal(0.0, 0.3, 170), 85.0)
        alone = DropHistory(SHARE * np.arange(1.0, 91.0), half + rng.normal(0.0, 0.3, 90), 45.0)
        one, both = (
            reach_by_clogging("pressure", [[(each, AHEAD)]], 120.0, 0.5, SHARE)
            for each in (alone, replace(alone, earlier=(before,)))
        )
        assert abs(both.days - 70.0) <= abs(one.days - 70.0) + 0.5
        assert both.low <= 70.0 <= both.high
        assert both.high - both.low < one.high - one.low


def test_an_earlier_filter_of_three_days_teaches_nothing() -> None:
    alone = DropHistory(SHARE * np.arange(1.0, 91.0), 60.0 * np.exp(np.arange(1.0, 91.0) / 200.0), 45.0)
    brief = DropHistory(np.arange(3.0), np.array([60.0, 61.0, 62.0]), 3.0)
    for earlier in ((), (brief,)):
        found = reach_by_clogging("pressure", [[(replace(alone, earlier=earlier), AHEAD)]], 120.0, 0.5, SHARE)
        assert found == reach_by_clogging("pressure", [[(alone, AHEAD)]], 120.0, 0.5, SHARE)


def test_a_short_record_leans_on_the_pace_of_the_filter_before_it_and_a_long_one_on_its_own() -> None:
    # Growth by equal shares to twice the clean drop: in 160 days of the filter before, in 100 by this one's own days.
    rng = np.random.default_rng(5)
    load = SHARE * np.arange(1.0, 161.0)
    before = DropHistory(load, 60.0 * 2.0 ** (np.arange(1.0, 161.0) / 160.0) + rng.normal(0.0, 0.3, 160), 80.0)
    leaned = []
    for days in (25, 75):
        drop = 60.0 * 2.0 ** (np.arange(1.0, days + 1.0) / 100.0) + rng.normal(0.0, 0.3, days)
        this = DropHistory(load[:days], drop, float(load[days - 1]))
        alone, both = (
            reach_by_clogging("pressure", [[(each, AHEAD)]], 120.0, 0.5, SHARE).days
            for each in (this, replace(this, earlier=(before,)))
        )
        at_the_pace_before = 1.6 * (100.0 - days)
        assert alone < both < at_the_pace_before
        leaned.append((both - alone) / (at_the_pace_before - alone))
    assert leaned[0] > leaned[1]


@pytest.mark.parametrize("power", [1.0, 1.5, 2.0])
def test_dust_whose_own_drop_grows_with_a_power_of_it_is_told_where_the_clean_drop_is_known(power: float) -> None:
    # Dust adds to a clean medium of 60 Pa as a power of its mass, until it has doubled it after 160 days.
    drop = 60.0 * (1.0 + (np.arange(1.0, 111.0) / 160.0) ** power)
    drop += np.random.default_rng(6).normal(0.0, 0.3, drop.size)
    load = SHARE * np.arange(1.0, 111.0)
    unknown = DropHistory(load, drop, 55.0)
    found, without = (
        reach_by_clogging("pressure", [[(each, AHEAD)]], 120.0, 0.5, SHARE)
        for each in (replace(unknown, clean_pa=60.0), unknown)
    )
    assert found.low <= 50.0 <= found.high
    assert abs(found.days - 50.0) <= max(abs(without.days - 50.0), 4.0)


def test_dust_that_clogs_ever_faster_is_told_by_what_it_adds_to_the_clean_drop_and_not_without() -> None:
    # What dust adds grows with its square until the clean drop has doubled after 160 days, of which 80 are known.
    drop = 60.0 * (1.0 + (np.arange(1.0, 81.0) / 160.0) ** 2.0)
    drop += np.random.default_rng(9).normal(0.0, 0.3, drop.size)
    load = SHARE * np.arange(1.0, 81.0)
    unknown = DropHistory(load, drop, float(load[-1]))
    found, without = (
        reach_by_clogging("pressure", [[(each, AHEAD)]], 120.0, 0.5, SHARE)
        for each in (replace(unknown, clean_pa=60.0), unknown)
    )
    assert found.low <= 80.0 <= found.high
    assert found.days == pytest.approx(80.0, abs=15.0)
    assert without.days > 120.0


@given(st.floats(50.0, 500.0))
def test_a_clean_drop_stated_above_what_the_sensor_has_read_is_taken_for_no_more_than_that(clean: float) -> None:
    load = SHARE * np.arange(1.0, 81.0)
    drop = 40.0 * np.exp(np.arange(1.0, 81.0) / 115.0) + np.random.default_rng(1).normal(0.0, 0.3, 80)
    found, as_read = (
        reach_by_clogging("pressure", [[(DropHistory(load, drop, 40.0, clean_pa=each), AHEAD)]], 120.0, 0.5, SHARE)
        for each in (clean, 45.0)
    )
    assert found == as_read


@settings(max_examples=60, deadline=None)
@given(
    drop=st.lists(PASCALS, max_size=40),
    earlier=st.lists(PASCALS, max_size=40),
    dusty=st.lists(st.floats(0.0, 3.0), min_size=41, max_size=41),
    limits=st.tuples(PASCALS, PASCALS),
    clean=PASCALS | st.just(math.nan),
    share=st.floats(0.0, 1.0),
)
def test_whatever_is_read_an_interval_is_in_order_and_a_higher_limit_is_met_no_sooner(
    drop: list[float],
    earlier: list[float],
    dusty: list[float],
    limits: tuple[float, float],
    clean: float,
    share: float,
) -> None:
    load = np.cumsum(dusty)
    before = DropHistory(load[: len(earlier)], np.array(earlier), float(load[len(earlier)]))
    this = DropHistory(load[: len(drop)], np.array(drop), float(load[len(drop)]), clean_pa=clean, earlier=(before,))
    ahead = LoadAhead(DAYS, share * DAYS, 0.05 * share * DAYS)
    found = [reach_by_clogging("pressure", [[(this, ahead)]], limit, 0.0, share) for limit in sorted(limits)]
    if None in found:
        assert found == [None, None]
        return
    for each in found:
        assert 0.0 <= each.low <= each.days <= each.high
    assert found[0].days <= found[1].days + 1e-9


def test_of_two_ways_to_count_the_load_the_one_that_tells_the_past_of_the_drop_gives_the_day() -> None:
    # Three weeks in six are thrice as dusty; the other way counts every day alike, and looks ahead to more dust.
    dusty = np.where(np.arange(126) % 42 < 21, 1.5, 0.5)
    uneven, even = np.cumsum(SHARE * dusty), SHARE * np.arange(1.0, 127.0)
    drop = 60.0 * np.exp(uneven / 100.0) + np.random.default_rng(7).normal(0.0, 0.3, 126)
    much = LoadAhead(DAYS, 1.5 * SHARE * DAYS, np.zeros(DAYS.size))
    ways = [(DropHistory(uneven, drop, 63.0), AHEAD), (DropHistory(even, drop, 63.0), much)]
    told, other = (reach_by_clogging("pressure", [[way]], 140.0, 0.5, SHARE).days for way in ways)
    assert other < told - 10.0
    together = reach_by_clogging("pressure", [ways], 140.0, 0.5, SHARE).days
    apart = reach_by_clogging("pressure", [[way] for way in ways], 140.0, 0.5, SHARE).days
    assert together == pytest.approx(told, abs=1.0)
    assert other + 2.0 < apart < told - 2.0


@pytest.mark.parametrize("limit", [1.0, 20.0, 38.0, 41.0])
def test_a_limit_below_the_clean_drop_is_reached_at_once(limit: float) -> None:
    # As where a final drop is stated at another airflow than the reference.
    load = SHARE * np.arange(1.0, 31.0)
    drop = 42.0 + 0.1 * np.arange(30.0) + np.random.default_rng(4).normal(0.0, 0.1, 30)
    history = DropHistory(load, drop, float(load[-1]), clean_pa=40.0)
    found = reach_by_clogging("pressure", [[(history, AHEAD)]], limit, 0.5, SHARE)
    assert (found.low, found.days, found.high) == (0.0, 0.0, 0.0)


def test_a_fan_that_never_runs_again_never_clogs_its_filter() -> None:
    load = SHARE * np.arange(1.0, 31.0)
    drop = 60.0 + np.arange(30.0) + np.random.default_rng(4).normal(0.0, 0.1, 30)
    ahead = LoadAhead(DAYS, np.zeros(DAYS.size), np.zeros(DAYS.size))
    found = reach_by_clogging("pressure", [[(DropHistory(load, drop, float(load[-1])), ahead)]], 125.0, 0.5, 0.0)
    assert math.isinf(found.low)


def test_no_record_tells_no_day() -> None:
    nothing = DropHistory(np.empty(0), np.empty(0), 0.0)
    assert reach_by_clogging("pressure", [[(nothing, AHEAD)]], 125.0, 0.5, SHARE) is None
    load = SHARE * np.arange(1.0, 31.0)
    drop = 60.0 + np.arange(30.0)
    alone, beside = (
        reach_by_clogging(
            "pressure", [[(DropHistory(load, drop, float(load[-1]), earlier=of), AHEAD)]], 125.0, 0.5, SHARE
        )
        for of in ((), (nothing,))
    )
    assert alone == beside
