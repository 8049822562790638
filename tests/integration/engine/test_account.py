"""The account of a period: what came in and what took it out, by the day, with bounds, and on what it rests.

A house in steady air has an account that can be reckoned by hand: outdoor air enters at P a, and of what hangs in the
room each way out takes its rate's share, hour after hour.
"""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from moteledger.engine import Assessment, assess
from moteledger.engine.account import Account, Rates, account
from moteledger.engine.assessment import Known, Ledger
from moteledger.engine.grid import gridded
from moteledger.settings import House
from moteledger.store import Series
from motemodel.estimate import Estimate, Event

Houses = Callable[..., House]
Told = Callable[..., Series]
Still = Callable[..., dict[str, Series]]

VOLUME_M3 = 150.0 * 2.44
HOURS, OUTDOOR, INDOOR = 10.0, 20.0, 5.0
ENTRY, AIR_CHANGE, LOSS, DELIVERED = 0.4, 0.5, 0.9, 0.7 * VOLUME_M3
# ENTRY x OUTDOOR = (LOSS + DELIVERED / VOLUME) x INDOOR: the room is at rest while the fan runs all the time.


def rates(**other: Any) -> Rates:
    def sure(value: float) -> Estimate:
        return Estimate(value, 0.9 * value, 1.1 * value)

    known = {
        "entry_per_h": sure(ENTRY),
        "fan_extra_entry_per_h": 0.0,
        "loss_per_h": sure(LOSS),
        "air_change_per_h": sure(AIR_CHANGE),
        "delivered_m3h": sure(DELIVERED),
        "gain": Estimate(1.0, 1.0, 1.0),
        "basis": "known",
    }
    return Rates(**(known | other))


@pytest.fixture
def kept(house: Houses, series: Told, still: Still) -> Callable[..., Account]:
    """The account of a house at rest, kept with rates that are known."""

    def keep(events: tuple[Event, ...] = (), hours: float = HOURS, indoor: float = INDOOR, **other: Any) -> Account:
        readings = still(hours, indoor, OUTDOOR) | {"fan.running": series([0.0, hours], 1.0)}
        return account(house(), gridded(house(), readings), rates(**other), events)

    return keep


def masses(ledger: Ledger) -> dict[str, float]:
    names = ("entered", "generated", "filtered", "settled", "carried_out", "stored")
    return {name: getattr(ledger, f"{name}_mg") for name in names}


def test_a_room_at_rest_keeps_the_account_that_is_reckoned_by_hand(kept: Callable[..., Account]) -> None:
    hung_mg_h = INDOOR * VOLUME_M3 / 1000.0
    assert masses(kept().ledger) == pytest.approx(
        {
            "entered": ENTRY * OUTDOOR * VOLUME_M3 / 1000.0 * HOURS,
            "generated": 0.0,
            "filtered": DELIVERED / VOLUME_M3 * hung_mg_h * HOURS,
            "settled": (LOSS - AIR_CHANGE) * hung_mg_h * HOURS,
            "carried_out": AIR_CHANGE * hung_mg_h * HOURS,
            "stored": 0.0,
        },
        rel=2e-3,
        abs=0.05,
    )


def test_the_account_closes_to_a_billionth_also_day_by_day(kept: Callable[..., Account]) -> None:
    ledger = kept(hours=60.0).ledger
    assert abs(ledger.closure) < 1e-9
    for day in ledger.by_day:
        went = day.filtered_mg + day.settled_mg + day.carried_out_mg + day.stored_mg
        assert day.entered_mg + day.generated_mg == pytest.approx(went, rel=1e-9)
    for name, mass in masses(ledger).items():
        assert sum(getattr(day, f"{name}_mg") for day in ledger.by_day) == pytest.approx(mass, rel=1e-9, abs=1e-9)


def test_the_only_device_holds_all_that_was_filtered(kept: Callable[..., Account]) -> None:
    ledger = kept().ledger
    assert [device.filtered_mg for device in ledger.by_device] == pytest.approx([ledger.filtered_mg])


def test_what_was_cooked_stands_in_the_account_with_its_whole_mass_when_it_ends_before_the_period(
    kept: Callable[..., Account],
) -> None:
    meal = Event(3.1, 3.7, Estimate(120.0, 90.0, 150.0), 200.0)
    with_meal, without = kept(events=(meal,)).ledger, kept().ledger
    assert with_meal.generated_mg == pytest.approx(120.0)
    assert with_meal.entered_mg == pytest.approx(without.entered_mg)
    # Six hours of 1.6 air changes later it is shared out by the rates, but for what still hangs, e^-10.
    assert with_meal.filtered_mg - without.filtered_mg == pytest.approx(120.0 * 0.7 / 1.6, rel=1e-3)
    assert with_meal.settled_mg - without.settled_mg == pytest.approx(120.0 * 0.4 / 1.6, rel=1e-3)


def test_a_sensor_that_reads_high_makes_no_more_dust(kept: Callable[..., Account]) -> None:
    # The indoor sensor reads twice the air: twice the reading, twice the event, and the same true account.
    meal, seen = Event(3.0, 3.5, Estimate(50.0, 40.0, 60.0), 99.0), Event(3.0, 3.5, Estimate(100.0, 80.0, 120.0), 198.0)
    true = kept(events=(meal,))
    doubled = kept(events=(seen,), indoor=2.0 * INDOOR, gain=Estimate(2.0, 2.0, 2.0))
    assert masses(doubled.ledger) == pytest.approx(masses(true.ledger), rel=1e-6, abs=0.1)
    assert doubled.modelled_ug_m3 == pytest.approx(2.0 * true.modelled_ug_m3, rel=1e-6)


def test_air_that_leaky_ducts_draw_in_enters_and_leaves_and_is_not_called_filtered(
    kept: Callable[..., Account],
) -> None:
    tight, leaky = kept().ledger, kept(fan_extra_entry_per_h=0.1).ledger
    assert leaky.entered_mg == pytest.approx(tight.entered_mg + 0.1 * OUTDOOR * VOLUME_M3 / 1000.0 * HOURS, rel=1e-3)
    assert leaky.carried_out_mg > tight.carried_out_mg
    assert sum(masses(leaky)[way] for way in ("filtered", "settled", "carried_out", "stored")) == pytest.approx(
        leaky.entered_mg, rel=1e-9
    )


def bounds(ledger: Ledger, entry: str) -> tuple[float, float]:
    return next((bound.low_mg, bound.high_mg) for bound in ledger.bounds if bound.entry == entry)


def test_a_mass_is_as_uncertain_as_its_rate_where_the_sensor_is_sure(kept: Callable[..., Account]) -> None:
    ledger = kept().ledger
    for entry in ("entered", "filtered", "carried_out"):
        mass = getattr(ledger, f"{entry}_mg")
        assert bounds(ledger, entry) == pytest.approx((0.9 * mass, 1.1 * mass))


def test_what_leaves_is_less_certain_where_the_indoor_sensor_is(kept: Callable[..., Account]) -> None:
    sure, unsure = kept().ledger, kept(gain=Estimate(1.0, 0.75, 1.25)).ledger
    for entry in ("filtered", "settled", "carried_out"):
        assert bounds(unsure, entry)[0] < bounds(sure, entry)[0]
        assert bounds(unsure, entry)[1] > bounds(sure, entry)[1]
    # A third more than reckoned, if the sensor reads three quarters of the air.
    assert bounds(unsure, "filtered")[1] > 4.0 / 3.0 * unsure.filtered_mg
    assert bounds(unsure, "entered") == pytest.approx(bounds(sure, "entered"))


ZONES = {
    # name: a local day, its length in hours, and how the local day after midnight UTC of the first day looks.
    "America/Denver": [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25), (date(2026, 6, 1), 24)],
    "Australia/Lord_Howe": [(date(2026, 4, 5), 24.5), (date(2026, 10, 4), 23.5)],
    # Here the clocks jump at midnight itself: 0:00 does not exist, and the day begins at 1:00.
    "America/Santiago": [(date(2022, 9, 11), 23), (date(2022, 4, 2), 25)],
    # A whole day was left out.
    "Pacific/Apia": [(date(2011, 12, 29), 24), (date(2011, 12, 31), 24)],
}


@pytest.mark.parametrize(("zone", "day", "length_h"), [(zone, *each) for zone in ZONES for each in ZONES[zone]])
def test_a_local_day_is_as_long_as_the_clocks_on_the_wall_make_it(
    zone: str, day: date, length_h: float, house: Houses, still: Still
) -> None:
    first = datetime(day.year, day.month, day.day, tzinfo=UTC) - timedelta(hours=30)
    told = assess(house(time_zone=zone), still(90.0, start=first))
    by_day = {each.day: each.entered_mg for each in told.ledger.by_day}
    # What enters is as steady as the outdoor air: a day's share of it is its share of the hours.
    assert by_day[day] / told.ledger.entered_mg == pytest.approx(length_h / 90.0, rel=2e-3)
    assert list(by_day) == sorted(by_day)
    if zone == "Pacific/Apia":
        assert date(2011, 12, 30) not in by_day


def test_two_days_too_short_to_identify_are_kept_with_the_surveys_rates_and_say_so(house: Houses, still: Still) -> None:
    surveyed = house(air_handler={"airflow": "1000 m3/h"}, filter={"merv": 13})
    told = assess(surveyed, still(24.0, outdoor=OUTDOOR))
    assert told.estimates.outdoor_entry_per_h.value is None
    assert "entry, loss, clean air from the survey, since the readings cannot tell yet" in told.ledger.basis
    entry = told.expected.outdoor_entry_per_h
    assert isinstance(entry, Known)
    assert told.ledger.entered_mg == pytest.approx(entry.value * OUTDOOR * VOLUME_M3 / 1000.0 * 24.0, rel=1e-3)
    assert told.ledger.filtered_mg == 0.0, "the fan rested all day"


def test_what_neither_readings_nor_survey_tell_is_not_passed_off_as_surveyed(house: Houses, still: Still) -> None:
    told = assess(house(), still(24.0))
    assert "entry, loss from the survey" in told.ledger.basis
    assert "clean air not known and counted as nought" in told.ledger.basis
    assert all(bound.entry != "filtered" for bound in told.ledger.bounds)


def remarks(told: Assessment) -> str:
    return " | ".join(told.data_quality.remarks)


def test_gaps_and_open_windows_are_told_with_their_hours(house: Houses, series: Told, still: Still) -> None:
    hours = np.concatenate((np.arange(0.0, 4.0, 0.5), np.arange(12.0, 24.1, 0.5)))
    told = assess(
        house(),
        still(24.0)
        | {
            "outdoor.pm25": series(hours, 12.0 + np.sin(hours)),
            "window.open": series([0.0, 10.0, 12.0, 24.0], [0.0, 1.0, 0.0, 0.0]),
        },
    )
    assert "outdoor PM2.5 is not known for 8.0 h; the account bridges them by straight lines" in remarks(told)
    assert "windows stood open for 2.0 h" in remarks(told)
    assert "the fan's state" not in remarks(told)


def test_a_fan_that_nothing_tells_of_is_told_as_taken_to_rest(house: Houses, still: Still) -> None:
    readings = still(6.0)
    del readings["fan.running"]
    assert "the fan's state is not known for 6.0 h; the account takes it as resting" in remarks(
        assess(house(), readings)
    )
