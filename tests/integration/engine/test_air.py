"""The air now: what the sensors read, the published index, and what cannot be told for want of hours.

US index: 40 CFR 58 App. G, table 2 as of 2024, and EPA, Technical Assistance Document for the Reporting of Daily Air
Quality (2024). WHO global air quality guidelines (2021): 15 ug/m3 over 24 hours.
"""

from collections.abc import Callable

import numpy as np
import pytest

from moteledger.engine import Assessment, assess
from moteledger.engine.assessment import Air, Known, NotKnown
from moteledger.settings import House
from moteledger.store import Series
from motemodel import indices

Houses = Callable[..., House]
Told = Callable[..., Series]
Still = Callable[..., dict[str, Series]]


@pytest.fixture
def air_of(house: Houses, series: Told, still: Still) -> Callable[..., Air]:
    """The air after hours whose means are given, read every five minutes."""

    def of(hourly: list[float], **tables: object) -> Air:
        hours = np.arange(1, 12 * len(hourly) + 1) / 12.0
        minutes = np.repeat(hourly, 12) * (1.0 + 0.001 * (-1.0) ** np.arange(hours.size))
        known = np.isfinite(minutes)
        readings = still(float(len(hourly))) | {"indoor.pm25": series(hours[known], minutes[known])}
        return assess(house(**tables), readings).air

    return of


def hourly(length: int, seed: int = 3) -> list[float]:
    return np.random.default_rng(seed).uniform(3.0, 90.0, length).round(1).tolist()


@pytest.mark.parametrize("length", [2, 3, 12, 24, 40])
def test_nowcast_and_index_are_those_of_the_same_hours(length: int, air_of: Callable[..., Air]) -> None:
    told = air_of(hourly(length))
    nowcast = indices.nowcast(hourly(length))[-1]
    assert isinstance(told.nowcast_pm25, Known)
    assert told.nowcast_pm25.value == pytest.approx(nowcast, abs=0.11)
    assert told.index == pytest.approx(indices.air_quality_index(told.nowcast_pm25.value))


def test_nowcast_of_steady_air_is_that_air_and_its_index_is_the_published_one(air_of: Callable[..., Air]) -> None:
    # 40 CFR 58 App. G: 35.4 ug/m3 is the end of "Moderate", index 100; the reading swings by a thousandth.
    told = air_of([35.3] * 12)
    assert (told.index, told.category) == (100, "Moderate")
    assert told.sentence.startswith("The air indoors is fair")


@pytest.mark.parametrize(
    ("level", "category", "words"),
    [
        (5.0, "Good", "good"),
        (20.0, "Moderate", "fair"),
        (45.0, "Unhealthy for Sensitive Groups", "poor for children"),
        (90.0, "Unhealthy", "unhealthy for everyone"),
        (180.0, "Very Unhealthy", "very unhealthy"),
        (400.0, "Hazardous", "hazardous"),
    ],
)
def test_each_category_of_the_index_has_its_sentence(
    level: float, category: str, words: str, air_of: Callable[..., Air]
) -> None:
    told = air_of([level] * 6)
    assert told.category == category
    assert words in told.sentence


@pytest.mark.parametrize(("level", "beside"), [(11.5, "within"), (12.5, "above")])
def test_the_sentence_holds_the_last_hour_against_the_house_s_own_wish(
    level: float, beside: str, air_of: Callable[..., Air]
) -> None:
    told = air_of([level] * 6, targets={"pm25": "12 ug/m3"})
    assert f"The last hour's PM2.5 is {beside} the 12 µg/m³ wished for." in told.sentence


def test_the_day_mean_is_the_mean_of_24_hours_and_the_guideline_that_of_who(air_of: Callable[..., Air]) -> None:
    told = air_of(hourly(30))
    assert isinstance(told.indoor_day_mean_pm25, Known)
    assert told.indoor_day_mean_pm25.value == pytest.approx(np.mean(hourly(30)[-24:]), rel=1e-3)
    assert told.guideline_day_pm25 == 15.0


@pytest.mark.parametrize(("known_hours", "told"), [(17, False), (18, True)])
def test_a_day_mean_needs_eighteen_of_its_hours(known_hours: int, told: bool, air_of: Callable[..., Air]) -> None:
    # 40 CFR 50 App. N: 75 % of the hours of a day.
    day = [np.nan] * (24 - known_hours) + [12.0] * known_hours
    figure = air_of([12.0, *day]).indoor_day_mean_pm25
    assert isinstance(figure, Known) is told
    if isinstance(figure, NotKnown):
        assert figure.reason == "less than 18 of the last 24 hours are known"


def test_an_hour_after_a_long_gap_is_no_nowcast_yet(air_of: Callable[..., Air]) -> None:
    told = air_of([10.0] * 4 + [np.nan] * 5 + [10.0])
    assert isinstance(told.nowcast_pm25, NotKnown)
    assert "fewer than two of the last three hours" in told.nowcast_pm25.reason
    assert told.index is told.category is None
    assert "cannot be told yet" in told.sentence
    assert isinstance(told.indoor_pm25, Known), "the reading itself is there"


def test_an_outdoor_station_silent_for_half_a_day_is_not_the_air_outdoors_now(
    house: Houses, series: Told, still: Still
) -> None:
    told: Assessment = assess(house(), still(24.0) | {"outdoor.pm25": series(range(12), 10.0 + np.arange(12.0))})
    assert isinstance(told.air.outdoor_pm25, NotKnown)
    assert told.air.outdoor_pm25.reason == "no reading in the last 3 h"


def test_every_reading_bears_the_doubt_of_its_sensor(air_of: Callable[..., Air]) -> None:
    clean, smoky = air_of([3.0] * 3).indoor_pm25, air_of([300.0] * 3).indoor_pm25
    assert isinstance(clean, Known)
    assert isinstance(smoky, Known)
    # A low-cost sensor as installed: 2 ug/m3 in clean air, 15 % in smoke (common practice, no source).
    assert clean.high - clean.value == pytest.approx(2.0, abs=0.1)
    assert smoky.high / smoky.value == pytest.approx(1.15, abs=0.01)
    assert clean.low >= 0.0


def test_a_sensor_a_little_below_nought_in_clean_air_reads_nought(air_of: Callable[..., Air]) -> None:
    told = air_of([1.0] * 6, sensors=({"signal": "indoor.pm25", "offset": -2.0},))
    assert isinstance(told.indoor_pm25, Known)
    assert told.indoor_pm25.value == 0.0
    assert told.index == 0
