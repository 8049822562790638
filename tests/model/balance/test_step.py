"""One step in closed form, against decimal arithmetic of fifty digits, a library and worked examples in print."""

import json
from decimal import Decimal, localcontext
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import exprel

from motemodel.balance import exact_step, steady_state, step_factors

RECORDS = json.loads((Path(__file__).parents[2] / "reference" / "balance.json").read_text(encoding="utf-8"))
X = st.one_of(st.floats(0.0, 1e6), st.floats(0.0, 1e-2), st.floats(-300.0, 5.0).map(lambda power: 10.0**power))


def records(prefix: str) -> list[Any]:
    found = [record for record in RECORDS if record["id"].startswith(prefix)]
    assert found
    return [pytest.param(record, id=record["id"]) for record in found]


def exact_factors(x: float) -> tuple[float, float, float]:
    """The factors by their definitions, with so many digits that nothing cancels."""
    with localcontext() as context:
        context.prec = 700
        exact = Decimal(x)
        decay = (-exact).exp()
        phi1 = (1 - decay) / exact
        return float(decay), float(phi1), float((1 - phi1) / exact)


@pytest.mark.parametrize("power", [*range(-16, 7), -2.99, -3.01, 0.3, 2.5])
def test_factors_of_a_step_against_long_arithmetic(power: float) -> None:
    x = 10.0**power
    decay, phi1, phi2 = (float(factor[0]) for factor in step_factors(np.array([x])))
    exact_decay, exact_phi1, exact_phi2 = exact_factors(x)
    assert decay == pytest.approx(exact_decay, rel=0.0, abs=2e-16)
    assert phi1 == pytest.approx(exact_phi1, rel=1e-15)
    assert phi2 == pytest.approx(exact_phi2, rel=1e-12)


@given(X)
def test_first_factor_is_the_relative_error_exponential_of_a_library(x: float) -> None:
    assert float(step_factors(np.array([x])).phi1[0]) == pytest.approx(float(exprel(-x)), rel=1e-14)


@given(X)
def test_factors_keep_their_order_and_bounds_at_any_step(x: float) -> None:
    # Where nothing is supplied the mean of a step lies between its end and its start.
    decay, phi1, phi2 = (float(factor[0]) for factor in step_factors(np.array([x])))
    assert 0.0 <= decay <= phi1 * (1 + 1e-15) <= 1.0 + 1e-15
    assert 0.0 < phi2 <= 0.5


@pytest.mark.parametrize("record", records("purge"))
def test_minutes_to_purge_a_room(record: dict[str, Any]) -> None:
    minutes, inputs = record["expected"], record["inputs"]
    left = [exact_step(1.0, 0.0, inputs["air_change_per_h"], (minutes + off) / 60.0)[0] for off in (-1, 1)]
    assert left[0] > 1.0 - inputs["removed"] > left[1]  # so the printed minute is right to its rounding


@pytest.mark.parametrize("record", records("buildup"))
def test_build_up_of_a_steady_source(record: dict[str, Any]) -> None:
    inputs = record["inputs"]
    supply_ppm_h = inputs["source_cfm"] / inputs["volume_ft3"] * 1e6 * 60.0
    loss_per_h = inputs["dilution_cfm"] / inputs["volume_ft3"] * 60.0
    if "minutes" in inputs:
        reached, _ = exact_step(0.0, supply_ppm_h, loss_per_h, inputs["minutes"] / 60.0)
        assert float(reached) == pytest.approx(record["expected"], abs=record["tolerance"])
    else:
        times = (record["expected"] + record["tolerance"] * np.array([-1.0, 1.0])) / 60.0
        before, after = exact_step(0.0, supply_ppm_h, loss_per_h, times)[0]
        assert before < inputs["ppm"] < after


@pytest.mark.parametrize("record", records("steady_state"))
def test_infiltration_factor_is_the_steady_state_over_outdoors(record: dict[str, Any]) -> None:
    inputs = record["inputs"]
    supply = inputs["penetration"] * inputs["air_change_per_h"]
    share = steady_state(supply, inputs["air_change_per_h"] + inputs["deposition_per_h"])
    assert float(share) == pytest.approx(record["expected"], rel=record["tolerance"])


@pytest.mark.parametrize("record", records("hr_chk"))
def test_doubling_the_loss_lowers_the_steady_state_by_about_a_quarter(record: dict[str, Any]) -> None:
    change, losses = record["inputs"]["a"], np.array(record["inputs"]["k"])
    before, after = steady_state(change, change + losses)
    assert 1.0 - after / before == pytest.approx(record["expected"], abs=record["tolerance"])


def test_where_nothing_removes_the_steady_state_is_infinite_or_nothing_at_all() -> None:
    assert steady_state([0.0, 1.0], 0.0).tolist() == [0.0, np.inf]


def test_where_nothing_removes_a_step_adds_the_supply_and_its_mean_half_of_it() -> None:
    end, mean = exact_step(3.0, 2.0, 0.0, 5.0)
    assert (float(end), float(mean)) == (13.0, 8.0)


def test_a_long_step_ends_at_the_steady_state() -> None:
    end, mean = exact_step(1e6, 12.0, 4.0, 1e9)
    assert (float(end), float(mean)) == (pytest.approx(3.0, rel=1e-15), pytest.approx(3.0, rel=1e-3))


def test_shapes_broadcast() -> None:
    end, mean = exact_step(np.ones((3, 1)), np.ones(4), 1.0, 0.5)
    assert end.shape == mean.shape == (3, 4)


@pytest.mark.parametrize(("place", "position"), [("start_ug_m3", 0), ("supply_ug_m3_h", 1), ("loss_per_h", 2)])
@pytest.mark.parametrize(
    ("bad", "answer"), [(-1.0, "is below zero"), (np.nan, "is not finite"), (np.inf, "not finite")]
)
def test_bad_numbers_are_refused_by_name(place: str, position: int, bad: float, answer: str) -> None:
    arguments = [1.0, 1.0, 1.0, 1.0]
    arguments[position] = bad
    with pytest.raises(ValueError, match=rf"{place}: .*{answer}.*; give"):
        exact_step(*arguments)
