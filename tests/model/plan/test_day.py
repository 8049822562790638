"""A day of unchanging weather: the steady state to which the balance of a life settles."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motemodel.airside import AirHandler, Blower, BlowerFamily, DuctCurve
from motemodel.envelope import Leakage, Ventilation, enhanced_infiltration
from motemodel.filters import Filter, as_installed_curve, curve_from_merv
from motemodel.particles import DEFAULT_GRID, OUTDOOR_URBAN, bin_means
from motemodel.plan import PM25_BINS, Household, Outdoors, Runtime, simulate_life, steady_air

SHELL = Leakage.from_air_changes(7.0, 450.0)
AIR = OUTDOOR_URBAN.bin_fractions(DEFAULT_GRID) * 20.0
HOUSE = Household(450.0, SHELL)


def test_with_the_fan_off_the_share_of_outdoor_air_is_the_infiltration_factor() -> None:
    """F_inf = P a / (a + k), size by size: the textbook steady state (Chen and Zhao 2011, Atmos. Environ. 45, eq. 4,
    from memory)."""
    house = Household(450.0, SHELL, penetration=(0.8,) * 5, deposition_per_h=(0.1, 0.2, 0.3, 0.4, 2.0))
    a, k = 135.0 / 450.0, np.array(house.deposition_per_h)
    assert steady_air(house, AIR, 135.0) == pytest.approx(AIR * 0.8 * a / (a + k))


def test_a_room_cleaner_lowers_the_air_by_the_ratio_of_the_losses() -> None:
    """Clean air adds to the losses: C / C_0 = (a + k) / (a + k + CADR / V), the basis of ANSI/AHAM AC-1 (from
    memory)."""
    a, k = 135.0 / 450.0, np.array(HOUSE.deposition_per_h)
    filtered = steady_air(HOUSE, AIR, 135.0, airflow_m3h=1800.0, fan_on_fraction=0.5, efficiency=0.6)
    cleaned = 0.5 * 1800.0 * 0.6 / 450.0
    assert filtered / steady_air(HOUSE, AIR, 135.0) == pytest.approx((a + k) / (a + k + cleaned))


def test_it_is_what_the_hours_of_a_life_settle_to() -> None:
    """The life steps its balance hour by hour from other concentrations; in unchanging air both must agree."""
    house = Household(
        450.0,
        SHELL,
        ventilation=Ventilation(supply_m3h=60.0, exhaust_m3h=100.0),
        intake_efficiency=0.4,
        supply_leak=0.06,
        return_leak=0.08,
        source_ug_h=3000.0,
        dust_ug_m3=0.0,
    )
    blower = Blower.surveyed(BlowerFamily.CONSTANT_TORQUE, 1800.0)
    handler = AirHandler(blower, DuctCurve(1800.0, 80.0))
    filter_ = Filter.surveyed(curve_from_merv(12), 0.4, [(1800.0, 45.0)], media_area_m2=50.0)
    day = np.ones(24)
    outdoors = Outdoors(5.0 * day, 3.0 * day, 20.0 * day)
    on = 0.4
    runtime = Runtime(cooling_per_k=0.0, heating_per_k=0.0, least=on)
    life = simulate_life(house, handler, filter_, outdoors, runtime, days=14, period_days=7)
    airflow = float(life.airflow_m3h[1])
    infiltration = float(enhanced_infiltration(SHELL, house.exposure, house.indoor_c, 5.0, 3.0))
    through = bin_means(as_installed_curve(filter_, airflow), OUTDOOR_URBAN, DEFAULT_GRID)
    air = steady_air(
        house,
        outdoors.by_size()[:, 0],
        infiltration,
        airflow_m3h=airflow,
        fan_on_fraction=on,
        efficiency=through,
    )
    # The life samples each bin at four sizes, this mean is a quadrature: hence the 0.1 %.
    assert air[:PM25_BINS].sum() == pytest.approx(life.indoor_pm25_ug_m3[1], rel=1e-3)


@given(
    infiltration=st.floats(0.0, 5000.0),
    airflow=st.floats(0.0, 1e4),
    on=st.floats(0.0, 1.0),
    efficiency=st.floats(0.0, 1.0),
    leak=st.floats(0.0, 0.4),
)
def test_filtering_never_makes_the_air_worse_where_ducts_are_sealed_and_never_worse_than_outdoors(
    infiltration: float, airflow: float, on: float, efficiency: float, leak: float
) -> None:
    house = Household(450.0, SHELL, supply_leak=leak, return_leak=leak)
    air = steady_air(house, AIR, infiltration, airflow_m3h=airflow, fan_on_fraction=on, efficiency=efficiency)
    assert (air >= 0.0).all()
    assert (air <= AIR * (1.0 + 1e-9)).all()
    sealed = steady_air(HOUSE, AIR, infiltration, airflow_m3h=airflow, fan_on_fraction=on, efficiency=efficiency)
    assert (sealed <= steady_air(HOUSE, AIR, infiltration) * (1.0 + 1e-9)).all()


@pytest.mark.parametrize(
    ("changed", "word"),
    [
        ({"fan_on_fraction": 1.1}, "fan on fraction"),
        ({"efficiency": -0.1}, "efficiency"),
        ({"airflow_m3h": float("nan")}, "airflow"),
        ({"airflow_m3h": 1e9}, "airflow"),
    ],
)
def test_a_number_out_of_bounds_is_named(changed: dict[str, float], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        steady_air(HOUSE, AIR, 100.0, **changed)
