"""Blowers: the published curves, the fan laws, the density of the air, the user's own table."""

import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motemodel.airside import (
    Blower,
    BlowerFamily,
    FamilyCurve,
    HeldAirflowCurve,
    MeasuredSplitCapacitorCurve,
    air_power_efficiency,
)
from motemodel.units import M3H_PER_CFM, PA_PER_INCH_WATER

Published = dict[str, dict[str, Any]]
SPLIT_CAPACITOR, TORQUE, AIRFLOW = BlowerFamily
NAMES = {"PSC": SPLIT_CAPACITOR, "BPM const torque": TORQUE, "BPM const airflow": AIRFLOW}
families = st.sampled_from(list(BlowerFamily))
inches = st.floats(0.0, 1.2)


def ordinary(family: BlowerFamily) -> Blower:
    """A 3 ton unit set to 1,200 cfm at 0.5 in.w.c."""
    return Blower.surveyed(family, 1200.0 * M3H_PER_CFM, 0.5 * PA_PER_INCH_WATER)


def cfm(blower: Blower, static_inwc: float) -> float:
    return float(blower.airflow_m3h(static_inwc * PA_PER_INCH_WATER)) / M3H_PER_CFM


def watts(blower: Blower, static_inwc: float) -> float:
    return float(blower.power_w(static_inwc * PA_PER_INCH_WATER))


def test_the_rated_static_is_half_an_inch_of_water(published: Published) -> None:
    from motemodel.airside import RATED_STATIC_PA

    assert published["tesp_rated"]["expected"] * PA_PER_INCH_WATER == RATED_STATIC_PA


@pytest.mark.parametrize("name", NAMES)
def test_the_average_curve_of_each_family_has_the_published_coefficients(name: str, published: Published) -> None:
    record = published["doe_coef_" + name.replace(" ", "_")]
    linear, square, by_capacity, power_linear, power_square = record["expected"]
    statics = np.linspace(0.0, 1.0, 6)
    pressures = statics * PA_PER_INCH_WATER
    for tons, constant in zip((2.0, 3.0, 4.0, 5.0), by_capacity, strict=True):
        curve = FamilyCurve(NAMES[name], tons)
        airflow = curve.airflow_m3h(pressures) / M3H_PER_CFM
        per_cfm = curve.power_w(pressures) / airflow
        assert np.polyfit(statics, airflow, 2)[:2] == pytest.approx([square, linear], abs=1e-6)
        assert np.polyfit(statics, per_cfm, 2) == pytest.approx([power_square, power_linear, constant], abs=1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_free_delivery_airflow_and_power_of_each_family_are_as_published(name: str, published: Published) -> None:
    blower, suffix = ordinary(NAMES[name]), name.replace(" ", "_")
    free = published[f"doe_free_{suffix}"]
    assert cfm(blower, 0.0) == pytest.approx(free["expected"], abs=free["tolerance"])
    for static in (0.3, 0.7, 0.8):
        record = published[f"doe_q_{suffix}_{static}"]
        assert cfm(blower, static) == pytest.approx(record["expected"], abs=record["tolerance"])
    for static in (0.5, 0.7):
        record = published[f"doe_w_{suffix}_{static}"]
        assert watts(blower, static) == pytest.approx(record["expected"], abs=record["tolerance"])


def test_measured_split_capacitor_blowers_lose_airflow_as_published_and_block_at_an_inch(published: Published) -> None:
    scale, growth = published["psc_exp_form"]["expected"]
    curve = MeasuredSplitCapacitorCurve(rated_airflow_m3h=1179.0 * M3H_PER_CFM)
    for static in (0.3, 0.5, 0.7, 0.8):
        record = published[f"psc_red_{static}"]
        reduction = float(curve.reduction_m3h(static * PA_PER_INCH_WATER)) / M3H_PER_CFM
        assert reduction == pytest.approx(record["expected"], abs=record["tolerance"])
        assert reduction == pytest.approx(scale * (np.exp(growth * static) - 1.0))
    blower = Blower(curve, SPLIT_CAPACITOR)
    assert cfm(blower, 0.5) == pytest.approx(1179.0)
    assert cfm(blower, 1.0) == published["psc_block"]["expected"]


def test_a_blower_that_holds_its_airflow_pays_for_static_in_power_as_published(published: Published) -> None:
    curve = HeldAirflowCurve(2405.0 * M3H_PER_CFM, 0.3665 / M3H_PER_CFM)
    blower = Blower(curve, AIRFLOW)
    record = published["ecm_lib"]
    assert watts(blower, 0.5) == pytest.approx(record["expected"], abs=record["tolerance"])
    slope = (watts(blower, 0.9) - watts(blower, 0.1)) / 0.8 / 2405.0
    assert slope == pytest.approx(published["ecm_slope"]["expected"])
    assert cfm(blower, 0.9) == pytest.approx(2405.0)


def test_families_use_the_power_that_energy_ratings_assume(published: Published) -> None:
    # Energy-rating defaults at 0.5 in.w.c.; independent of the curves under test, so within a fifth.
    split_capacitor, brushless, _ductless = published["sfp_resnet"]["expected"]
    per_cfm = {family: watts(ordinary(family), 0.5) / 1200.0 for family in BlowerFamily}
    assert per_cfm[SPLIT_CAPACITOR] == pytest.approx(split_capacitor, rel=0.2)
    assert per_cfm[TORQUE] == pytest.approx(brushless, rel=0.2)
    assert per_cfm[AIRFLOW] == pytest.approx(brushless, rel=0.2)
    assert per_cfm[AIRFLOW] < per_cfm[TORQUE] < published["sfp_ahri"]["expected"] < per_cfm[SPLIT_CAPACITOR]
    # California allows new gas furnaces 0.45 W/cfm and others 0.58.
    new, old = published["t24_fan_new"]["expected"], published["t24_fan_old"]["expected"]
    assert published["t24_fan_W"]["expected"] == pytest.approx([1000.0 * old, 1000.0 * new])
    assert per_cfm[TORQUE] < new < old
    assert per_cfm[SPLIT_CAPACITOR] < old


def test_the_common_blower_is_as_poor_as_field_tests_found(published: Published) -> None:
    per_watt, least, most, low_w, high_w = published["lbnl_2cfmW"]["expected"]
    blower = ordinary(SPLIT_CAPACITOR)
    power = watts(blower, 0.5)
    assert 1200.0 / power == pytest.approx(per_watt, rel=0.1)
    assert low_w < power < high_w
    efficiency = float(air_power_efficiency(1200.0 * M3H_PER_CFM, 0.5 * PA_PER_INCH_WATER, power))
    assert least < efficiency * 100.0 < most


@pytest.mark.parametrize("record", ["fan_eff_0.5", "fan_eff_0.365", "fan_eff_0.45"])
def test_air_power_efficiency_is_as_published(record: str, published: Published) -> None:
    given_ = published[record]["inputs"]
    efficiency = air_power_efficiency(M3H_PER_CFM, given_["inwc"] * PA_PER_INCH_WATER, given_["W_per_cfm"])
    assert float(efficiency) == pytest.approx(published[record]["expected"], abs=published[record]["tolerance"])


@pytest.mark.parametrize("record", ["fan_cube_1.1", "fan_cube_0.9", "fan_cube_0.8"])
def test_power_goes_with_the_cube_of_speed(record: str, published: Published) -> None:
    ratio = published[record]["inputs"]["k"]
    blower = ordinary(SPLIT_CAPACITOR)
    faster = blower.at_speed(ratio)
    static = 0.5 * PA_PER_INCH_WATER
    change = float(faster.power_w(static * ratio**2)) / float(blower.power_w(static))
    assert change == pytest.approx(published[record]["expected"], abs=published[record]["tolerance"])


def test_pressure_goes_with_the_square_of_speed(published: Published) -> None:
    record = published["fan_sq_1.1"]
    faster = ordinary(SPLIT_CAPACITOR).at_speed(record["inputs"]["k"])
    same_point = 0.5 * record["expected"]
    assert cfm(faster, same_point) == pytest.approx(1200.0 * record["inputs"]["k"], rel=1e-6)


def test_thin_air_leaves_volume_alone_and_takes_pressure_and_power(published: Published) -> None:
    record = published["fan_dens"]
    volume, pressure, power = record["expected"]
    blower = ordinary(SPLIT_CAPACITOR)
    thin = blower.at_density(record["inputs"]["rho ratio"])
    assert cfm(thin, 0.5 * pressure) == pytest.approx(volume * cfm(blower, 0.5))
    assert watts(thin, 0.5 * pressure) == pytest.approx(power * watts(blower, 0.5))


@given(family=families, static=st.floats(0.0, 1.0), ratio=st.floats(0.5, 1.4))
def test_the_fan_laws_carry_every_point_of_a_curve(family: BlowerFamily, static: float, ratio: float) -> None:
    blower = ordinary(family)
    other = blower.at_speed(ratio)
    assert cfm(other, static * ratio**2) == pytest.approx(ratio * cfm(blower, static))
    assert watts(other, static * ratio**2) == pytest.approx(ratio**3 * watts(blower, static))
    assert cfm(other.at_speed(1.0 / ratio), static) == pytest.approx(cfm(blower, static))


@given(ratio=st.floats(0.5, 1.5), static=st.floats(0.0, 1.0))
def test_constant_torque_holds_density_times_speed_squared(ratio: float, static: float) -> None:
    # Torque = density speed^2 f(airflow/speed): with the same torque, speed goes with density^-0.5 and the pressure at
    # the same airflow over speed does not change; by hand from the fan laws for density and for speed together.
    blower = ordinary(TORQUE)
    speed = ratio**-0.5
    by_laws = blower._scaled(airflow=1.0, pressure=ratio, power=ratio).at_speed(speed)
    thin = blower.at_density(ratio)
    assert cfm(thin, static) == pytest.approx(cfm(by_laws, static))
    assert watts(thin, static) == pytest.approx(watts(by_laws, static))


@given(family=families, airflow=st.floats(300.0, 5000.0), static=st.floats(0.0, 1.0), power=st.floats(50.0, 2000.0))
def test_a_surveyed_blower_passes_through_its_survey(
    family: BlowerFamily, airflow: float, static: float, power: float
) -> None:
    blower = Blower.surveyed(family, airflow, static * PA_PER_INCH_WATER, fan_power_w=power)
    assert float(blower.airflow_m3h(static * PA_PER_INCH_WATER)) == pytest.approx(airflow)
    assert watts(blower, static) == pytest.approx(power)


@given(family=families, pair=st.tuples(inches, inches))
def test_more_static_never_moves_more_air_beyond_the_hump_of_the_published_curve(
    family: BlowerFamily, pair: tuple[float, float]
) -> None:
    less, more = (cfm(ordinary(family), static) for static in sorted(pair))
    hump = {SPLIT_CAPACITOR: 1.1, TORQUE: 0.0, AIRFLOW: 24.0}[family]
    assert more <= less + hump


def test_the_families_differ_as_the_trade_knows_them() -> None:
    # Common practice, no source: under rising static a split-capacitor blower loses air and power, a constant-torque
    # one loses less air, a constant-airflow one hardly any but draws more power.
    losses = {family: cfm(ordinary(family), 0.5) - cfm(ordinary(family), 1.0) for family in BlowerFamily}
    assert losses[AIRFLOW] < 40.0
    assert losses[AIRFLOW] < losses[TORQUE] < losses[SPLIT_CAPACITOR]
    assert watts(ordinary(SPLIT_CAPACITOR), 0.8) < watts(ordinary(SPLIT_CAPACITOR), 0.5)
    assert watts(ordinary(AIRFLOW), 0.8) > watts(ordinary(AIRFLOW), 0.5)


TABLE = (
    [25.0, 50.0, 100.0, 150.0, 200.0],
    [2300.0, 2250.0, 2080.0, 1800.0, 1350.0],
    [400.0, 395.0, 380.0, 350.0, 310.0],
)


@given(static=st.floats(25.0, 200.0))
def test_a_table_is_met_at_its_rows_and_monotone_between(static: float) -> None:
    blower = Blower.from_table(*TABLE)
    assert blower.airflow_m3h(TABLE[0]) == pytest.approx(TABLE[1])
    assert blower.power_w(TABLE[0]) == pytest.approx(TABLE[2])
    row = int(np.searchsorted(TABLE[0], static, "right"))
    high, low = TABLE[1][max(row - 1, 0)], TABLE[1][min(row, 4)]
    assert low <= float(blower.airflow_m3h(static)) <= high


def test_a_table_is_continued_without_a_step_for_a_tenth_of_an_inch_and_no_further() -> None:
    blower = Blower.from_table(*TABLE)
    inside, outside = blower.airflow_m3h([200.0 - 1e-6, 200.0 + 1e-6])
    assert inside == pytest.approx(outside, abs=1e-3)
    low, high = blower.static_range_pa
    assert (low, high) == pytest.approx((25.0 - 24.9089, 224.9089), abs=1e-3)
    assert float(blower.airflow_m3h(high)) < 1350.0
    with pytest.raises(ValueError, match="external static: 226 is out of range"):
        blower.airflow_m3h(226.0)


def test_a_table_without_watts_moves_air_but_tells_no_power() -> None:
    blower = Blower.from_table(TABLE[0], TABLE[1])
    assert float(blower.airflow_m3h(100.0)) == pytest.approx(2080.0)
    with pytest.raises(ValueError, match="add the watts"):
        blower.power_w(100.0)


def test_a_steep_table_never_goes_below_no_air() -> None:
    blower = Blower.from_table([100.0, 110.0], [500.0, 20.0])
    assert float(blower.airflow_m3h(134.0)) == 0.0


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: Blower.surveyed(SPLIT_CAPACITOR, 0.0), "surveyed airflow: 0 is out of range"),
        (lambda: Blower.surveyed(SPLIT_CAPACITOR, float("nan")), "surveyed airflow"),
        (lambda: Blower.surveyed(SPLIT_CAPACITOR, 2000.0, 400.0), "surveyed external static: 400"),
        (lambda: Blower.surveyed(SPLIT_CAPACITOR, 2000.0, fan_power_w=-1.0), "fan power"),
        (lambda: Blower.surveyed(SPLIT_CAPACITOR, 2000.0, capacity_tons=40.0), "cooling capacity"),
        (lambda: Blower.from_table([100.0], [1.0]), "give two or more pressures, lowest first"),
        (lambda: Blower.from_table([], []), "give two or more pressures, lowest first"),
        (lambda: Blower.from_table([100.0, 50.0], [2.0, 1.0]), "does not rise"),
        (lambda: Blower.from_table([50.0, 50.0], [2.0, 1.0]), "does not rise"),
        (lambda: Blower.from_table([50.0, 100.0], [2.0]), "one airflow per pressure"),
        (lambda: Blower.from_table([50.0, 100.0], [2.0, 1.0], [5.0]), "one power per pressure or none"),
        (lambda: Blower.from_table([50.0, 100.0], [1000.0, 2000.0]), "check the order of the columns"),
        (lambda: Blower.from_table([50.0, float("inf")], [2.0, 1.0]), "blower table static"),
        (lambda: ordinary(TORQUE).at_speed(0.0), "speed ratio"),
        (lambda: ordinary(TORQUE).at_density(9.0), "density ratio"),
        (lambda: ordinary(TORQUE).airflow_m3h(-5.0), "external static: -5 is out of range; give"),
        (lambda: HeldAirflowCurve(1000.0, 99.0), "power per airflow"),
        (lambda: MeasuredSplitCapacitorCurve(rated_airflow_m3h=1.0), "rated airflow"),
    ],
)
def test_an_impossible_blower_is_refused_by_name_and_fix(call: Any, told: str) -> None:
    with pytest.raises(ValueError, match=re.escape(told)):
        call()
