"""What the fan costs beside energy, and what a budget of a day buys, checked with sums done by hand."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from moteledger.engine.account import Rates
from moteledger.engine.assessment import FanAdvice, Known
from moteledger.engine.fan_advice import fan_advice
from moteledger.engine.fan_costs import budgets_ahead
from moteledger.engine.fan_outlook import ahead
from moteledger.engine.grid import gridded
from moteledger.settings import House
from moteledger.store import Series, from_us, to_us
from motemodel.estimate import Estimate

Readings = dict[str, Series]
NOON = timedelta(hours=12)
POWER_KW = 0.4


@pytest.fixture(scope="module")
def until_noon(lived_in: Callable[..., Readings]) -> Readings:
    """Four days and a half, the fan running twenty minutes of every second hour without being called."""
    week = lived_in(5, entry=0.35, loss=0.6, clean_air_per_h=3.0)
    noon_us = int(week["indoor.pm25"].time_us[-1]) - to_us(datetime(1970, 1, 1, 12, tzinfo=UTC))
    return {
        name: Series(each.time_us[each.time_us <= noon_us], each.value[each.time_us <= noon_us])
        for name, each in week.items()
    }


def known(value: float) -> Estimate:
    return Estimate(value, value, value)


@pytest.fixture(scope="module")
def advised(house: Callable[..., House], until_noon: Readings) -> Callable[..., FanAdvice]:
    grid = gridded(house(), until_noon)
    rates = Rates(known(0.35), 0.0, known(0.6), known(0.4), known(3.0 * 366.0), known(1.0), "made by hand")

    found: dict[str, FanAdvice] = {}

    def of(target: str = "7 ug/m3", **fan: Any) -> FanAdvice:
        surveyed = house(
            targets={"pm25": target},
            air_handler={"airflow": "1200 m3/h", "fan_power": "400 W"},
            tariff={"per_kwh": 0.25, "currency": "EUR"},
            fan=fan,
        )
        key = repr((target, fan))
        if key not in found:
            found[key] = fan_advice(surveyed, grid, rates, 0.0, readings=until_noon)
        return found[key]

    return of


def asked_h(fan: FanAdvice, inside: Callable[[datetime], bool]) -> float:
    """Hours of the schedule in steps of five minutes whose beginning is `inside`."""
    step = timedelta(minutes=5)
    moments = [span.start + k * step for span in fan.schedule for k in range((span.end - span.start) // step)]
    return sum(inside(moment) for moment in moments) / 12.0


def test_hours_in_which_the_fan_is_heard_are_spared_by_their_price_and_the_target_still_held(
    advised: Callable[..., FanAdvice],
) -> None:
    def in_the_evening(moment: datetime) -> bool:
        return 17 <= moment.hour < 23

    noise = [{"start": "17:00", "end": "23:00", "per_h": 0.5}]
    plain, spared = advised(), advised(noise=noise)
    assert plain.holds_target
    assert spared.holds_target
    assert asked_h(spared, in_the_evening) < 0.5 * asked_h(plain, in_the_evening)
    assert plain.noise_and_wear_cost is None
    # An hour heard at half a euro, and a start at three minutes of 400 W at 0.25 EUR/kWh.
    starts = len(spared.schedule) * 0.05 * POWER_KW * 0.25
    assert spared.noise_and_wear_cost == pytest.approx(0.5 * asked_h(spared, in_the_evening) + starts, abs=1e-6)
    by_name = {way.name: way.noise_and_wear_cost for way in spared.alternatives}
    assert by_name["thermostat only"] == 0.0
    # Two evenings of six hours, and the one start.
    assert by_name["always on"] == pytest.approx(12 * 0.5 + 0.05 * POWER_KW * 0.25)


def test_wear_makes_the_plan_run_less_often_but_no_less_than_the_target_needs(
    advised: Callable[..., FanAdvice],
) -> None:
    plain, worn = advised(), advised(wear_per_h=0.02, wear_per_start=0.2)
    assert worn.holds_target
    assert len(worn.schedule) < len(plain.schedule)
    hours = asked_h(worn, lambda _: True)
    assert worn.noise_and_wear_cost == pytest.approx(0.02 * hours + 0.2 * len(worn.schedule), abs=1e-6)


def test_a_budget_counts_what_the_fan_has_run_today_and_is_kept_on_every_day(
    advised: Callable[..., FanAdvice], until_noon: Readings
) -> None:
    fan = advised(energy_per_day="1.4 kWh")
    now = from_us(int(until_noon["indoor.pm25"].time_us[-1]))
    assert fan.budget_left_kwh is not None
    # Six times twenty minutes of 400 W are gone by noon; the third day is planned up to its noon.
    assert fan.budget_left_kwh == pytest.approx((1.4 - 0.8, 1.4, 0.7), abs=0.01)
    midnights = [now.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=k) for k in range(4)]
    for first, end, budget in zip(midnights, midnights[1:], fan.budget_left_kwh, strict=False):
        asked = POWER_KW * asked_h(fan, lambda moment, a=first, b=end: a <= moment < b)
        assert budget - 0.12 <= asked <= budget + 1e-6
    assert "Of the 1.4 kWh a day" in fan.reason
    assert "0.6 kWh are left today" in fan.reason


@pytest.mark.parametrize(
    ("midnight", "gone_h"),
    [
        (datetime(2026, 3, 7, 7, tzinfo=UTC), 12.0),
        (datetime(2026, 3, 8, 7, tzinfo=UTC), 11.0),
        (datetime(2026, 11, 1, 6, tzinfo=UTC), 13.0),
    ],
    ids=["24 h", "23 h", "25 h"],
)
def test_on_days_on_which_the_clocks_are_changed_noon_comes_after_eleven_hours_or_thirteen(
    midnight: datetime, gone_h: float, house: Callable[..., House], still: Callable[..., Readings]
) -> None:
    denver = house(time_zone="America/Denver", fan={"energy_per_day": "8 kWh"})
    readings = still(12.0 + gone_h, 20.0, 40.0, start=midnight - timedelta(hours=12))
    fan = readings["fan.running"]
    grid = gridded(denver, readings | {"fan.running": Series(fan.time_us, np.ones(fan.value.size))})
    hours = ahead(denver, grid)
    assert hours.now.astimezone(denver.zone).hour == 12
    assert hours.today_h == pytest.approx(gone_h, abs=0.1)
    budgets = budgets_ahead(denver, grid, hours, 1000.0 * POWER_KW)
    assert budgets is not None
    assert budgets[0] == pytest.approx(8.0 - POWER_KW * gone_h, abs=0.05)
    # Whole days have the whole budget, be they long or short; the last is planned in part.
    whole = hours.day_h[1:-1]
    assert budgets[1 : 1 + whole.size] == pytest.approx(np.full(whole.size, 8.0), abs=0.01)


def test_a_budget_is_spread_over_the_days_as_the_wall_clock_counts_them(
    house: Callable[..., House], still: Any
) -> None:
    denver = house(time_zone="America/Denver", fan={"energy_per_day": "8 kWh"})
    evening = datetime(2026, 3, 8, 3, tzinfo=UTC)
    grid = gridded(denver, still(6.0, 20.0, 40.0, start=evening - timedelta(hours=6)))
    hours = ahead(denver, grid)
    # From eight in the evening: four hours, a day of 23, and 21 of the last.
    assert np.bincount(hours.days).tolist() == [48, 276, 252]
    assert hours.day_h.tolist() == [24.0, 23.0, 24.0]
    assert budgets_ahead(denver, grid, hours, 400.0) == pytest.approx([8.0, 8.0, 7.0], abs=0.01)


def test_more_budget_buys_cleaner_air_than_the_same_energy_in_any_simple_way(
    advised: Callable[..., FanAdvice],
) -> None:
    def told(figure: Any) -> float:
        assert isinstance(figure, Known)
        return figure.value

    small, large = advised(energy_per_day="1 kWh"), advised(energy_per_day="2 kWh")
    assert told(large.mean_pm25) < told(small.mean_pm25)
    for fan in (small, large):
        assert fan.gap_to_bound is not None
        assert fan.gap_to_bound < 0.1
        best = told(fan.mean_pm25) * (1.0 - fan.gap_to_bound)
        dearer = [way for way in fan.alternatives if told(way.energy_kwh) <= told(fan.energy_kwh)]
        assert dearer
        assert all(told(way.mean_pm25) >= best for way in dearer)


def test_a_budget_in_money_is_one_in_energy_at_the_tariff(advised: Callable[..., FanAdvice]) -> None:
    money, energy = advised(money_per_day=0.5), advised(energy_per_day="2 kWh")
    assert money.schedule == energy.schedule
    assert "Of the 0.5 EUR (2 kWh) a day" in money.reason
    assert "Of the 1000 kWh a day" in advised(energy_per_day="1000 kWh").reason


def test_in_smoke_a_budget_that_is_not_enough_says_what_else_helps(advised: Callable[..., FanAdvice]) -> None:
    fan = advised("2 ug/m3", energy_per_day="1 kWh")
    assert not fan.holds_target
    assert "above 2 µg/m³" in fan.reason
    assert "room cleaner" in fan.reason
    assert np.isfinite(fan.confidence)
