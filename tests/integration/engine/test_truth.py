"""The demo's house tells what was true of it: an assessment of its readings is held against that.

The truth is the simulated house's own, integrated by a general solver over many size classes with other published forms
for settling, penetration and filtration than the model uses, and read out beside the readings, never from them. Its
indoor sensor reads 7 % high, which nothing in the readings tells but an open window; masses in the room's air are that
much too high, and their bounds must allow for it.
"""

from datetime import timedelta
from typing import Any

import pytest

from moteledger.engine.assessment import Known


def test_the_clean_air_delivered_is_found_within_15_per_cent(demo_case: Any) -> None:
    told, true = demo_case.assessment.estimates.clean_air_delivered_m3h, demo_case.truth.clean_air_delivered_m3h
    assert isinstance(told, Known)
    assert told.value == pytest.approx(true, rel=0.15)


@pytest.mark.parametrize("rate", ["outdoor_entry_per_h", "loss_fan_off_per_h"])
def test_rates_that_the_wind_moves_are_found_within_their_interval(rate: str, demo_case: Any) -> None:
    # The wind moves the air change by a factor of six and clears the air outdoors at the same time.
    told, true = getattr(demo_case.assessment.estimates, rate), getattr(demo_case.truth, rate)
    assert isinstance(told, Known)
    assert told.low <= true <= told.high


def test_what_the_filter_took_out_is_found_within_25_per_cent(demo_case: Any) -> None:
    told, true = demo_case.assessment.ledger, demo_case.truth.ledger
    assert told.filtered_mg == pytest.approx(true.filtered_mg, rel=0.25)


def test_what_entered_is_found_within_half_as_much_again(demo_case: Any) -> None:
    # Entry and sensor gain cannot be told apart behind shut windows, so that this is the least certain of all masses.
    told, true = demo_case.assessment.ledger, demo_case.truth.ledger
    assert true.entered_mg / 1.5 < told.entered_mg < 1.5 * true.entered_mg


@pytest.mark.parametrize("entry", ["entered", "filtered"])
def test_the_bounds_of_the_account_hold_what_was_true(entry: str, demo_case: Any) -> None:
    true = getattr(demo_case.truth.ledger, f"{entry}_mg")
    bounds = next(bound for bound in demo_case.assessment.ledger.bounds if bound.entry == entry)
    assert bounds.low_mg < true < bounds.high_mg


def test_the_drop_at_the_surveyed_airflow_is_found_within_5_per_cent(demo_case: Any) -> None:
    told = demo_case.assessment.filter.drop_at_reference_pa
    assert isinstance(told, Known)
    assert told.value == pytest.approx(demo_case.truth.drop_at_reference_pa, rel=0.05)


def test_most_meals_are_found_when_they_were_cooked(demo_case: Any) -> None:
    slack = timedelta(minutes=15)
    strong = [meal for meal in demo_case.truth.events if meal.emitted_mg > 20.0]
    found = [
        any(event.start < meal.end + slack and meal.start - slack < event.end for event in demo_case.assessment.events)
        for meal in strong
    ]
    assert len(strong) >= 5
    assert sum(found) >= 0.8 * len(strong)


def test_few_of_the_events_told_never_happened(demo_case: Any) -> None:
    slack = timedelta(minutes=30)
    events = demo_case.assessment.events
    real = [
        any(event.start < meal.end + slack and meal.start - slack < event.end for meal in demo_case.truth.events)
        for event in events
    ]
    assert sum(real) >= 0.8 * len(events)


def test_the_verdict_on_the_demos_sound_assembly_is_not_short(demo_case: Any) -> None:
    assert demo_case.assessment.delivery.verdict != "short"
