"""Shell, windows, fans and leaky ducts together: the books of the air itself must close."""

import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motemodel.envelope import (
    DuctLeakage,
    Exposure,
    Leakage,
    Ventilation,
    air_exchange,
    combined_airflow,
    enhanced_infiltration,
)

Published = dict[str, dict[str, Any]]
airflows = st.floats(0.0, 5000.0)
shares = st.floats(0.0, 1.0)


@pytest.mark.parametrize("rule", ["palmiter", "hurel"])
def test_an_unbalanced_fan_adds_what_other_published_rules_say_within_their_spread(
    rule: str, published: Published
) -> None:
    record = published[rule]
    for fan, expected in zip(record["inputs"]["fan"], record["expected"], strict=True):
        assert float(combined_airflow(record["inputs"]["natural"], 0.0, fan)) == pytest.approx(expected, rel=0.15)


@pytest.mark.parametrize("fan", [30.0, 100.0, 200.0, 400.0])
def test_an_exhaust_fan_in_a_cracked_box_of_first_principles_agrees_with_the_combination_rule(
    fan: float, inflow_of_cracked_box: Callable[..., float]
) -> None:
    natural = inflow_of_cracked_box(250.0, 0.65, 5.0, indoor_c=21.0, outdoor_c=-5.0)
    exact = inflow_of_cracked_box(250.0, 0.65, 5.0, indoor_c=21.0, outdoor_c=-5.0, exhaust_m3h=fan)
    assert float(combined_airflow(natural, 0.0, fan)) == pytest.approx(exact, rel=0.12)


@given(natural=airflows, fan=airflows)
def test_balanced_fans_add_fully_and_a_lone_fan_less(natural: float, fan: float) -> None:
    assert float(combined_airflow(natural, fan, fan)) == pytest.approx(natural + fan)
    for lone in (combined_airflow(natural, 0.0, fan), combined_airflow(natural, fan, 0.0)):
        assert max(natural, fan) * (1 - 1e-12) <= float(lone) <= (natural + fan) * (1 + 1e-12)


@given(
    cracks=airflows, windows=airflows, supply=airflows, exhaust=airflows, leak_out=airflows, leak_in=airflows, on=shares
)
def test_what_comes_in_goes_out_and_nothing_is_negative(
    *, cracks: float, windows: float, supply: float, exhaust: float, leak_out: float, leak_in: float, on: float
) -> None:
    exchange = air_exchange(
        cracks,
        windows_m3h=windows,
        ventilation=Ventilation(supply, exhaust),
        ducts=DuctLeakage(leak_out, leak_in),
        fan_on_fraction=on,
    )
    entering = (exchange.infiltration_m3h, exchange.windows_m3h, exchange.intake_m3h, exchange.duct_return_m3h)
    assert all(float(way) >= 0.0 for way in entering)
    out = float(exchange.out_m3h)
    assert out == pytest.approx(sum(float(way) for way in entering))
    # All that fans and supply leaks throw out is part of what leaves.
    assert out >= (exhaust + float(exchange.duct_supply_m3h)) * (1 - 1e-9)
    assert float(exchange.duct_extra_m3h) >= -1e-6
    sealed = air_exchange(cracks, windows_m3h=windows, ventilation=Ventilation(supply, exhaust))
    assert out - float(exchange.duct_extra_m3h) == pytest.approx(float(sealed.out_m3h), abs=1e-6)


@given(cracks=airflows, windows=airflows)
def test_without_fans_the_shell_takes_what_the_weather_drives(cracks: float, windows: float) -> None:
    exchange = air_exchange(cracks, windows_m3h=windows)
    assert float(exchange.infiltration_m3h) == pytest.approx(cracks, abs=1e-9)
    assert float(exchange.windows_m3h) == pytest.approx(windows, abs=1e-9)


def test_a_supply_fan_keeps_cracks_from_breathing_in_and_an_exhaust_fan_makes_them() -> None:
    plain = float(air_exchange(100.0).infiltration_m3h)
    pushed = float(air_exchange(100.0, ventilation=Ventilation(supply_m3h=200.0)).infiltration_m3h)
    pulled = float(air_exchange(100.0, ventilation=Ventilation(exhaust_m3h=200.0)).infiltration_m3h)
    balanced = float(air_exchange(100.0, ventilation=Ventilation(200.0, 200.0)).infiltration_m3h)
    assert pushed < balanced == plain < pulled


def test_leaky_ducts_add_the_air_that_tracer_gas_found_in_39_houses(published: Published) -> None:
    # A house with the average duct leakage of 10 and 12 % on 1,200 cfm, mild weather, average shell, fan running.
    supply, back = (share / 100.0 for share in published["duct_lbnl"]["expected"])
    volume = 450.0
    shell = Leakage.from_air_changes(10.0, volume)
    natural = enhanced_infiltration(shell, Exposure(), 21.0, 5.0, 3.0)
    running = air_exchange(natural, ducts=DuctLeakage.from_fractions(1200 * 1.699, supply, back), fan_on_fraction=1.0)
    mean_ratio, largest_ratio = published["epa_inf_ratio"]["expected"]
    ratio = float(running.out_m3h) / float(natural)
    added = float(running.duct_extra_m3h) / volume
    assert 1.0 < ratio < largest_ratio
    assert abs(ratio - mean_ratio) < 1.0
    # published: mean 0.33 1/h with a standard deviation of 0.37 between houses
    assert added == pytest.approx(published["epa_inf_abs"]["expected"], abs=0.37)


def test_duct_leaks_count_only_while_the_fan_runs() -> None:
    ducts = DuctLeakage(150.0, 100.0)
    resting, half, running = (air_exchange(100.0, ducts=ducts, fan_on_fraction=on) for on in (0.0, 0.5, 1.0))
    assert float(resting.duct_extra_m3h) == 0.0
    assert float(half.out_m3h) == pytest.approx((float(resting.out_m3h) + float(running.out_m3h)) / 2.0)
    assert float(half.duct_return_m3h) == 50.0
    assert float(half.duct_supply_m3h) == 75.0


def test_a_duct_test_at_25_pa_is_scaled_to_the_pressure_in_the_running_duct() -> None:
    # ANSI/ASHRAE Standard 152: exponent 0.6 (from memory).
    ducts = DuctLeakage.from_test(100.0, 80.0, supply_pressure_pa=50.0, return_pressure_pa=25.0)
    assert float(np.asarray(ducts.supply_m3h)) == pytest.approx(100.0 * 2.0**0.6)
    assert float(np.asarray(ducts.return_m3h)) == pytest.approx(80.0)


def test_a_year_of_hours_is_worked_at_once() -> None:
    hours = 8760
    exchange = air_exchange(
        np.full(hours, 90.0),
        windows_m3h=np.where(np.arange(hours) % 24 == 12, 1000.0, 0.0),
        ventilation=Ventilation(exhaust_m3h=85.0),
        ducts=DuctLeakage(100.0, 100.0),
        fan_on_fraction=np.linspace(0.0, 1.0, hours),
    )
    assert exchange.out_m3h.shape == (hours,)
    assert exchange.intake_m3h.shape == (hours,)
    assert np.isfinite(exchange.air_changes_per_h(450.0)).all()


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: air_exchange(-1.0), "infiltration: -1"),
        (lambda: air_exchange(1.0, windows_m3h=float("nan")), "window airflow"),
        (lambda: air_exchange(1.0, fan_on_fraction=1.5), "fan on fraction: 1.5 is outside 0..1"),
        (lambda: Ventilation(supply_m3h=-3.0), "ventilation supply"),
        (lambda: DuctLeakage(return_m3h=float("inf")), "return duct leakage"),
        (lambda: DuctLeakage.from_fractions(1000.0, 10.0, 0.1), "supply leakage fraction: 10.0 is outside 0..1"),
        (lambda: DuctLeakage.from_test(100.0, 100.0, 900.0), "supply duct pressure"),
        (lambda: air_exchange([1.0, 2.0], windows_m3h=[1.0] * 3), "airflows: shapes (2,), (3,)"),
        (lambda: air_exchange(1.0).air_changes_per_h(0.0), "house volume"),
    ],
)
def test_impossible_airflows_are_refused_by_name_and_fix(call: Any, told: str) -> None:
    with pytest.raises(ValueError, match=re.escape(told)):
        call()
