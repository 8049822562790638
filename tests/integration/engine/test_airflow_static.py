"""The airflow by the static pressure: duct and fittings drop by the square of it (ASHRAE Handbook Fundamentals 2017,
chapter 21), so what the total external static has beyond the filter's drop tells how much air is left.

The systems here are made of that law and of a blower that gives way along a straight line, by code of their own.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from moteledger.engine.airflow_fall import AirflowFall
from moteledger.engine.airflow_static import airflow_by_static
from moteledger.engine.filter_past import FilterPast
from moteledger.settings import House

Houses = Callable[..., House]
DAYS, PER_DAY, DAY_US = 120, 12, 24 * 3_600_000_000
FIRST_US = 20_000 * DAY_US
CLEAN_PA, STATIC_PA = 50.0, 140.0
FILTER_EXPONENT = 1.0 / 0.85
"""Mean of clean filters, Li et al. (2022), Sep. Purif. Technol. 284, 120209."""


@pytest.fixture
def surveyed(house: Houses) -> House:
    return house(
        filter={
            "merv": 11,
            "face_area": "0.3 m2",
            "rated_drop": [{"airflow": "1800 m3/h", "drop": f"{CLEAN_PA} Pa"}],
        },
        air_handler={"airflow": "1800 m3/h", "external_static": f"{STATIC_PA} Pa"},
    )


def past_of(share: np.ndarray, factor: np.ndarray, duct: float | np.ndarray = 1.0, **changed: Any) -> FilterPast:
    """A past of `DAYS`: the filter `factor` times its clean resistance, the duct `duct` times its own, 1 % of noise."""
    rng = np.random.default_rng(7)
    drop = CLEAN_PA * factor * share**FILTER_EXPONENT
    static = drop + (STATIC_PA - CLEAN_PA) * duct * share**2

    def read(values: np.ndarray) -> np.ndarray:
        return np.repeat(values, PER_DAY) + rng.normal(0.0, 1.0, DAYS * PER_DAY)

    nothing = np.full(DAYS * PER_DAY, np.nan)
    columns = {
        "time_us": FIRST_US + (np.arange(DAYS * PER_DAY) * DAY_US) // PER_DAY,
        "drop_pa": read(drop),
        "run_share": np.ones(DAYS * PER_DAY),
        "static_pa": 1.03 * read(static),
        "outdoor_c": nothing,
        "indoor_ug_m3": nothing,
        "airflow_share": nothing,
        "airflow_measured": False,
    }
    return FilterPast(**columns | changed)


GROWN = np.linspace(1.0, 1.9, DAYS)
LEFT = np.linspace(1.0, 0.9, DAYS)


def by_days(told: FilterPast) -> np.ndarray:
    return np.median(told.airflow_share.reshape(DAYS, PER_DAY), axis=1)


def test_the_airflow_that_is_left_is_told_and_the_drop_is_that_at_the_reference(surveyed: House) -> None:
    told = airflow_by_static(surveyed, past_of(LEFT, GROWN), FIRST_US)
    assert told.airflow_measured
    assert np.abs(by_days(told) / LEFT - 1.0).max() < 0.025
    last = told.drop_pa[-5 * PER_DAY :]
    assert float(np.median(last)) == pytest.approx(CLEAN_PA * GROWN[-3], rel=0.02)


def test_a_moved_damper_takes_the_airflow_that_the_filters_drop_says_and_no_more(surveyed: House) -> None:
    closed = np.arange(DAYS) >= 70
    share, duct = np.where(closed, 0.93, 1.0) * LEFT, np.where(closed, 1.5, 1.0)
    found = by_days(airflow_by_static(surveyed, past_of(share, GROWN, duct), FIRST_US))
    assert np.abs(found / share - 1.0).max() < 0.03


def test_the_static_of_the_ducts_alone_is_known_by_its_falling_as_the_filter_loads(surveyed: House) -> None:
    past = past_of(LEFT, GROWN, static_pa=60.0 * np.repeat(LEFT**2, PER_DAY))
    assert np.abs(by_days(airflow_by_static(surveyed, past, FIRST_US)) / LEFT - 1.0).max() < 0.02


@pytest.mark.parametrize(
    "changed",
    [
        {"static_pa": np.full(DAYS * PER_DAY, np.nan)},
        {"static_pa": np.full(DAYS * PER_DAY, 3.0)},
        {"static_pa": np.repeat(np.linspace(140.0, 900.0, DAYS), PER_DAY)},
        {"drop_pa": np.full(DAYS * PER_DAY, np.nan)},
        {"airflow_measured": True},
    ],
    ids=["unknown", "hose off", "rises beyond all filters", "no drop", "measured anyway"],
)
def test_a_pressure_that_tells_nothing_leaves_the_past_as_it_was(surveyed: House, changed: dict[str, Any]) -> None:
    past = past_of(LEFT, GROWN, **changed)
    assert airflow_by_static(surveyed, past, FIRST_US) is past


def test_a_few_days_or_an_unsurveyed_filter_tell_nothing(surveyed: House, house: Houses) -> None:
    past = past_of(LEFT, GROWN)
    assert airflow_by_static(surveyed, past, FIRST_US + (DAYS - 3) * DAY_US) is past
    assert airflow_by_static(house(filter={"merv": 11}), past, FIRST_US) is past


@pytest.mark.parametrize("times", [0.0, 0.5, 1.0, 2.0])
def test_the_fall_by_a_blowers_family_is_taken_out_as_exactly_as_it_was_put_in(surveyed: House, times: float) -> None:
    fall = AirflowFall(surveyed, 1800.0)
    full = np.linspace(CLEAN_PA, 2.5 * CLEAN_PA, 40)
    read = full * fall.airflow_share(full, times) ** FILTER_EXPONENT
    assert fall.full(read, times) == pytest.approx(full, rel=1e-4)
    assert np.isnan(fall.full(np.array([np.nan]), times)).all()
