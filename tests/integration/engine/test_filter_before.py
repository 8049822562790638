"""What earlier filters, a test report and the filter's own first weeks tell of the one that is in."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import scipy
from hypothesis import given
from hypothesis import strategies as st

from moteledger.engine.airflow_fall import drop_exponent, drop_exponents
from moteledger.engine.filter_ahead import reaches_by_pressure
from moteledger.engine.filter_before import filters_before
from moteledger.engine.filter_past import FilterPast, changed_us, drop_put_in, watched
from moteledger.settings import House
from motemodel.estimate import Estimate

Houses = Callable[..., House]

QUARTER_US, DAY_US = 900_000_000, 86_400_000_000
CLEAN_PA, LIFE_DAYS = 60.0, 100.0


def filter_of(**more: object) -> dict[str, object]:
    rated = [{"airflow": "1000 m3/h", "drop": f"{CLEAN_PA} Pa"}]
    return {"merv": 11, "face_area": "0.3 m2", "rated_drop": rated, "installed": date(2026, 1, 1)} | more


def past_of(drop_by_day: np.ndarray, gain: float = 1.0) -> FilterPast:
    """A fan that runs every second quarter of an hour, and the drop as a sensor of that gain reads it."""
    day = np.arange(0.0, drop_by_day.size, 1.0 / 96.0)
    runs = np.arange(day.size) % 2 == 0
    noise = np.random.default_rng(1).normal(0.0, 0.5, day.size)
    drop = np.where(runs, gain * drop_by_day[day.astype(int)] + noise, np.nan)
    nothing = np.full(day.size, np.nan)
    return FilterPast(
        time_us=(np.arange(day.size) * QUARTER_US).astype(np.int64),
        drop_pa=drop,
        run_share=runs.astype(float),
        static_pa=nothing,
        outdoor_c=nothing,
        indoor_ug_m3=nothing,
        airflow_share=np.where(runs, 1.0, np.nan),
        airflow_measured=True,
    )


def lives(*days: int, clean: tuple[float, ...] | None = None) -> np.ndarray:
    """Drops of filters one after the other, growing by equal shares (Li et al. 2022) to twice the clean one."""
    return np.concatenate(
        [
            each * 2.0 ** (np.arange(0.5, count) / LIFE_DAYS)
            for count, each in zip(days, clean or (CLEAN_PA,) * len(days), strict=True)
        ]
    )


def test_filters_before_this_one_are_found_by_their_drop_with_what_each_had_grown_to(house: Houses) -> None:
    surveyed = house(filter=filter_of(), air_handler={"airflow": "1000 m3/h"})
    past = past_of(lives(90, 100, 60))
    watch = watched(surveyed, past, None)
    assert changed_us(watch) == pytest.approx(190 * DAY_US, abs=DAY_US)
    found = filters_before(surveyed, past, watch, changed_us(watch))
    assert [round(each.daily.drop_pa.size, -1) for each in found] == [100, 90]
    for each in found:
        assert each.daily.drop_pa[0] == pytest.approx(CLEAN_PA, rel=0.02)
        assert each.daily.drop_pa[-1] > 1.8 * CLEAN_PA


def test_a_filter_of_another_kind_or_of_a_few_days_ends_the_search(house: Houses) -> None:
    surveyed = house(filter=filter_of(), air_handler={"airflow": "1000 m3/h"})
    for before in (lives(90, clean=(40.0,)), lives(90)[-20:]):
        past = past_of(np.concatenate((before, lives(60))))
        since_us = float(before.size * DAY_US)
        watch = watched(surveyed, past, int(since_us))
        assert filters_before(surveyed, past, watch, since_us) == ()
    assert filters_before(surveyed, past, watch, -np.inf) == ()


def test_an_airflow_that_is_measured_since_this_filter_went_in_says_nothing_of_the_one_before(house: Houses) -> None:
    surveyed = house(filter=filter_of(), air_handler={"airflow": "1000 m3/h"})
    past = past_of(lives(90, 60))
    since = past.time_us >= 90 * DAY_US
    past = replace(
        past, indoor_ug_m3=np.full(since.size, 8.0), airflow_share=np.where(since, past.airflow_share, np.nan)
    )
    watch = watched(surveyed, past, None)
    before = filters_before(surveyed, past, watch, changed_us(watch))
    assert [each.past.airflow_measured for each in before] == [False]
    limit = {"pressure": Estimate(2.0 * CLEAN_PA, 118.0, 122.0)}
    reach = reaches_by_pressure(surveyed, past, watch, before, limit, CLEAN_PA).get("pressure")
    assert reach is not None
    assert reach.low < LIFE_DAYS - 60.0 < reach.high
    # Nor of this one, as long as the fan has not run with the sensor.
    unread = replace(past, airflow_share=np.full(since.size, np.nan))
    assert reaches_by_pressure(surveyed, unread, watch, (), limit, CLEAN_PA).get("pressure") is not None


def test_a_filter_whose_sensor_reads_nought_is_like_none(house: Houses) -> None:
    surveyed = house(filter=filter_of(), air_handler={"airflow": "1000 m3/h"})
    past = past_of(lives(60, 20))
    past = replace(past, drop_pa=np.where(past.time_us >= 60 * DAY_US, 0.0 * past.drop_pa, past.drop_pa))
    watch = watched(surveyed, past, 60 * DAY_US)
    assert watch.daily.drop_pa.size > 0
    assert filters_before(surveyed, past, watch, float(60 * DAY_US)) == ()


@pytest.mark.parametrize("gain", [0.95, 1.0, 1.05])
def test_the_drop_that_a_filter_came_with_is_what_its_own_sensor_reads_of_it(house: Houses, gain: float) -> None:
    # Growth by equal shares: the first three weeks rise by 16 %, and lead back to the clean drop all the same.
    surveyed = house(filter=filter_of(), air_handler={"airflow": "1000 m3/h"})
    past = past_of(lives(60), gain)
    found = drop_put_in(past, watched(surveyed, past, 0), 0.0)
    assert found is not None
    assert found.value == pytest.approx(gain * CLEAN_PA, rel=0.003)
    assert 0.99 * found.value < found.low < found.value < found.high


@pytest.mark.parametrize("days", [7, 21])
def test_how_far_the_drop_that_it_came_with_may_be_off_is_what_scipys_line_leaves_of_so_few_days(
    house: Houses, days: int
) -> None:
    surveyed = house(filter=filter_of(), air_handler={"airflow": "1000 m3/h"})
    past = past_of(lives(days))
    watch = watched(surveyed, past, 0)
    found = drop_put_in(past, watch, 0.0)
    line = scipy.stats.linregress(watch.daily.run_h, np.log(watch.daily.drop_pa))
    half = float(scipy.stats.t.ppf(0.95, days - 2)) * line.intercept_stderr
    assert found is not None
    assert np.log(found.high / found.value) == pytest.approx(half, rel=0.03)
    assert np.log(found.value / found.low) == pytest.approx(half, rel=0.03)


def test_a_record_that_begins_after_the_filter_went_in_does_not_tell_what_it_came_with(house: Houses) -> None:
    surveyed = house(filter=filter_of(), air_handler={"airflow": "1000 m3/h"})
    past = past_of(lives(60))
    watch = watched(surveyed, past, None)
    assert drop_put_in(past, watch, float(-2 * DAY_US)) is None
    assert drop_put_in(past, watch, -np.inf) is None
    assert drop_put_in(past_of(lives(6)), watched(surveyed, past_of(lives(6)), 0), 0.0) is None


def test_weeks_that_begin_after_more_running_than_they_hold_do_not_lead_back(house: Houses) -> None:
    surveyed = house(filter=filter_of(), air_handler={"airflow": "1000 m3/h"})
    past = past_of(lives(30))
    for silent_days, is_told in ((9, True), (12, False)):
        silent = replace(past, drop_pa=np.where(past.time_us < silent_days * DAY_US, np.nan, past.drop_pa))
        assert (drop_put_in(silent, watched(surveyed, silent, 0), 0.0) is not None) is is_told


def test_a_test_report_tells_with_what_power_of_the_airflow_the_drop_goes(house: Houses) -> None:
    # ANSI/ASHRAE 52.2 reports the resistance at 50, 75, 100 and 125 % of the rated airflow.
    rated = [
        {"airflow": f"{1000.0 * part} m3/h", "drop": f"{CLEAN_PA * part**1.4} Pa"} for part in (0.5, 0.75, 1, 1.25)
    ]
    assert drop_exponent(house(filter=filter_of(rated_drop=rated))) == pytest.approx(1.4, abs=1e-6)
    assert len(drop_exponents(house(filter=filter_of(rated_drop=rated)))) == 1


def test_one_rating_or_two_close_ones_leave_the_power_open(house: Houses) -> None:
    close = [{"airflow": "1000 m3/h", "drop": "60 Pa"}, {"airflow": "1100 m3/h", "drop": "70 Pa"}]
    for settings in (filter_of(), filter_of(rated_drop=close), None):
        surveyed = house(filter=settings)
        assert len(drop_exponents(surveyed)) > 1
        assert drop_exponent(surveyed) == pytest.approx(1.0 / 0.85), "Li et al. 2022, the mean of clean filters"


@given(power=st.floats(0.2, 4.0), airflow=st.floats(100.0, 5000.0))
def test_whatever_a_filter_is_rated_at_the_power_lies_between_laminar_and_turbulent(
    power: float, airflow: float
) -> None:
    drops = [{"airflow": f"{airflow * part} m3/h", "drop": f"{20.0 * part**power} Pa"} for part in (1.0, 2.0)]
    surveyed = House.model_validate(
        {"name": "A house", "house": {"floor_area": "150 m2"}, "filter": {"merv": 11, "rated_drop": drops}}
    )
    assert 1.0 <= drop_exponent(surveyed) <= 2.0
