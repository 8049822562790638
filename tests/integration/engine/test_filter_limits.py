"""The limits of a filter beside its own drop: the least air for heating and cooling, the least of the fine particles.

The least airflow of cooling is 350 cfm for each ton: California's Title 24, 150.0(m)13; a ton is 12,000 Btu/h.
"""

import math
from collections.abc import Callable
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moteledger.engine.assessment import FilterAdvice, FilterLimit
from moteledger.engine.filter_advice import filter_advice
from moteledger.engine.filter_limits import drop_at_least_airflow, told_limits
from moteledger.engine.grid import GriddedHouse, gridded
from moteledger.settings import House
from moteledger.store import Series
from motemodel.estimate import Answer, Estimate, Unknown
from motemodel.plan import Reach, first_reached

Houses = Callable[..., House]
Told = Callable[..., Series]
Still = Callable[..., dict[str, Series]]

CFM_M3H = 0.3048**3 * 60.0
EXPONENT = 1.3
LEAST_M3H = 1600.0
NOW = Estimate(40.0, 39.0, 41.0)

# By hand: 2,000 m3/h at rest of the ducts and 2 m3/h less for each Pa; the survey found 1,800 m3/h at 100 Pa, 40 of
# them across the new filter, so 60 Pa are the ducts'.
BLOWER = [{"static": f"{static} Pa", "airflow": f"{2000 - 2 * static} m3/h"} for static in (0, 100, 200, 300, 400)]
HANDLER: dict[str, Any] = {
    "blower": "constant-airflow",
    "blower_table": BLOWER,
    "airflow": "1800 m3/h",
    "airflow_known_by": "measured",
    "external_static": "100 Pa",
    "filter_drop": "40 Pa",
    "cooling_capacity": f"{LEAST_M3H / (350.0 * CFM_M3H)} ton",
}
"""The maker's own table, whose motor makes up for the density of the air."""
FILTER: dict[str, Any] = {
    "merv": 13,
    "face_area": "0.4 m2",
    "media_area": "3 m2",
    "rated_drop": [
        {"airflow": "900 m3/h", "drop": f"{40.0 / 2.0**EXPONENT} Pa"},
        {"airflow": "1800 m3/h", "drop": "40 Pa"},
    ],
    "final_drop": "400 Pa",
}


@pytest.fixture(scope="module")
def still_air(house: Houses, still: Still) -> GriddedHouse:
    return gridded(house(), still(24.0))


@pytest.fixture(scope="module")
def least_drop(house: Houses, still_air: GriddedHouse) -> Callable[..., Answer]:
    def of(grid: GriddedHouse = still_air, put_in: Estimate | None = None, **changed: Any) -> Answer:
        handler = {key: value for key, value in (HANDLER | changed).items() if value is not None}
        return drop_at_least_airflow(house(filter=FILTER, air_handler=handler), grid, NOW, put_in)

    return of


def by_hand(airflow: float) -> float:
    """The drop at 1,800 m3/h of the filter behind which that blower settles at an airflow."""
    left_by_ducts = (2000.0 - airflow) / 2.0 - 60.0 * (airflow / 1800.0) ** 2
    return left_by_ducts * (1800.0 / airflow) ** EXPONENT


def test_the_drop_at_the_least_airflow_is_what_the_ducts_leave_of_the_blowers_static(
    least_drop: Callable[..., Answer],
) -> None:
    # 1,600 m3/h: the blower gives 200 Pa, the ducts take 60 * (8/9)**2 = 47.4, 152.6 are the filter's, which
    # at 1,800 m3/h would drop 152.6 * 1.125**1.3 = 177.8 Pa.
    assert by_hand(LEAST_M3H) == pytest.approx(177.8, abs=0.1)
    told = least_drop()
    assert isinstance(told, Estimate)
    assert told.value == pytest.approx(by_hand(LEAST_M3H), rel=1e-3)
    # An airflow measured to 7 % may be that far on the wrong side.
    assert told.low == pytest.approx(by_hand(LEAST_M3H / 0.93), rel=1e-3)
    assert told.high == pytest.approx(by_hand(LEAST_M3H / 1.07), rel=1e-3)


def test_where_the_airflow_is_read_the_blower_is_made_to_move_what_is_read(
    least_drop: Callable[..., Answer], house: Houses, still: Still, series: Told
) -> None:
    hours = np.arange(0.0, 24.0, 0.1)
    readings = still(24.0) | {"fan.running": series(hours, 1.0), "duct.airflow": series(hours, 1746 + np.sin(hours))}
    told = least_drop(gridded(house(), readings), airflow_known_by=None)
    assert isinstance(told, Estimate)
    assert told.value == pytest.approx(by_hand(LEAST_M3H / 0.97), rel=0.005)
    nonsense = still(24.0) | {"fan.running": series(hours, 1.0), "duct.airflow": series(hours, 500 + np.sin(hours))}
    assert "does not fit" in str(least_drop(gridded(house(), nonsense)))


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"cooling_capacity": None}, "how much air heating and cooling need is not known"),
        ({"airflow_known_by": None, "blower_table": None}, "the airflow was never measured"),
        ({"blower_table": None, "airflow": None, "cooling_capacity": None}, "how much air the system moves"),
        ({"cooling_capacity": "3.02 ton"}, "even a new filter of this kind leaves hardly the air"),
        ({"cooling_capacity": "8 ton"}, "even a new filter of this kind leaves hardly the air"),
        ({"cooling_capacity": "1.2 ton"}, "enough air as far as its curve is known"),
    ],
)
def test_without_what_it_takes_there_is_no_limit_but_a_plain_reason(
    changed: dict[str, Any], told: str, least_drop: Callable[..., Answer]
) -> None:
    found = least_drop(**changed)
    assert isinstance(found, Unknown), found
    assert told in str(found)


def test_a_furnaces_greatest_rise_asks_for_its_own_least_airflow(least_drop: Callable[..., Answer]) -> None:
    # W = 1.2 kg/m3 * 1005 J/(kg K) * m3/s * K: 17.9 kW at a rise of 33 K pass with 1,620 m3/h (ASHRAE Fundamentals).
    told = least_drop(cooling_capacity=None, heating_output="17.9 kW", most_temperature_rise="33 K")
    assert isinstance(told, Estimate)
    assert told.value == pytest.approx(by_hand(1620.0), rel=0.05)


@settings(max_examples=25)
@given(tons=st.floats(0.5, 3.5), more=st.floats(1.0, 1.5))
def test_more_cooling_never_allows_a_higher_drop(still_air: GriddedHouse, tons: float, more: float) -> None:
    house = House.model_validate(
        {
            "name": "Rook House",
            "house": {"floor_area": "150 m2"},
            "filter": FILTER,
            "air_handler": HANDLER | {"cooling_capacity": f"{tons} ton"},
        }
    )
    found = []
    for one in (house, with_capacity(house, more)):
        told = drop_at_least_airflow(one, still_air, NOW, None)
        found.append(told)
        if isinstance(told, Estimate):
            assert 40.0 - 1e-9 <= told.low <= told.value <= told.high < math.inf
    little, much = found
    if isinstance(little, Estimate) and isinstance(much, Estimate):
        assert much.value <= little.value


def with_capacity(house: House, times: float) -> House:
    handler = house.air_handler
    capacity = (handler.cooling_capacity or 0.0) * times
    return house.model_copy(update={"air_handler": handler.model_copy(update={"cooling_capacity": capacity})})


@pytest.fixture
def advise(house: Houses, series: Told, still: Still) -> Callable[..., FilterAdvice]:
    """Advice after `days` in which the fan ran half of each hour, the drop as its sensor would have read it."""

    def of(
        drop: Callable[[np.ndarray], np.ndarray] | None,
        filter_: dict[str, Any],
        handler: dict[str, Any] = HANDLER,
        *,
        days: int = 21,
        indoor: float = 6.0,
    ) -> FilterAdvice:
        hours = np.arange(0.0, 24.0 * days, 0.1)
        runs = (hours % 1.0 < 0.5 - 1e-6).astype(np.float64)
        readings = still(24.0 * days, indoor=indoor) | {"fan.running": series(hours, runs)}
        if drop is not None:
            noise = 0.2 * np.sin(17.0 * hours)
            readings["filter.pressure_drop"] = series(hours + 0.09, runs * (drop(hours) + noise))
        surveyed = house(filter=filter_, air_handler=handler)
        grid = gridded(surveyed, readings)
        return filter_advice(surveyed, grid, grid.moment(grid.grid.end_h))

    return of


def by_reason(told: FilterAdvice) -> dict[str, FilterLimit]:
    return {limit.reason: limit for limit in told.limits}


def test_the_day_on_which_too_little_air_is_left_comes_with_the_drop_that_leaves_it(
    advise: Callable[..., FilterAdvice], start: Any
) -> None:
    # The drop at 1,800 m3/h grows by an eightieth a day from 60 Pa; the sensor reads it at the airflow left.
    def read(hours: np.ndarray) -> np.ndarray:
        airflow = np.linspace(1300.0, 1900.0, 601)
        full = np.array([by_hand(one) for one in airflow])
        at_reference = 60.0 * np.exp(hours / 24.0 / 80.0)
        left = np.interp(-at_reference, -full, airflow)
        return np.asarray(at_reference * (left / 1800.0) ** EXPONENT)

    told = advise(read, FILTER)
    airflow = by_reason(told)["airflow"]
    due = start.date() + timedelta(days=round(80.0 * math.log(by_hand(LEAST_M3H) / 60.0)))
    assert airflow.on is not None
    assert abs((airflow.on - due).days) <= 8
    assert told.change_on == airflow.on
    assert told.reason == "By then the fan moves only just the air that heating and cooling need."
    assert airflow.earliest is not None
    assert airflow.earliest < airflow.on
    pressure = by_reason(told)["pressure"]
    assert pressure.on is not None
    assert pressure.on > airflow.on


def fading(**changed: Any) -> dict[str, Any]:
    installed = date(2026, 3, 2) - timedelta(days=10)
    new = {"charged": True, "least_efficiency": "45 %", "media_area": "10 m2", "installed": installed}
    return FILTER | new | changed


def life_days(told: FilterAdvice) -> float:
    """From the day on which it went in to the one on which it takes too little."""
    limit = by_reason(told)["efficiency"]
    assert limit.on is not None, limit
    assert told.installed_on is not None
    return (limit.on - told.installed_on).days


def test_the_day_of_too_few_fine_particles_goes_with_the_media_and_against_the_air(
    advise: Callable[..., FilterAdvice],
) -> None:
    # Charge fades with the particles' surface on each m2 (Lehtimaki & Heinonen 1994): twice the media last twice
    # as long, and air of half the particles nearly so, as house dust brings little surface.
    once = advise(None, fading(), days=2)
    assert once.reason.startswith("By then it takes no more of the fine particles than it has to.")
    twice = advise(None, fading(media_area="20 m2"), days=2)
    assert life_days(twice) == pytest.approx(2.0 * life_days(once), abs=3)
    assert life_days(advise(None, fading(), days=2, indoor=3.0)) > 1.5 * life_days(once)
    assert life_days(advise(None, fading(least_efficiency="47 %"), days=2)) < life_days(once)
    limit = by_reason(once)["efficiency"]
    assert limit.earliest is not None
    assert limit.latest is not None
    assert limit.on is not None
    assert limit.earliest < limit.on < limit.latest


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"least_efficiency": "95 %"}, "Even a new one takes"),
        ({"installed": None}, "Nobody has recorded when this filter went in"),
        ({"face_area": None}, "For how much it still takes"),
        ({"charged": False}, "It will take enough of the fine particles"),
    ],
)
def test_a_least_efficiency_that_sets_no_date_says_why(
    changed: dict[str, Any], told: str, advise: Callable[..., FilterAdvice]
) -> None:
    filter_ = {key: value for key, value in fading(**changed).items() if value is not None}
    limit = by_reason(advise(None, filter_, days=2))["efficiency"]
    assert limit.on is None
    assert limit.told.startswith(told)


def test_a_house_that_asks_for_no_least_efficiency_has_no_such_limit(advise: Callable[..., FilterAdvice]) -> None:
    assert "efficiency" not in by_reason(advise(None, FILTER | {"charged": True}, days=2))


reaches = st.tuples(*[st.floats(0.0, 5000.0)] * 3).map(sorted)


@given(st.dictionaries(st.sampled_from(["pressure", "airflow", "efficiency", "dust", "age"]), reaches, min_size=1))
def test_the_first_limit_told_is_the_first_that_is_reached(days: dict[Any, list[float]]) -> None:
    today = date(2026, 3, 2)
    limits: dict[Any, Reach | Unknown] = {
        reason: Reach(reason, middle, low, high) for reason, (low, middle, high) in days.items()
    }
    first = first_reached([each for each in limits.values() if isinstance(each, Reach)])
    told = told_limits(limits, today)
    assert told[0].on == today + timedelta(days=round(min(first.days, 3650.0)))
    never = told_limits(limits | {"age": Reach("age", math.inf, 3.0, math.inf)}, today)
    assert {limit.reason: limit.on for limit in never}["age"] is None
