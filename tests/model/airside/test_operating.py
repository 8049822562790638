"""Where blower and system meet, and what it costs to run."""

import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motemodel.airside import (
    AirHandler,
    Blower,
    BlowerFamily,
    Breach,
    DuctCurve,
    Limits,
    NoOperatingPointError,
    OperatingPoint,
    breaches,
    fan_energy_kwh,
    series,
)
from motemodel.filters import face_velocity_m_s
from motemodel.units import M3H_PER_CFM, PA_PER_INCH_WATER, W_PER_TON

Published = dict[str, dict[str, Any]]
NAMES = {
    "PSC": BlowerFamily.PERMANENT_SPLIT_CAPACITOR,
    "BPM const torque": BlowerFamily.CONSTANT_TORQUE,
    "BPM const airflow": BlowerFamily.CONSTANT_AIRFLOW,
}
families = st.sampled_from(list(BlowerFamily))


def ordinary(family: BlowerFamily) -> Blower:
    return Blower.surveyed(family, 1200.0 * M3H_PER_CFM, 0.5 * PA_PER_INCH_WATER)


def at_1200_cfm(drop_inwc: float, exponent: float = 2.0) -> DuctCurve:
    return DuctCurve(1200.0 * M3H_PER_CFM, drop_inwc * PA_PER_INCH_WATER, exponent)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("added", ["0.1", "0.2"])
def test_a_costlier_filter_moves_the_operating_point_as_published(name: str, added: str, published: Published) -> None:
    record = published[f"doe_op_{name.replace(' ', '_')}_{added}"]
    airflow, loss_percent, static, power = record["expected"]
    handler = AirHandler(ordinary(NAMES[name]), at_1200_cfm(0.5))
    point = handler.operating_point(at_1200_cfm(float(added)))
    found = point.airflow_m3h / M3H_PER_CFM
    assert found == pytest.approx(airflow, abs=0.5)
    assert 100.0 * (1.0 - found / 1200.0) == pytest.approx(loss_percent, abs=0.05)
    assert point.external_static_pa / PA_PER_INCH_WATER == pytest.approx(static, abs=0.001)
    assert point.fan_power_w == pytest.approx(power, abs=0.5)


@given(family=families, filter_inwc=st.floats(0.0, 0.6), duct_inwc=st.floats(0.05, 0.5), exponent=st.floats(1.0, 2.0))
def test_at_the_operating_point_blower_and_system_agree(
    family: BlowerFamily, filter_inwc: float, duct_inwc: float, exponent: float
) -> None:
    handler = AirHandler(ordinary(family), at_1200_cfm(duct_inwc))
    point = handler.operating_point(at_1200_cfm(filter_inwc, exponent))
    assert float(handler.blower.airflow_m3h(point.external_static_pa)) == pytest.approx(point.airflow_m3h)
    assert point.filter_drop_pa + point.duct_drop_pa == pytest.approx(point.external_static_pa, abs=1e-6)


@given(family=families, drops=st.tuples(st.floats(0.0, 0.6), st.floats(0.0, 0.6)))
def test_more_resistance_never_moves_more_air(family: BlowerFamily, drops: tuple[float, float]) -> None:
    handler = AirHandler(ordinary(family), at_1200_cfm(0.25))
    less, more = (handler.operating_point(at_1200_cfm(drop)).airflow_m3h for drop in sorted(drops))
    # The published constant-airflow curve itself rises by 2 % up to 0.48 in.w.c.
    allowed = 0.01 if family is BlowerFamily.CONSTANT_AIRFLOW else 0.0
    assert more <= less * (1.0 + allowed) + 1e-9


def test_the_survey_gives_back_its_own_point_and_gives_the_duct_the_rest() -> None:
    blower = Blower.surveyed(BlowerFamily.PERMANENT_SPLIT_CAPACITOR, 2000.0, 160.0, fan_power_w=520.0)
    in_place = DuctCurve(1700.0, 40.0, exponent=1.4)
    handler = AirHandler.surveyed(blower, 2000.0, 160.0, in_place)
    point = handler.operating_point(in_place)
    assert point.airflow_m3h == pytest.approx(2000.0)
    assert point.external_static_pa == pytest.approx(160.0)
    assert point.fan_power_w == pytest.approx(520.0)
    assert point.duct_drop_pa == pytest.approx(160.0 - 40.0 * (2000.0 / 1700.0) ** 1.4)


@given(family=families, low=st.floats(0.0, 0.2), high=st.floats(0.2, 0.7))
def test_all_stages_of_loading_at_once_are_the_stages_one_by_one(family: BlowerFamily, low: float, high: float) -> None:
    handler = AirHandler(ordinary(family), at_1200_cfm(0.4))
    drops = np.linspace(low, high, 4)
    together = handler.operating_points(lambda airflow: drops * at_1200_cfm(1.0)(airflow), (4,))
    for stage, drop in enumerate(drops):
        alone = handler.operating_point(at_1200_cfm(float(drop)))
        assert together.airflow_m3h[stage] == pytest.approx(alone.airflow_m3h, rel=1e-9)
        assert together.fan_power_w[stage] == pytest.approx(alone.fan_power_w, rel=1e-9)
        assert together.filter_drop_pa[stage] == pytest.approx(alone.filter_drop_pa, abs=1e-6)


def test_a_system_it_cannot_breathe_through_is_said_so_with_the_figure() -> None:
    handler = AirHandler(ordinary(BlowerFamily.CONSTANT_AIRFLOW), at_1200_cfm(0.8))
    with pytest.raises(NoOperatingPointError, match=r"at 299 Pa, the end of the blower's curve, .* would drop \d+ Pa"):
        handler.operating_point(at_1200_cfm(0.9))
    stages = handler.operating_points(lambda airflow: np.array([0.1, 0.9]) * at_1200_cfm(1.0)(airflow), (2,))
    assert np.isfinite(stages.airflow_m3h).tolist() == [True, False]
    assert np.isnan(stages.fan_power_w[1])


def test_a_table_that_starts_too_high_is_said_so() -> None:
    handler = AirHandler(Blower.from_table([100.0, 200.0], [2000.0, 1000.0]), DuctCurve(2000.0, 10.0))
    with pytest.raises(NoOperatingPointError, match="give a table that starts lower"):
        handler.operating_point(DuctCurve(2000.0, 5.0))


def test_a_filter_that_drops_more_than_was_measured_in_all_is_a_contradiction() -> None:
    with pytest.raises(ValueError, match="the filter alone drops 200 Pa at 2000 m3/h"):
        AirHandler.surveyed(ordinary(BlowerFamily.CONSTANT_TORQUE), 2000.0, 100.0, DuctCurve(2000.0, 200.0))


def test_filters_one_behind_the_other_meet_the_blower_as_one() -> None:
    handler = AirHandler(ordinary(BlowerFamily.PERMANENT_SPLIT_CAPACITOR), at_1200_cfm(0.5))
    both = handler.operating_point(series(at_1200_cfm(0.05), at_1200_cfm(0.05)))
    one = handler.operating_point(at_1200_cfm(0.1))
    assert both.airflow_m3h == pytest.approx(one.airflow_m3h)


def test_a_year_of_central_fan_filtration_costs_what_a_measured_house_used(published: Published) -> None:
    # An efficient motor on 1,200 cfm run 20 minutes an hour; measured there: 600 kWh a year.
    record = published["singer_kwh"]
    power = float(ordinary(BlowerFamily.CONSTANT_AIRFLOW).power_w(0.3 * PA_PER_INCH_WATER))
    assert float(fan_energy_kwh(power, 8760.0 / 3.0)) == pytest.approx(record["expected"], rel=0.3)
    assert record["expected"] / 8.76 == pytest.approx(68.0, abs=1.0)


@given(power=st.floats(0.0, 5000.0), hours=st.lists(st.floats(0.0, 8760.0), min_size=1, max_size=5))
def test_energy_adds_over_runtime(power: float, hours: list[float]) -> None:
    assert float(fan_energy_kwh(power, hours).sum()) == pytest.approx(float(fan_energy_kwh(power, sum(hours))))


def point_at(airflow_cfm: float, static_inwc: float) -> OperatingPoint[float]:
    return OperatingPoint(airflow_cfm * M3H_PER_CFM, static_inwc * PA_PER_INCH_WATER, 0.0, 0.0, 0.0)


def test_a_healthy_system_oversteps_nothing() -> None:
    # Common practice, no source: 400 cfm per ton, so five tons move 2,000 cfm; through about 4 ft2 that is 490 fpm.
    face, media, fpm = 4.08 * 0.09290304, 210.0 * 0.09290304, 0.00508
    assert float(face_velocity_m_s(2000.0 * M3H_PER_CFM, face)) / fpm == pytest.approx(490.0, rel=0.01)
    # The same air through 210 ft2 of pleated media goes at about 9.5 fpm.
    assert float(face_velocity_m_s(2000.0 * M3H_PER_CFM, media)) / fpm == pytest.approx(9.5, abs=0.05)
    assert breaches(point_at(2000.0, 0.49), Limits(), cooling_capacity_w=5 * W_PER_TON, face_area_m2=face) == ()


def test_every_overstepped_limit_is_named_with_its_figures(published: Published) -> None:
    new_ducts, altered_ducts = published["t24_350"]["expected"]
    measured = published["tesp_field"]["expected"]
    found = breaches(point_at(900.0, measured), Limits(), cooling_capacity_w=3 * W_PER_TON, face_area_m2=0.1)
    assert all(isinstance(breach, Breach) and breach.consequence for breach in found)
    airflow, static, velocity = found
    assert airflow.value / M3H_PER_CFM == pytest.approx(altered_ducts)
    assert airflow.bound / M3H_PER_CFM == pytest.approx(new_ducts)
    # The average system in the field is beyond its rating.
    assert static.value / PA_PER_INCH_WATER == pytest.approx(measured)
    assert static.bound / PA_PER_INCH_WATER == pytest.approx(published["tesp_rated"]["expected"])
    assert velocity.value == pytest.approx(900.0 * M3H_PER_CFM / 360.0)


def test_the_mean_florida_system_is_short_of_air_and_the_nominal_one_is_not(published: Published) -> None:
    nominal, mean = published["cfm400"]["expected"], published["fsec_mean"]["expected"]
    assert breaches(point_at(3.0 * mean, 0.4), Limits(), cooling_capacity_w=3 * W_PER_TON)
    assert not breaches(point_at(3.0 * nominal, 0.4), Limits(), cooling_capacity_w=3 * W_PER_TON)


@pytest.mark.parametrize(
    "record",
    ["t24_vel_1.5", "t24_vel_2", "t24_vel_2.5", "t24_vel_3", "t24_vel_3.5", "t24_vel_4", "t24_vel_5", "vel_20x20"],
)
def test_face_velocity_is_judged_by_the_published_figure(record: str, published: Published) -> None:
    given_ = published[record]["inputs"]
    airflow = given_["cfm"] if "cfm" in given_ else 350.0 * given_["tons"]
    area = given_["in2"] if "in2" in given_ else given_["in"][0] * given_["in"][1]
    (velocity,) = breaches(point_at(airflow, 0.1), Limits(most_face_velocity_m_s=0.1), face_area_m2=area * 0.0254**2)
    assert velocity.value / 0.00508 == pytest.approx(published[record]["expected"], abs=published[record]["tolerance"])


@pytest.mark.parametrize("record", ["t24_area_1050", "t24_area_1200"])
def test_californias_area_for_a_one_inch_filter_is_just_within_150_feet_a_minute(
    record: str, published: Published
) -> None:
    airflow, area = published[record]["inputs"]["cfm"], published[record]["expected"] * 0.0254**2
    limits = Limits(most_face_velocity_m_s=150.0 * 0.00508)
    assert breaches(point_at(airflow, 0.1), limits, face_area_m2=area * 1.001) == ()
    assert breaches(point_at(airflow, 0.1), limits, face_area_m2=area * 0.999) != ()


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: Limits(most_external_static_pa=0.0), "most external static"),
        (lambda: breaches(point_at(1.0, 1.0), Limits(), cooling_capacity_w=0.0), "cooling capacity"),
        (lambda: breaches(point_at(1.0, 1.0), Limits(), face_area_m2=float("nan")), "filter face"),
        (lambda: fan_energy_kwh(100.0, -1.0), "fan runtime"),
        (lambda: fan_energy_kwh(float("inf"), 1.0), "fan power"),
    ],
)
def test_impossible_figures_are_refused_by_name_and_fix(call: Any, told: str) -> None:
    with pytest.raises(ValueError, match=re.escape(told)):
        call()


@pytest.mark.parametrize("name", ["PSC", "BPM const torque"])
@pytest.mark.parametrize("added", ["0.1", "0.2"])
def test_the_filter_drop_at_a_published_airflow_is_that_of_the_filter_added(
    name: str, added: str, published: Published
) -> None:
    airflow = published[f"doe_op_{name.replace(' ', '_')}_{added}"]["expected"][0]
    handler = AirHandler(ordinary(NAMES[name]), at_1200_cfm(0.5))
    drop = handler.filter_drop_at(airflow * M3H_PER_CFM) / PA_PER_INCH_WATER
    assert drop == pytest.approx(float(added) * (airflow / 1200.0) ** 2, abs=0.003)


def test_what_the_ducts_leave_of_the_static_is_the_filters() -> None:
    # By hand: half way from 2,000 to 1,600 m3/h is half way from 100 to 200 Pa; ducts of 50 Pa at 2,000 m3/h, by the
    # square law, take 50 * 0.9**2 = 40.5 of the 150 Pa.
    table = Blower.from_table([100.0, 200.0], [2000.0, 1600.0])
    handler = AirHandler(table, DuctCurve(2000.0, 50.0))
    assert handler.filter_drop_at(1800.0) == pytest.approx(109.5)
    for airflow, side in ((1500.0, "still"), (2100.0, "all along")):
        with pytest.raises(NoOperatingPointError, match=side):
            handler.filter_drop_at(airflow)
    for nothing in (0.0, -5.0, np.nan, np.inf):
        with pytest.raises(ValueError, match="airflow"):
            handler.filter_drop_at(nothing)
    assert AirHandler(table, DuctCurve(2000.0, 300.0)).filter_drop_at(1800.0) < 0.0, "the ducts alone hold back more"


@given(family=families, share=st.floats(0.5, 1.2), less=st.floats(0.8, 0.999), duct_inwc=st.floats(0.1, 0.5))
def test_the_filter_drop_at_an_airflow_is_where_the_blower_settles_and_more_for_less_air(
    family: BlowerFamily, share: float, less: float, duct_inwc: float
) -> None:
    handler = AirHandler(ordinary(family), at_1200_cfm(duct_inwc))
    airflow = 1200.0 * M3H_PER_CFM * share
    try:
        drop, more = handler.filter_drop_at(airflow), handler.filter_drop_at(less * airflow)
    except NoOperatingPointError:
        return
    assert more > drop
    if drop > 0.0:
        assert handler.operating_point(DuctCurve(airflow, drop)).airflow_m3h == pytest.approx(airflow, rel=1e-6)
