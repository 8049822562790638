"""The cautions and when each is told: what licensed practice asks for travels with the advice, never apart from it."""

from collections.abc import Callable
from datetime import timedelta

import numpy as np
import pytest

from moteledger.engine import Assessment, assess
from moteledger.engine.assessment import FilterLimit
from moteledger.engine.cautions import Circumstances, cautions_for
from moteledger.engine.filter_advice import filter_advice
from moteledger.engine.filter_load import FilterLoad
from moteledger.engine.grid import gridded
from moteledger.engine.low_airflow import low_airflow
from moteledger.engine.survey import survey
from moteledger.settings import House
from moteledger.signals import OUTDOOR_FORECAST
from moteledger.store import Series

Houses = Callable[..., House]
Told = Callable[..., Series]
Still = Callable[..., dict[str, Series]]

ALWAYS = {
    "carbon_monoxide": "fan",
    "combustion_draught": "fan",
    "change_safely": "filter",
    "licensed_work": "delivery",
}


@pytest.fixture
def codes(house: Houses) -> Callable[..., set[str]]:
    def of(**true: bool) -> set[str]:
        quiet = {"cooling_recently": False, "fan_to_run": False, "poor_air": False, "low_airflow": False}
        return {each.code for each in cautions_for(Circumstances(house=house(), **(quiet | true)))}

    return of


def test_four_cautions_are_always_told_each_with_the_advice_that_it_belongs_to(house: Houses) -> None:
    told = cautions_for(Circumstances(house(), False, False, False, False))
    assert {each.code: each.applies_to for each in told} == ALWAYS


@pytest.mark.parametrize(
    ("true", "code"),
    [
        ({"poor_air": True}, "leave_when_told"),
        ({"low_airflow": True}, "airflow_too_low"),
        ({"cooling_recently": True, "fan_to_run": True}, "coil_moisture"),
    ],
)
def test_each_other_caution_is_told_when_it_matters(
    true: dict[str, bool], code: str, codes: Callable[..., set[str]]
) -> None:
    assert codes(**true) - ALWAYS.keys() == {code}


@pytest.mark.parametrize("true", [{"cooling_recently": True}, {"fan_to_run": True}])
def test_the_coils_moisture_matters_only_to_a_fan_that_runs_on_after_cooling(
    true: dict[str, bool], codes: Callable[..., set[str]]
) -> None:
    assert codes(**true) == ALWAYS.keys()


def test_the_words_name_the_danger_and_what_to_do(house: Houses) -> None:
    told = {each.code: each.text for each in cautions_for(Circumstances(house(), True, True, True, True))}
    wanted = {
        "carbon_monoxide": ["carbon monoxide", "alarms", "leave"],
        "leave_when_told": ["authorities say leave"],
        "coil_moisture": ["coil", "humidity"],
        "combustion_draught": ["flue gas", "licensed technician"],
        "airflow_too_low": ["coils ice up", "heat exchangers overheat"],
        "change_safely": ["Switch the air handler off"],
        "licensed_work": ["licensed technician", "local code"],
    }
    assert told.keys() == wanted.keys()
    for code, words in wanted.items():
        assert all(word in told[code] for word in words), code


def said(told: Assessment) -> set[str]:
    return {each.code for each in told.cautions}


def test_a_smoky_day_outdoors_brings_the_caution_to_leave_when_told(house: Houses, still: Still) -> None:
    # 35.5 ug/m3 over a day is where the US index becomes unhealthy for sensitive groups.
    assert "leave_when_told" in said(assess(house(), still(24.0, outdoor=60.0)))
    assert "leave_when_told" not in said(assess(house(), still(24.0, outdoor=20.0)))


def test_smoke_that_is_only_forecast_brings_it_too(house: Houses, still: Still, series: Told) -> None:
    told = assess(house(), still(24.0, outdoor=8.0) | {OUTDOOR_FORECAST: series(24.0 + np.arange(49.0), 90.0)})
    assert "leave_when_told" in said(told)
    assert "leave_when_told" not in said(assess(house(), still(24.0, outdoor=8.0)))


def test_a_plan_that_asks_for_the_fan_in_a_house_that_cools_brings_the_coils_moisture(
    house: Houses, lived_in: Callable[..., dict[str, Series]], series: Told
) -> None:
    days = lived_in(4, entry=0.35, loss=0.6, clean_air_per_h=3.0)
    hours = np.arange(0.0, 96.0, 0.25)
    cooled = days | {"cooling.running": series(hours, ((hours % 4.0) < 0.5).astype(float))}
    surveyed = house(targets={"pm25": "5 ug/m3"})
    for readings, expected in ((cooled, True), (days, False)):
        told = assess(surveyed, readings)
        assert told.fan.schedule
        assert ("coil_moisture" in said(told)) is expected
        # The advice itself names what travels with it.
        assert set(told.fan.cautions) == {each.code for each in told.cautions if each.applies_to == "fan"}


def test_every_caution_says_when_it_is_told(house: Houses) -> None:
    for each in cautions_for(Circumstances(house(), True, True, True, True)):
        assert (each.when == "always") is (each.code in ALWAYS)


def test_a_filter_near_its_final_drop_brings_the_caution_of_low_airflow(
    house: Houses, series: Told, still: Still
) -> None:
    def drop_of(pascals: float) -> set[str]:
        hours = np.arange(0.0, 12.0, 0.1)
        readings = still(12.0) | {
            "fan.running": series([0.0, 12.0], 1.0),
            "filter.pressure_drop": series(hours, pascals + 0.1 * (np.arange(hours.size) % 2)),
        }
        surveyed = house(filter={"merv": 13, "final_drop": "125 Pa"}, air_handler={"airflow": "1000 cfm"})
        return said(assess(surveyed, readings))

    assert "airflow_too_low" in drop_of(110.0)
    assert "airflow_too_low" not in drop_of(60.0)


@pytest.mark.parametrize(("earliest_days", "told"), [(0, True), (1, False)])
def test_an_airflow_that_may_be_the_least_already_brings_the_caution_of_low_airflow(
    earliest_days: int, told: bool, house: Houses, still: Still
) -> None:
    surveyed = house()
    grid = gridded(surveyed, still(12.0))
    today = grid.moment(grid.grid.end_h).date()
    days = [today + timedelta(days=ahead) for ahead in (earliest_days, 30, 90)]
    limit = FilterLimit(reason="airflow", earliest=days[0], on=days[1], latest=days[2], told="By then.")
    advice = filter_advice(surveyed, grid, grid.moment(grid.grid.end_h)).model_copy(update={"limits": (limit,)})
    assert low_airflow(surveyed, grid, advice, FilterLoad(), survey(surveyed, grid)) is told


def test_cautions_stand_in_the_order_in_which_they_matter(house: Houses) -> None:
    told = [each.code for each in cautions_for(Circumstances(house(), True, True, True, True))]
    assert told[:2] == ["carbon_monoxide", "leave_when_told"]
