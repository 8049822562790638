"""What an automation and a homeowner may rely on in the fan's advice, whatever plan stands behind it."""

from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from moteledger.engine import Assessment, assess
from moteledger.engine.assessment import FanAdvice, FanSpan, Known, NotKnown
from moteledger.settings import House
from moteledger.store import Series

Houses = Callable[..., House]
Still = Callable[..., dict[str, Series]]

FITTED = {"air_handler": {"airflow": "1500 m3/h", "fan_power": "400 W"}, "filter": {"merv": 13}}
NIGHT = {"quiet_hours": [{"start": "22:30:00", "end": "06:30:00"}]}


@pytest.fixture(scope="module")
def advice_at(house: Houses, still: Still) -> Callable[..., FanAdvice]:
    """Advice in smoky air at a UTC hour of 2 March 2026, from the six hours before."""
    given: dict[str, FanAdvice] = {}

    def of(hour: float, outdoor: float = 80.0, **tables: object) -> FanAdvice:
        case = repr((hour, outdoor, tables))
        if case not in given:
            start = datetime(2026, 3, 2, tzinfo=UTC) + timedelta(hours=hour - 6.0)
            given[case] = assess(house(**(FITTED | tables)), still(6.0, 0.5 * outdoor, outdoor, start=start)).fan
        return given[case]

    return of


def minutes_of(span: FanSpan) -> list[datetime]:
    count = -((span.start - span.end) // timedelta(minutes=1))
    return [span.start + timedelta(minutes=minute) for minute in range(count)]


def test_smoke_outdoors_runs_the_fan_by_day(advice_at: Callable[..., FanAdvice]) -> None:
    assert advice_at(12.0).action_now == "run"


def test_clean_air_lets_it_rest(advice_at: Callable[..., FanAdvice]) -> None:
    told = advice_at(12.0, outdoor=4.0)
    assert told.action_now == "rest"
    assert told.schedule == ()


@pytest.mark.parametrize("hour", [3.5, 21.95, 22.4, 22.6])
def test_the_fan_is_never_started_for_the_air_in_quiet_hours(hour: float, advice_at: Callable[..., FanAdvice]) -> None:
    told = advice_at(hour, **NIGHT)
    if hour >= 22.5 or hour < 6.5:
        assert told.action_now != "run"
    assert told.schedule, "there are hours by day in which smoke is filtered"
    for span in told.schedule:
        for moment in minutes_of(span):
            assert time(6, 30) <= moment.time() < time(22, 30)


@pytest.mark.parametrize(
    "start",
    [datetime(2026, 3, 7, 20, tzinfo=UTC), datetime(2026, 10, 31, 20, tzinfo=UTC)],
    ids=["clocks go forward", "clocks go back"],
)
def test_quiet_hours_are_kept_by_the_clock_on_the_wall_also_when_it_is_changed(
    start: datetime, house: Houses, still: Still
) -> None:
    zone = ZoneInfo("America/Denver")
    told = assess(house(time_zone=zone.key, **FITTED, **NIGHT), still(6.0, 40.0, 80.0, start=start)).fan
    assert told.schedule
    for span in told.schedule:
        for moment in minutes_of(span):
            local = moment.astimezone(zone)
            assert time(6, 30) <= local.time() < time(22, 30), local


def test_the_action_now_is_the_one_of_the_schedule_and_stands_until_the_schedule_changes_it(
    advice_at: Callable[..., FanAdvice],
) -> None:
    for hour in (21.95, 22.4):
        told = advice_at(hour, **NIGHT)
        now = datetime(2026, 3, 2, tzinfo=UTC) + timedelta(hours=hour)
        runs = any(span.start <= now < span.end for span in told.schedule)
        assert (told.action_now == "run") is runs
        assert now < told.valid_until <= now + timedelta(minutes=15)
        turns = [edge for span in told.schedule for edge in (span.start, span.end) if edge > now]
        assert told.valid_until <= min(turns, default=told.valid_until)


def test_spans_follow_each_other_within_the_hours_planned(advice_at: Callable[..., FanAdvice]) -> None:
    told = advice_at(22.4, **NIGHT)
    now = datetime(2026, 3, 2, 22, 24, tzinfo=UTC)
    assert told.planned_until is not None
    edges = [edge for span in told.schedule for edge in (span.start, span.end)]
    assert all(earlier < later for earlier, later in pairwise(edges))
    assert all(now <= edge <= told.planned_until for edge in edges)
    assert timedelta(hours=24) <= told.planned_until - now <= timedelta(hours=48)


def test_a_fan_of_which_nobody_knows_what_it_cleans_is_left_alone(house: Houses, still: Still) -> None:
    told = assess(house(), still(6.0, 40.0, 80.0)).fan
    assert told.action_now == "leave"
    assert told.schedule == ()
    assert "not known yet how much clean air" in told.reason


def test_energy_is_power_times_hours_and_cost_energy_times_tariff(advice_at: Callable[..., FanAdvice]) -> None:
    told = advice_at(12.0, tariff={"per_kwh": 0.25, "currency": "EUR"})
    assert isinstance(told.energy_kwh, Known)
    assert told.energy_kwh.value == pytest.approx(0.4 * told.run_hours)
    assert told.alternatives
    for way in told.alternatives:
        assert isinstance(way.energy_kwh, Known)
        assert isinstance(way.cost, Known)
        assert way.energy_kwh.value == pytest.approx(0.4 * way.run_hours)
        assert way.cost.value == pytest.approx(0.25 * way.energy_kwh.value)
        assert way.cost.unit == "EUR"


def test_a_fan_of_unknown_power_is_taken_at_the_published_watts_and_less_sure(
    advice_at: Callable[..., FanAdvice],
) -> None:
    # ANSI/RESNET/ICC 301 defaults: 0.414 W/cfm with a split-capacitor motor, 0.281 with a brushless one.
    for blower, watts_per_cfm in (("permanent-split-capacitor", 0.414), ("constant-torque", 0.281)):
        told = advice_at(12.0, air_handler={"airflow": "1000 cfm", "blower": blower})
        assert isinstance(told.energy_kwh, Known)
        assert told.energy_kwh.value == pytest.approx(watts_per_cfm * told.run_hours, rel=1e-3)
        assert told.energy_kwh.high / told.energy_kwh.value > 1.2


def test_without_a_tariff_the_cost_is_not_known_and_the_key_is_named(advice_at: Callable[..., FanAdvice]) -> None:
    for way in advice_at(12.0).alternatives:
        assert isinstance(way.cost, NotKnown)
        assert "tariff.per_kwh" in way.cost.reason


def test_a_tariff_without_a_currency_still_has_a_unit(advice_at: Callable[..., FanAdvice]) -> None:
    for way in advice_at(12.0, outdoor=4.0, tariff={"per_kwh": 0.25}).alternatives:
        assert isinstance(way.cost, Known)
        assert way.cost.unit


def test_always_on_in_steady_air_comes_to_supply_over_loss(house: Houses, still: Still) -> None:
    # At rest C = P a C_out / (loss + clean air / V), the textbook's steady state.
    volume = 150.0 * 2.44
    surveyed = house(**FITTED)

    def expected(told: Assessment) -> float:
        figures = told.expected
        assert isinstance(figures.outdoor_entry_per_h, Known)
        assert isinstance(figures.loss_fan_off_per_h, Known)
        assert isinstance(figures.clean_air_delivered_m3h, Known)
        loss = figures.loss_fan_off_per_h.value + figures.clean_air_delivered_m3h.value / volume
        return figures.outdoor_entry_per_h.value * 80.0 / loss

    level = expected(assess(surveyed, still(30.0, 10.0, 80.0)))
    told = assess(surveyed, still(30.0, level, 80.0))
    always = next(way for way in told.fan.alternatives if way.name.startswith("always on"))
    assert isinstance(always.mean_pm25, Known)
    assert always.mean_pm25.value == pytest.approx(level, rel=0.02)


@pytest.mark.parametrize(("units", "first"), [("inch-pound", "cfm ("), ("si", "m³/h (")])
def test_what_is_missing_in_smoke_is_told_in_the_houses_own_units(
    units: str, first: str, advice_at: Callable[..., FanAdvice]
) -> None:
    told = advice_at(12.0, outdoor=400.0, units=units)
    assert "cannot hold 15 µg/m³" in told.reason
    assert first in told.reason
