"""The verdict on delivery: what a house is told when its filter does, does not, and may or may not what it should.

The houses are made by hand, stepped minute by minute in no code of the project, so that what is delivered is known.
"""

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
import pytest

from moteledger.engine import Assessment, assess
from moteledger.engine.assessment import Known, NotKnown
from moteledger.engine.delivery import bypass
from moteledger.engine.filter_advice import filter_advice
from moteledger.engine.grid import gridded
from moteledger.engine.survey import survey
from moteledger.settings import House
from moteledger.store import Series
from motemodel.estimate import Estimate, Unknown

Houses = Callable[..., House]
Lived = Callable[..., dict[str, Series]]

VOLUME_M3 = 150.0 * 2.44
TRUE_M3H = 3.0 * VOLUME_M3
"""Three room volumes an hour of clean air while the fan runs."""


@pytest.fixture(scope="module")
def week(lived_in: Lived) -> dict[str, Series]:
    return lived_in(7, entry=0.35, loss=0.6, clean_air_per_h=TRUE_M3H / VOLUME_M3)


@pytest.fixture(scope="module")
def judged(house: Houses, week: dict[str, Series]) -> Callable[[float | None], Assessment]:
    """The week's assessment where the survey leads one to expect so much clean air (m3/h), by a nameplate's airflow."""

    @cache
    def of(expected_m3h: float | None) -> Assessment:
        tables: dict[str, Any] = {}
        if expected_m3h is not None:
            # A medium that catches all: the clean air to expect is the airflow.
            tables = {
                "air_handler": {"airflow": f"{expected_m3h} m3/h"},
                "filter": {"efficiency": {"e1": 1.0, "e2": 1.0, "e3": 1.0}},
            }
        return assess(house(**tables), week)

    return of


def test_the_clean_air_of_a_house_made_by_hand_is_found(judged: Callable[..., Assessment]) -> None:
    told = judged(None).estimates.clean_air_delivered_m3h
    assert isinstance(told, Known)
    assert told.value == pytest.approx(TRUE_M3H, rel=0.15)
    assert told.low < TRUE_M3H < told.high


def test_an_assembly_that_gives_more_than_was_to_be_expected_delivers(judged: Callable[..., Assessment]) -> None:
    told = judged(0.6 * TRUE_M3H).delivery
    assert told.verdict == "delivers"
    assert told.likely_causes == ()


def test_an_assembly_that_gives_half_is_short_with_causes_and_what_to_look_at(
    judged: Callable[..., Assessment],
) -> None:
    told = judged(2.0 * TRUE_M3H).delivery
    assert told.verdict == "short"
    assert isinstance(told.share_of_expected, Known)
    assert told.share_of_expected.value == pytest.approx(0.5, rel=0.2)
    assert told.likely_causes
    for cause in told.likely_causes:
        assert cause.evidence
        assert cause.next_step


def test_an_airflow_measured_at_half_of_what_the_survey_says_is_the_first_thing_to_look_at(
    house: Houses, week: dict[str, Series]
) -> None:
    """The fan moves what is delivered, through a medium that catches all; the nameplate says twice as much."""
    fan = week["fan.running"]
    moved = Series(fan.time_us, np.where(fan.value > 0.5, TRUE_M3H * (1.0 + 0.02 * np.sin(fan.time_us / 6e7)), 0.0))
    surveyed = house(
        air_handler={"airflow": f"{2.0 * TRUE_M3H} m3/h"}, filter={"efficiency": {"e1": 1.0, "e2": 1.0, "e3": 1.0}}
    )
    told = assess(surveyed, week | {"duct.airflow": moved}).delivery
    assert told.verdict == "short"
    first = told.likely_causes[0]
    assert first.cause == "low airflow"
    assert "50% below design" in first.evidence
    assert "external static" in first.next_step
    # It explains the whole of it, so gaps are not suspected.
    assert "gaps around the filter" not in {cause.cause for cause in told.likely_causes}


def test_near_the_85_per_cent_asked_nobody_can_tell(judged: Callable[..., Assessment]) -> None:
    told = judged(TRUE_M3H / 0.85).delivery
    assert told.verdict == "cannot_tell"
    assert isinstance(told.share_of_expected, Known)
    assert told.share_of_expected.low < 0.85 < told.share_of_expected.high
    assert told.likely_causes == () or told.share_of_expected.high < 1.0


def test_without_a_survey_there_is_no_verdict_but_the_key_that_would_give_one(
    judged: Callable[..., Assessment],
) -> None:
    told = judged(None).delivery
    assert told.verdict == "cannot_tell"
    assert "air_handler.airflow" in told.reason
    assert told.share_of_expected.value is None


@pytest.mark.parametrize("rating", [{"merv": 1}, {"merv": 4}, {"efficiency": {"e1": 0.0, "e2": 0.0, "e3": 0.0}}])
@pytest.mark.parametrize("charged", [False, True])
def test_a_filter_that_promises_nothing_cannot_fall_short_of_it(
    rating: dict[str, Any], charged: bool, house: Houses, still: Lived
) -> None:
    surveyed = house(air_handler={"airflow": "1200 m3/h"}, filter={**rating, "charged": charged})
    told = assess(surveyed, still(6.0)).delivery
    assert told.verdict == "cannot_tell"
    assert "nothing to compare with" in told.reason


def test_two_days_are_too_few_and_the_reason_says_how_many_there_must_be(house: Houses, lived_in: Lived) -> None:
    told = assess(house(), lived_in(2, entry=0.35, loss=0.6, clean_air_per_h=3.0)).delivery
    assert told.verdict == "cannot_tell"
    assert "three whole days" in told.reason


def test_a_recording_that_tells_nothing_of_the_fan_is_asked_for_it_and_not_for_more_days(
    house: Houses, lived_in: Lived
) -> None:
    readings = lived_in(3, entry=0.35, loss=0.6, clean_air_per_h=3.0)
    del readings["fan.running"]
    told = assess(house(), readings).delivery
    assert told.verdict == "cannot_tell"
    assert "nothing tells when the fan ran" in told.reason


def test_a_fan_that_never_rests_or_never_runs_is_asked_to_do_both(house: Houses, lived_in: Lived) -> None:
    days = lived_in(3, entry=0.35, loss=0.6, clean_air_per_h=3.0)
    fan = days["fan.running"]
    for state, words in ((1.0, "rest"), (0.0, "run the fan")):
        readings = days | {"fan.running": Series(fan.time_us, fan.value * 0.0 + state)}
        told = assess(house(), readings).estimates.clean_air_delivered_m3h
        assert told.value is None
        assert words in told.reason


def with_drop(house: Houses, week: dict[str, Series], slips: float, **filter_: Any) -> tuple[House, dict[str, Series]]:
    """The week behind a medium that catches all, of whose air the share `slips` does not go through it.

    The media's drop of 50 Pa goes with the airflow to the power 1 / 0.85 (Li et al. 2022), and the sensor shows whole
    Pa. The airflow was measured with a flow plate.
    """
    fan, airflow_m3h = week["fan.running"], TRUE_M3H / (1.0 - slips)
    shown = np.round(50.0 * (1.0 - slips) ** (1.0 / 0.85) + np.random.default_rng(5).normal(0.0, 0.6, fan.value.size))
    surveyed = house(
        air_handler={"airflow": f"{airflow_m3h} m3/h", "airflow_known_by": "measured"},
        filter={
            "efficiency": {"e1": 1.0, "e2": 1.0, "e3": 1.0},
            "face_area": "0.4 m2",
            "rated_drop": [{"airflow": f"{airflow_m3h} m3/h", "drop": "50 Pa"}],
            **filter_,
        },
    )
    return surveyed, week | {"filter.pressure_drop": Series(fan.time_us, np.where(fan.value > 0.5, shown, 0.0))}


def test_air_that_slips_past_a_new_filter_is_told_by_delivery_and_drop(house: Houses, week: dict[str, Series]) -> None:
    told = assess(*with_drop(house, week, 0.3, installed="2026-03-02")).delivery
    assert isinstance(told.bypass, Known)
    assert 0.0 < told.bypass.low < 0.3 < told.bypass.high < 0.45
    assert "slips past the filter" in told.reason
    assert told.likely_causes[0].cause == "gaps around the filter"


def test_a_new_filter_that_all_the_air_passes_is_cleared(house: Houses, week: dict[str, Series]) -> None:
    told = assess(*with_drop(house, week, 0.0, installed="2026-03-02")).delivery
    assert isinstance(told.bypass, Known)
    assert told.bypass.low == 0.0
    assert told.bypass.high < 0.15
    assert "no air is told to slip past" in told.reason


def test_the_drop_of_a_filter_long_in_use_or_of_unknown_age_says_nothing_of_a_bypass(
    house: Houses, week: dict[str, Series]
) -> None:
    for in_since, why in (({"installed": "2025-12-01"}, "first 14 days"), ({}, "record the day")):
        surveyed, readings = with_drop(house, week, 0.3, **in_since)
        grid = gridded(surveyed, readings)
        advice = filter_advice(surveyed, grid, grid.moment(grid.grid.end_h))
        assert isinstance(advice.drop_when_new_pa, NotKnown)
        assert why in advice.drop_when_new_pa.reason
        found = bypass(surveyed, Estimate(TRUE_M3H, TRUE_M3H, TRUE_M3H), survey(surveyed, grid), advice, grid)
        assert isinstance(found, Unknown)


def test_without_a_drop_there_is_no_word_of_a_bypass(judged: Callable[..., Assessment]) -> None:
    told = judged(0.6 * TRUE_M3H)
    assert told.delivery.bypass is None
    assert told.filter.drop_when_new_pa is None
