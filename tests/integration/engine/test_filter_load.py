"""The airflow ahead follows the operating point at the filter's present drop, worked out here with a root finder."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from moteledger.engine import assess
from moteledger.engine.account import Rates
from moteledger.engine.assessment import FilterAdvice, Known, NotKnown
from moteledger.engine.fan_advice import fan_advice
from moteledger.engine.filter_load import FilterLoad, filter_load
from moteledger.engine.grid import GriddedHouse, gridded
from moteledger.settings import House, Targets
from moteledger.store import Series
from motemodel.estimate import Estimate

SURVEYED_M3H, SURVEYED_PA, SURVEYED_FILTER_PA = 1800.0, 150.0, 50.0
# Li et al. (2022), Sep. Purif. Technol. 284: clean filters, on average.
EXPONENT = 1.0 / 0.85
RATES = {
    "entry_per_h": 0.35,
    "loss_per_h": 0.6,
    "air_change_per_h": 0.4,
    "delivered_m3h": 3.0 * 366.0,
    "gain": 1.0,
}
BLOWER = [
    {"static": "50 Pa", "airflow": "2000 m3/h", "power": "420 W"},
    {"static": "450 Pa", "airflow": "1200 m3/h", "power": "340 W"},
]


def surveyed(house: Callable[..., House], **handler: Any) -> House:
    return house(
        filter={"merv": 13, "final_drop": "200 Pa"},
        air_handler={
            "blower_table": BLOWER,
            "airflow": "1800 m3/h",
            "external_static": "150 Pa",
            "filter_drop": "50 Pa",
            "fan_power": "400 W",
            **handler,
        },
    )


def airflow_at(drop_pa: float) -> float:
    """A straight blower curve against ducts that go with the square and a filter of `drop_pa` at 1800 m3/h."""

    def excess(static: float) -> float:
        airflow = 2000.0 - 2.0 * (static - 50.0)
        ducts = (SURVEYED_PA - SURVEYED_FILTER_PA) * (airflow / SURVEYED_M3H) ** 2
        return ducts + drop_pa * (airflow / SURVEYED_M3H) ** EXPONENT - static

    return 2000.0 - 2.0 * (brentq(excess, 50.0, 450.0) - 50.0)


def advice(drop: Known | NotKnown, reference: float | None = SURVEYED_M3H) -> FilterAdvice:
    return FilterAdvice(
        drop_at_reference_pa=drop,
        reference_airflow_m3h=reference,
        drop_limit_pa=None,
        deposited_g=NotKnown(reason="not of interest"),
        change_on=None,
        change_between=None,
        reason="",
    )


def drop_of(pascals: float) -> Known:
    return Known(value=pascals, low=pascals - 2.0, high=pascals + 2.0, unit="Pa")


@pytest.fixture(scope="module")
def quiet(house: Callable[..., House], still: Callable[..., dict[str, Series]]) -> GriddedHouse:
    return gridded(house(), still(48.0))


@pytest.mark.parametrize("drop", [20.0, 50.0, 90.0, 160.0])
def test_clean_air_known_by_survey_goes_with_the_airflow_at_the_present_drop(
    drop: float, house: Callable[..., House], quiet: GriddedHouse
) -> None:
    load = filter_load(surveyed(house), quiet, advice(drop_of(drop)), delivery_identified=False)
    assert load.airflow_share == pytest.approx(airflow_at(drop) / SURVEYED_M3H, rel=2e-3)
    # The table's power is straight over static, and 400 W at the survey's 150 Pa; airflow tells the static now.
    static = 50.0 + (2000.0 - airflow_at(drop)) / 2.0
    assert load.power_share == pytest.approx((420.0 - 0.2 * (static - 50.0)) / 400.0, rel=5e-3)
    assert bool(load.told) is (drop != SURVEYED_FILTER_PA)


def test_clean_air_found_over_weeks_goes_with_the_change_since(
    house: Callable[..., House], still: Callable[..., dict[str, Series]], series: Callable[..., Series]
) -> None:
    hours = np.arange(0.0, 240.0, 0.1)
    # A new filter at hour 180: three quarters of the time at 140 Pa, the rest at 50 Pa, a mean of 117.5 Pa.
    drop = np.where(hours < 180.0, 140.0, 50.0) + 0.2 * np.sign(np.sin(40.0 * hours))
    readings = still(240.0) | {
        "fan.running": series(np.arange(241.0), 1.0),
        "filter.pressure_drop": series(hours, drop),
    }
    grid = gridded(house(), readings)
    load = filter_load(surveyed(house), grid, advice(drop_of(50.0)), delivery_identified=True)
    assert load.airflow_share == pytest.approx(airflow_at(50.0) / airflow_at(117.5), rel=3e-3)
    assert "more air than in these weeks" in load.told


def test_a_filter_that_doubles_in_a_month_takes_less_than_half_a_percent_of_the_airflow_in_two_days(
    house: Callable[..., House], quiet: GriddedHouse
) -> None:
    # Why the plan takes the present drop for its two days: growth by equal shares, 2^(2/30) in two days of running.
    def share(drop: float) -> float:
        return filter_load(surveyed(house), quiet, advice(drop_of(drop)), delivery_identified=False).airflow_share

    for drop in (50.0, 90.0):
        later = drop * 2.0 ** (2.0 / 30.0)
        assert 0.0 < 1.0 - airflow_at(later) / airflow_at(drop) < 0.005
        assert 0.0 < 1.0 - share(later) / share(drop) < 0.005


@pytest.mark.parametrize(
    ("handler", "drop", "reference"),
    [
        ({}, NotKnown(reason="no sensor"), SURVEYED_M3H),
        ({}, drop_of(90.0), None),
        ({"blower_table": (), "airflow": None}, drop_of(90.0), SURVEYED_M3H),
        ({"external_static": "90 Pa", "coil": {"face_area": "0.3 m2"}}, drop_of(90.0), SURVEYED_M3H),
        ({}, drop_of(2000.0), SURVEYED_M3H),
    ],
    ids=[
        "no pressure",
        "no airflow",
        "no blower known",
        "survey leaves nothing for the ducts",
        "off the blower's curve",
    ],
)
def test_where_the_operating_point_is_not_known_the_clean_air_stays_as_it_was_found(
    handler: dict[str, Any], drop: Known | NotKnown, reference: float | None, house: Callable[..., House], quiet: Any
) -> None:
    assert filter_load(surveyed(house, **handler), quiet, advice(drop, reference), delivery_identified=False).told == ""


def test_a_loaded_filter_makes_the_plan_run_longer_on_other_power_and_says_so(
    house: Callable[..., House], lived_in: Callable[..., dict[str, Series]]
) -> None:
    grid = gridded(house(), lived_in(2, entry=0.35, loss=0.6, clean_air_per_h=3.0))
    sure = {name: Estimate(value, value, value) for name, value in RATES.items()}
    rates = Rates(**sure, fan_extra_entry_per_h=0.0, basis="made by hand")
    settings = surveyed(house).model_copy(update={"targets": Targets(pm25="7 ug/m3")})
    clean = fan_advice(settings, grid, rates, 0.0)
    loaded = fan_advice(settings, grid, rates, 0.0, load=FilterLoad(0.8, 0.9, "the filter is loaded"))
    assert loaded.forecast_basis == f"{clean.forecast_basis}; the filter is loaded"
    assert clean.holds_target
    assert loaded.holds_target
    assert loaded.run_hours > 1.1 * clean.run_hours
    for way, power_kw in ((clean, 0.4), (loaded, 0.36)):
        assert isinstance(way.energy_kwh, Known)
        assert way.energy_kwh.value == pytest.approx(power_kw * way.run_hours)


def test_an_assessment_plans_with_the_drop_that_is_read(
    house: Callable[..., House], still: Callable[..., dict[str, Series]], series: Callable[..., Series]
) -> None:
    hours = np.arange(0.0, 12.0, 0.1)
    readings = still(12.0) | {
        "fan.running": series(np.arange(13.0), 1.0),
        "filter.pressure_drop": series(hours, 110.0 + 0.1 * (np.arange(hours.size) % 2)),
    }
    assert "less air than at the survey" in assess(surveyed(house), readings).fan.forecast_basis
