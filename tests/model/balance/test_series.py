"""A whole series of one well-mixed house against general integrators, closed forms and its own laws."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from motemodel.balance import Cleaner, Inputs, exact_step, solve, steady_state

FloatArray = NDArray[np.float64]


def a_house(steps: int = 12, **changed: Any) -> Inputs:
    """Three bins, everything at work and varying with the steps."""
    rng = np.random.default_rng(5)
    house = Inputs(
        volume_m3=350.0,
        step_h=0.25,
        outdoor_ug_m3=rng.uniform(0.0, 80.0, (3, steps)),
        infiltration_m3h=rng.uniform(20.0, 300.0, steps),
        penetration=(0.5, 0.8, 0.95),
        deposition_per_h=(0.2, 0.05, 1.5),
        emission_ug_h=rng.choice([0.0, 4e4], (3, steps)),
        intake_m3h=rng.uniform(0.0, 100.0, steps),
        intake_efficiency=(0.3, 0.6, 0.9),
        cleaners=(
            Cleaner("filter", rng.uniform(1200.0, 1800.0, steps), (0.2, 0.5, 0.8), rng.integers(0, 2, steps)),
            Cleaner("bedroom", 200.0, rng.uniform(0.9, 0.99, (3, steps))),
        ),
    )
    return replace(house, **changed)


def supply_and_loss(inputs: Inputs) -> tuple[FloatArray, FloatArray]:
    """Right-hand side of the balance, straight from its equation: ug/m3 per h and 1/h, (B, T)."""
    supply, loss = np.empty((2, inputs.bins, inputs.steps))
    per_step = {
        name: np.broadcast_to(getattr(inputs, name), inputs.steps)
        for name in ("infiltration_m3h", "intake_m3h", "outflow")
    }
    for i in range(inputs.bins):
        penetration, passing, deposition = (
            float(np.broadcast_to(values, inputs.bins)[i])
            for values in (inputs.penetration, 1.0 - np.asarray(inputs.intake_efficiency), inputs.deposition_per_h)
        )
        entering = penetration * per_step["infiltration_m3h"] + passing * per_step["intake_m3h"]
        emission = inputs.emission_ug_h if np.ndim(inputs.emission_ug_h) == 0 else np.asarray(inputs.emission_ug_h)[i]
        supply[i] = (entering * inputs.outdoor_ug_m3[i] + emission) / inputs.volume_m3
        removed = per_step["outflow"] + deposition * inputs.volume_m3
        for cleaner in inputs.cleaners:
            efficiency = cleaner.efficiency if np.ndim(cleaner.efficiency) == 0 else np.asarray(cleaner.efficiency)[i]
            removed = removed + np.asarray(cleaner.running) * cleaner.airflow_m3h * efficiency
        loss[i] = removed / inputs.volume_m3
    return supply, loss


def integrated(inputs: Inputs, start: float, method: str, rtol: float = 1e-10) -> tuple[FloatArray, FloatArray]:
    """Ends and means by a general integrator, one step of constant inputs after the other."""
    supply, loss = supply_and_loss(inputs)
    step_h = np.broadcast_to(np.asarray(inputs.step_h, dtype=float), inputs.steps)
    end, mean = np.empty((2, inputs.bins, inputs.steps))
    for i in range(inputs.bins):
        level = start
        for n in range(inputs.steps):
            b, k = supply[i, n], loss[i, n]
            answer = solve_ivp(
                lambda _, y, b=b, k=k: [b - k * y[0], y[0]],
                (0.0, step_h[n]),
                [level, 0.0],
                method=method,
                rtol=rtol,
                atol=1e-14,
                **({"jac": np.array([[-k, 0.0], [1.0, 0.0]])} if method in ("Radau", "BDF") else {}),
            )
            assert answer.success
            level = answer.y[0, -1]
            end[i, n], mean[i, n] = level, answer.y[1, -1] / step_h[n]
    return end, mean


@pytest.mark.parametrize("method", ["DOP853", "Radau"])
def test_a_house_with_everything_at_work_agrees_with_general_integrators(method: str) -> None:
    inputs = a_house(6)
    series = solve(inputs, 25.0)
    end, mean = integrated(inputs, 25.0, method)
    np.testing.assert_allclose(series.end, end, rtol=1e-8)
    np.testing.assert_allclose(series.mean, mean, rtol=1e-8)


@pytest.mark.parametrize("step_h", [1.0 / 3600.0, 1.0 / 60.0, 1.0, 24.0], ids=["second", "minute", "hour", "day"])
@pytest.mark.parametrize("loss_per_h", [0.0, 1e-9, 0.3, 1e2, 1e4])
def test_any_loss_and_any_step_agree_with_an_implicit_integrator(loss_per_h: float, step_h: float) -> None:
    """Step inputs: outdoor air that jumps, a source that comes and goes."""
    steps = 3
    inputs = Inputs(
        volume_m3=250.0,
        step_h=step_h,
        outdoor_ug_m3=np.array([[10.0, 500.0, 0.0]]),
        infiltration_m3h=125.0,
        outflow_m3h=loss_per_h * 250.0,
        emission_ug_h=np.array([[0.0, 0.0, 1e5]]),
    )
    series = solve(inputs, 40.0)
    end, mean = integrated(inputs, 40.0, "Radau")
    assert series.end.shape == (1, steps)
    np.testing.assert_allclose(series.end, end, rtol=1e-8)
    np.testing.assert_allclose(series.mean, mean, rtol=1e-8)


def test_loss_that_jumps_by_eight_orders_from_step_to_step_agrees_with_an_implicit_integrator() -> None:
    inputs = Inputs(
        350.0,
        24.0,
        np.array([[30.0, 5.0, 0.0, 80.0]]),
        1e-2,
        cleaners=(Cleaner("purge", 3.5e6, 1.0, np.array([0.0, 1.0, 1e-8, 1.0])),),
    )
    series = solve(inputs, 60.0)
    end, mean = integrated(inputs, 60.0, "Radau")
    np.testing.assert_allclose(series.end, end, rtol=1e-8)
    np.testing.assert_allclose(series.mean, mean, rtol=1e-8)


def test_steps_of_unequal_length_agree_with_a_general_integrator() -> None:
    inputs = a_house(5, step_h=np.array([1e-3, 2.0, 0.1, 12.0, 0.5]))
    series = solve(inputs, 5.0)
    end, mean = integrated(inputs, 5.0, "DOP853")
    np.testing.assert_allclose(series.end, end, rtol=1e-8)
    np.testing.assert_allclose(series.mean, mean, rtol=1e-8)


def test_a_long_series_is_the_chain_of_its_single_steps() -> None:
    """Longer than what is solved at a time, and not a whole number of times."""
    inputs = a_house(20_001)
    supply, loss = supply_and_loss(inputs)
    series = solve(inputs, 25.0)
    starts = np.concatenate((series.start[:, np.newaxis], series.end[:, :-1]), axis=1)
    end, mean = exact_step(starts, supply, loss, inputs.step_h)
    np.testing.assert_allclose(series.end, end, rtol=1e-12)
    np.testing.assert_allclose(series.mean, mean, rtol=1e-12)


def test_the_clean_air_of_a_cleaner_is_volume_times_the_gain_in_decay_rate() -> None:
    """The decay test of ANSI/AHAM AC-1 (from memory): CADR = V (k_e - k_n)."""
    volume, natural_per_h = 28.5, 0.1
    still = Inputs(volume, 1.0 / 60.0, np.zeros((1, 20)), 0.0, deposition_per_h=natural_per_h)
    cleaned = replace(still, cleaners=(Cleaner("under test", 400.0, 0.85),))
    rates = [-np.polyfit(np.arange(1, 21) / 60.0, np.log(solve(case, 1e4).end[0]), 1)[0] for case in (still, cleaned)]
    assert rates[0] == pytest.approx(natural_per_h, rel=1e-9)
    assert volume * (rates[1] - rates[0]) == pytest.approx(340.0, rel=1e-9)


def test_constant_air_ends_at_the_infiltration_factor() -> None:
    """C_in / C_out = P a / (a + k): steady state of Nazaroff & Cass (1989), eq. 1 (from memory)."""
    inputs = Inputs(400.0, 1.0, np.full((2, 200), 30.0), 160.0, penetration=(0.8, 1.0), deposition_per_h=(0.2, 0.6))
    expected = 30.0 * np.array([0.8, 1.0]) * 0.4 / (0.4 + np.array([0.2, 0.6]))
    series = solve(inputs, 0.0)
    np.testing.assert_allclose(series.end[:, -1], expected, rtol=1e-12)
    np.testing.assert_allclose(expected, steady_state(*(rates[:, -1] for rates in supply_and_loss(inputs))), rtol=1e-12)


def test_a_bin_does_not_know_of_the_others() -> None:
    inputs = a_house()
    together = solve(inputs, (1.0, 20.0, 300.0))
    alone = a_house(
        outdoor_ug_m3=inputs.outdoor_ug_m3[1:2],
        penetration=0.8,
        deposition_per_h=0.05,
        emission_ug_h=np.asarray(inputs.emission_ug_h)[1:2],
        intake_efficiency=0.6,
        cleaners=(
            replace(inputs.cleaners[0], efficiency=0.5),
            replace(inputs.cleaners[1], efficiency=np.asarray(inputs.cleaners[1].efficiency)[1:2]),
        ),
    )
    np.testing.assert_allclose(solve(alone, 20.0).end[0], together.end[1], rtol=1e-13)


def test_one_number_is_the_same_as_that_number_in_every_step_and_bin() -> None:
    flat = Inputs(
        200.0, 0.5, np.full((2, 7), 9.0), 80.0, 0.7, 0.3, 500.0, 20.0, 0.4, cleaners=(Cleaner("one", 90.0, 0.6, 0.25),)
    )
    steps, bins = np.ones(7), np.ones(2)
    spread = Inputs(
        200.0,
        0.5 * steps,
        np.full((2, 7), 9.0),
        80.0 * steps,
        0.7 * bins,
        0.3 * bins,
        500.0 * bins,
        20.0 * steps,
        0.4 * bins,
        100.0 * steps,
        (Cleaner("one", 90.0 * steps, np.full((2, 7), 0.6), 0.25 * steps),),
    )
    np.testing.assert_allclose(solve(flat, 3.0).mean, solve(spread, (3.0, 3.0)).mean, rtol=1e-13)


levels = st.lists(st.one_of(st.just(0.0), st.floats(1e-6, 1e6)), min_size=1, max_size=6)


def of_levels(outdoor: list[float], loss_per_h: float, emission_ug_h: float, step_h: float) -> Inputs:
    return Inputs(300.0, step_h, np.array([outdoor]), 90.0, emission_ug_h=emission_ug_h, outflow_m3h=300.0 * loss_per_h)


losses = st.one_of(st.just(0.0), st.floats(1e-9, 1e4))
emissions = st.one_of(st.just(0.0), st.floats(1e-3, 1e8))
lengths = st.floats(1.0 / 3600.0, 24.0)


@given(levels, losses, emissions, lengths, st.floats(0.0, 1e6))
def test_no_level_is_ever_below_zero(
    outdoor: list[float], loss_per_h: float, emission_ug_h: float, step_h: float, start: float
) -> None:
    series = solve(of_levels(outdoor, loss_per_h, emission_ug_h, step_h), start)
    assert (series.end >= 0.0).all()
    assert (series.mean >= 0.0).all()


@given(levels, losses, emissions, lengths, st.floats(0.0, 1e6))
def test_sources_add_up(
    outdoor: list[float], loss_per_h: float, emission_ug_h: float, step_h: float, start: float
) -> None:
    nothing = [0.0] * len(outdoor)
    together = solve(of_levels(outdoor, loss_per_h, emission_ug_h, step_h), start)
    apart = [
        solve(of_levels(outdoor, loss_per_h, 0.0, step_h), 0.0),
        solve(of_levels(nothing, loss_per_h, emission_ug_h, step_h), 0.0),
        solve(of_levels(nothing, loss_per_h, 0.0, step_h), start),
    ]
    scale = together.end.max() + start
    np.testing.assert_allclose(sum(series.end for series in apart), together.end, rtol=1e-11, atol=1e-13 * scale)
    np.testing.assert_allclose(sum(series.mean for series in apart), together.mean, rtol=1e-11, atol=1e-13 * scale)


@given(levels, losses, emissions, lengths, st.floats(0.0, 1e6))
def test_halving_the_steps_changes_nothing(
    outdoor: list[float], loss_per_h: float, emission_ug_h: float, step_h: float, start: float
) -> None:
    whole = solve(of_levels(outdoor, loss_per_h, emission_ug_h, step_h), start)
    halved = solve(of_levels(list(np.repeat(outdoor, 2)), loss_per_h, emission_ug_h, step_h / 2.0), start)
    scale = whole.end.max() + start
    np.testing.assert_allclose(halved.end[:, 1::2], whole.end, rtol=1e-10, atol=1e-13 * scale)
    np.testing.assert_allclose(
        (halved.mean[:, ::2] + halved.mean[:, 1::2]) / 2.0, whole.mean, rtol=1e-10, atol=1e-13 * scale
    )


@given(levels, losses, emissions, lengths, st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_a_better_filter_never_leaves_dirtier_air(
    outdoor: list[float], loss_per_h: float, emission_ug_h: float, step_h: float, one: float, other: float
) -> None:
    house = of_levels(outdoor, loss_per_h, emission_ug_h, step_h)
    worse, better = (
        solve(replace(house, cleaners=(Cleaner("filter", 1800.0, efficiency),)), 50.0)
        for efficiency in sorted((one, other))
    )
    assert (better.end <= worse.end * (1.0 + 1e-11) + 1e-13 * worse.end.max()).all()
    assert (better.mean <= worse.mean * (1.0 + 1e-11)).all()


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"outdoor_ug_m3": np.zeros(12)}, r"outdoor_ug_m3: shape \(12,\); give a row for each size bin"),
        ({"outdoor_ug_m3": np.zeros((3, 0))}, r"outdoor_ug_m3: shape \(3, 0\)"),
        ({"outdoor_ug_m3": np.full((3, 12), np.nan)}, "outdoor_ug_m3: nan.* is not finite"),
        ({"outdoor_ug_m3": np.full((3, 12), -1.0)}, "outdoor_ug_m3: -1.* is below zero; give zero or more"),
        ({"volume_m3": 0.0}, "volume_m3: 0.* is not above zero"),
        ({"volume_m3": (1.0, 2.0)}, r"volume_m3: shape \(2,\); give one number"),
        ({"step_h": 0.0}, "step_h: 0.* is not above zero"),
        ({"step_h": -np.ones(12)}, "step_h: -1.* is not above zero"),
        ({"step_h": np.ones(11)}, r"step_h: shape \(11,\); give one number or an array of shape \(12,\)"),
        ({"infiltration_m3h": -5.0}, "infiltration_m3h: -5.* is below zero"),
        ({"intake_m3h": np.ones(3)}, r"intake_m3h: shape \(3,\)"),
        ({"outflow_m3h": np.inf}, "outflow_m3h: inf.* is not finite"),
        ({"penetration": 80.0}, "penetration: 80.* is outside 0..1; write 85 % as 0.85"),
        ({"penetration": (0.5, 0.5)}, r"penetration: shape \(2,\)"),
        ({"intake_efficiency": -0.1}, "intake_efficiency: -0.1.* is outside 0..1"),
        ({"deposition_per_h": "fast"}, "deposition_per_h: 'fast' is not a number"),
        ({"emission_ug_h": np.zeros((12, 3))}, r"emission_ug_h: shape \(12, 3\); give .* an array of shape \(3, 12\)"),
        ({"cleaners": (Cleaner("coil", -1.0, 0.5),)}, "cleaner coil: airflow_m3h: -1.* is below zero"),
        ({"cleaners": (Cleaner("coil", 1.0, 50.0),)}, "cleaner coil: efficiency: 50.* is outside 0..1"),
        ({"cleaners": (Cleaner("coil", 1.0, 0.5, 1.5),)}, "cleaner coil: running: 1.5.* is outside 0..1"),
    ],
)
def test_a_bad_input_is_refused_by_place_value_and_fix(changed: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        a_house(**changed)


@pytest.mark.parametrize("start", [-1.0, np.nan, (1.0, 2.0)])
def test_a_bad_start_is_refused_by_name(start: Any) -> None:
    with pytest.raises(ValueError, match="start_ug_m3"):
        solve(a_house(), start)


def test_more_than_a_number_can_hold_is_refused_and_not_returned_as_infinite() -> None:
    with pytest.raises(ValueError, match=r"emission_ug_h.*passes any number"):
        solve(a_house(emission_ug_h=1e308, volume_m3=1e-3), 0.0)


@given(st.integers(0, 20))
@settings(max_examples=20)
def test_the_smallest_and_largest_finite_numbers_give_numbers(seed: int) -> None:
    rng = np.random.default_rng(seed)
    extreme = rng.choice([0.0, 5e-324, 1e-300, 1.0, 1e12, 1e100], (1, 8))
    series = solve(Inputs(1e-9, 1e-12, extreme, rng.choice([0.0, 1e-300, 1e9], 8), deposition_per_h=1e300), 1e-300)
    assert np.isfinite(series.end).all()
    assert np.isfinite(series.mean).all()
