"""What a survey leads one to expect: every way of telling the leakage, and figures against what was found in houses.

Published ranges (all from memory):
- Murray & Burmaster (1995), Risk Analysis 15: 459-465: air change in 2844 US homes log-normal, median 0.53 1/h,
  geometric standard deviation 2.3, so that nine homes in ten lie between 0.13 and 2.1 1/h.
- Chen & Zhao (2011), Atmos. Environ. 45: 275-288: infiltration factor of fine particles 0.3 to 0.82 in many studies.
- Sherman (1987), Energy Build. 10: 81-86: infiltration is the air changes at 50 Pa over C H S, with C of 14 (harsh) to
  26 (mild climate), H of 1.0, 0.8 and 0.7 for one to three storeys, S of 0.9 (exposed) to 1.2 (well shielded).
- Azimi, Zhao & Stephens (2014), Atmos. Environ. 98: 337-346: outdoor PM2.5 taken out in one pass, from less than 15 %
  by a MERV 5 to more than 90 % by a MERV 16.
"""

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from moteledger.engine.grid import GriddedHouse, gridded
from moteledger.engine.survey import Survey, survey
from moteledger.settings import House
from moteledger.store import Series
from motemodel.estimate import Estimate, Unknown

Houses = Callable[..., House]
Told = Callable[..., Series]
Still = Callable[..., dict[str, Series]]

VOLUME_M3 = 150.0 * 2.44
AIR_CHANGES_50 = 6.0
AIRFLOW_50 = AIR_CHANGES_50 * VOLUME_M3
EXPONENT = 0.65
COEFFICIENT = AIRFLOW_50 / 50.0**EXPONENT
# ASHRAE Handbook Fundamentals (2017), ch. 16, eq. 35: the area of an orifice that passes the flow at 4 Pa.
AREA_M2 = COEFFICIENT * 4.0**EXPONENT / 3600.0 / np.sqrt(2.0 * 4.0 / 1.2)
DOOR_READINGS = [
    {"pressure": f"{pressure} Pa", "airflow": f"{COEFFICIENT * pressure**EXPONENT} m3/h"}
    for pressure in (15.0, 25.0, 50.0)
]
MEASURED_FORMS: dict[str, Any] = {
    "air changes at 50 Pa": {"air_changes_50": AIR_CHANGES_50},
    "airflow at 50 Pa": {"airflow_50": f"{AIRFLOW_50} m3/h"},
    "airflow at 50 Pa in cfm": {"airflow_50": f"{AIRFLOW_50 / 1.699011} cfm"},
    "flow coefficient": {"flow_coefficient": COEFFICIENT},
    "effective leakage area": {"effective_leakage_area": f"{AREA_M2} m2"},
    "readings of a multi-point test": {"readings": DOOR_READINGS},
}


def weather(still: Still, series: Told, outdoor_c: float = 2.0, wind_m_s: float = 4.0) -> dict[str, Series]:
    return still(12.0) | {
        "outdoor.temperature": series(range(13), outdoor_c + np.arange(13) * 1e-3),
        "indoor.temperature": series(range(13), 21.0 + np.arange(13) * 1e-3),
        "outdoor.wind_speed": series(range(13), wind_m_s + np.arange(13) * 1e-3),
    }


def leaky(house: Houses, leakage: Any) -> House:
    return house(house={"floor_area": "150 m2", "ceiling_height": "2.44 m", "leakage": leakage})


@pytest.fixture
def windy(house: Houses, still: Still, series: Told) -> GriddedHouse:
    return gridded(house(), weather(still, series))


@pytest.mark.parametrize("form", MEASURED_FORMS)
def test_one_blower_door_result_gives_one_infiltration_in_whatever_form_it_is_written(
    form: str, house: Houses, windy: GriddedHouse
) -> None:
    told = survey(leaky(house, MEASURED_FORMS[form]), windy)
    reference = survey(leaky(house, {"air_changes_50": AIR_CHANGES_50}), windy)
    assert told.infiltration_m3h == pytest.approx(reference.infiltration_m3h, rel=1e-4)
    assert "blower door, 6 air changes at 50 Pa" in told.infiltration_basis


@pytest.mark.parametrize("letter", "ABCDEFGHIJ")
def test_a_leakage_class_is_taken_at_its_middle_and_less_certain_than_a_test(
    letter: str, house: Houses, windy: GriddedHouse
) -> None:
    told = survey(leaky(house, {"leakage_class": letter}), windy)
    # ASHRAE Standard 119-1988: infiltration of an ordinary house is about its normalised leakage, and classes begin at
    # 0.10 x sqrt(2)^k, so that F (0.40 to 0.57) is the class of the median US home above.
    middle = 0.10 * np.sqrt(2.0) ** ("ABCDEFGHIJ".index(letter) - 0.5)
    assert middle / 2.0 < told.air_change_per_h.value < 2.0 * middle
    tested = survey(leaky(house, {"air_changes_50": AIR_CHANGES_50}), windy)
    assert told.air_change_per_h.high / told.air_change_per_h.value > (
        tested.air_change_per_h.high / tested.air_change_per_h.value
    )


def test_a_house_described_in_words_is_leakier_by_every_word(house: Houses, windy: GriddedHouse) -> None:
    words = ("tight", "good", "average", "leaky", "very leaky")
    changes = [survey(leaky(house, {"tightness": word}), windy).air_change_per_h.value for word in words]
    assert changes == sorted(changes)
    # ASHRAE Handbook Fundamentals (2017), ch. 17, table 3: 0.7, 1.4, 2.8, 5.6, 10.4 cm2 per m2 of exposed area.
    assert np.array(changes) / changes[2] == pytest.approx(np.array([0.7, 1.4, 2.8, 5.6, 10.4]) / 2.8, rel=1e-6)


def test_an_ordinary_house_is_among_nine_homes_in_ten(house: Houses, windy: GriddedHouse) -> None:
    told = survey(house(), windy)
    assert 0.53 / 2.3**1.645 < told.air_change_per_h.value < 0.53 * 2.3**1.645
    # The interval must not be narrower than homes differ round what words can tell, nor wider than all homes.
    assert 2.0 < told.air_change_per_h.high / told.air_change_per_h.value <= 2.3**1.645
    assert "an average house is assumed" in told.infiltration_basis


def test_the_infiltration_factor_of_an_ordinary_house_is_the_one_found_in_many_studies(
    house: Houses, windy: GriddedHouse
) -> None:
    told = survey(house(), windy)
    assert 0.3 < told.entry_per_h.value / told.loss_fan_off_per_h.value < 0.82


@pytest.mark.parametrize(("storeys", "height"), [(1, 1.0), (2, 0.8), (3, 0.7)])
@pytest.mark.parametrize("shelter_class", [1, 2, 3, 4])
def test_infiltration_in_ordinary_weather_is_the_air_changes_at_50_pa_over_the_factors_of_sherman(
    storeys: int, height: float, shelter_class: int, house: Houses, windy: GriddedHouse
) -> None:
    surveyed = house(
        house={"floor_area": "150 m2", "leakage": {"air_changes_50": AIR_CHANGES_50}},
        site={"storeys": storeys, "shelter_class": shelter_class},
    )
    told = survey(surveyed, windy)
    # The factors are for a whole year; half a day of 4 m/s and 19 K may lie a quarter outside.
    assert 14.0 * height * 0.9 / 1.25 < AIR_CHANGES_50 / told.air_change_per_h.value < 26.0 * height * 1.2 * 1.25


def test_cold_and_wind_drive_more_air_through_the_same_shell(house: Houses, still: Still, series: Told) -> None:
    def changes(outdoor_c: float, wind_m_s: float) -> float:
        grid = gridded(house(), weather(still, series, outdoor_c, wind_m_s))
        return survey(house(), grid).air_change_per_h.value

    assert changes(-20.0, 4.0) > changes(2.0, 4.0) > changes(15.0, 4.0)
    assert changes(2.0, 8.0) > changes(2.0, 4.0) > changes(2.0, 0.5)


def test_without_a_wind_gauge_three_metres_a_second_are_taken_and_said(
    house: Houses, still: Still, series: Told
) -> None:
    readings = weather(still, series, wind_m_s=3.0)
    measured = survey(house(), gridded(house(), readings))
    del readings["outdoor.wind_speed"]
    taken = survey(house(), gridded(house(), readings))
    assert taken.air_change_per_h.value == pytest.approx(measured.air_change_per_h.value, rel=0.01)
    assert "no wind measured, 3 m/s taken" in taken.infiltration_basis


def test_without_weather_a_twentieth_is_taken_and_the_interval_is_wider(
    house: Houses, still: Still, windy: GriddedHouse
) -> None:
    surveyed = leaky(house, {"air_changes_50": AIR_CHANGES_50})
    blind, seeing = survey(surveyed, gridded(house(), still(12.0))), survey(surveyed, windy)
    assert blind.air_change_per_h.value == pytest.approx(AIR_CHANGES_50 / 20.0)
    assert "no outdoor temperature, a twentieth of it taken" in blind.infiltration_basis
    assert blind.air_change_per_h.high / blind.air_change_per_h.value > (
        seeing.air_change_per_h.high / seeing.air_change_per_h.value
    )


def test_a_thermometer_in_the_sun_or_in_space_gives_an_infiltration_all_the_same(
    house: Houses, still: Still, series: Told
) -> None:
    for odd in (-69.9, 64.9):
        told = survey(house(), gridded(house(), weather(still, series, outdoor_c=odd, wind_m_s=110.0)))
        assert np.isfinite(told.infiltration_m3h).all()


def filtered(house: Houses, windy: GriddedHouse, filter_: Any, **handler: Any) -> Survey:
    return survey(house(filter=filter_, air_handler={"airflow": "1000 cfm", **handler}), windy)


def efficiency(told: Survey) -> Estimate:
    assert isinstance(told.installed_efficiency, Estimate)
    return told.installed_efficiency


def test_the_better_the_merv_the_more_pm25_is_expected_to_stay_in_the_filter(
    house: Houses, windy: GriddedHouse
) -> None:
    told = [efficiency(filtered(house, windy, {"merv": merv})) for merv in range(1, 17)]
    values = [each.value for each in told]
    assert values == sorted(values)
    assert values[4] < 0.15
    assert values[15] > 0.9
    for lower, upper in pairwise(told):
        assert lower.low <= upper.low
        assert lower.high >= upper.low - 1e-12, "some filter between the two would be none of both"


def test_below_merv_5_nothing_is_promised_and_hardly_anything_possible(house: Houses, windy: GriddedHouse) -> None:
    # ASHRAE 52.2-2017, table 12-1: MERV 1 to 4 ask for no E1 or E2, and have an E3 below 20 %.
    for merv in (1, 2, 3, 4):
        told = efficiency(filtered(house, windy, {"merv": merv}))
        assert told.low == 0.0
        assert 0.0 < told.high < 0.05


def test_a_measured_efficiency_is_narrower_than_a_rating(house: Houses, windy: GriddedHouse) -> None:
    # The minima of a MERV 13 (ASHRAE 52.2-2017, table 12-1), told as measured.
    rated = efficiency(filtered(house, windy, {"merv": 13}))
    measured = efficiency(filtered(house, windy, {"efficiency": {"e1": 0.50, "e2": 0.85, "e3": 0.90}}))
    assert measured.high - measured.low < rated.high - rated.low
    assert measured.value == pytest.approx(rated.low, rel=0.05)


def test_a_gap_beside_the_filter_costs_efficiency(house: Houses, windy: GriddedHouse) -> None:
    surveyed = {"merv": 13, "face_area": "4 ft2", "rated_drop": [{"airflow": "1000 cfm", "drop": "0.2 in.w.c."}]}
    gap = [{"length": "1.5 m", "width": "3 mm", "depth": "25 mm"}]
    whole = efficiency(filtered(house, windy, surveyed))
    gapped = efficiency(filtered(house, windy, surveyed | {"gaps": gap}))
    # A sqrt(2 dp / rho), without friction or contraction, is more than any gap passes at 49.8 Pa; of 1699 m3/h.
    most = 1.5 * 3e-3 * np.sqrt(2.0 * 49.8 / 1.2) * 3600.0 / 1699.0
    assert 0.0 < 1.0 - gapped.value / whole.value < most


def test_clean_air_expected_is_airflow_times_efficiency(house: Houses, windy: GriddedHouse) -> None:
    told = filtered(house, windy, {"merv": 13}, airflow_known_by="measured")
    assert isinstance(told.clean_air_delivered_m3h, Estimate)
    assert told.clean_air_delivered_m3h.value == pytest.approx(1000.0 * 1.699011 * efficiency(told).value, rel=1e-6)
    nameplate = filtered(house, windy, {"merv": 13})
    assert isinstance(nameplate.clean_air_delivered_m3h, Estimate)
    assert nameplate.clean_air_delivered_m3h.low < told.clean_air_delivered_m3h.low


def test_what_the_survey_does_not_hold_is_asked_for_by_its_key(house: Houses, windy: GriddedHouse) -> None:
    without_airflow = survey(house(filter={"merv": 13}), windy)
    assert "air_handler.airflow" in str(without_airflow.clean_air_delivered_m3h)
    without_filter = survey(house(air_handler={"airflow": "1000 cfm"}), windy)
    assert "[filter]" in str(without_filter.installed_efficiency)
    gaps_alone = filtered(house, windy, {"merv": 13, "gaps": [{"length": "1 m", "width": "2 mm"}]})
    assert "filter.face_area" in str(gaps_alone.installed_efficiency)
    assert isinstance(survey(house(), windy).sensor_gain_ratio, Unknown)
