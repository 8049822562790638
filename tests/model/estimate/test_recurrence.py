"""The recurrence against scipy's general integrator and a plain loop; its slopes against finite differences."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from motemodel.estimate.recurrence import Noise, Terms, linear_recurrence, run, steer, step_response

RNG = np.random.default_rng(7)


def test_the_linear_recurrence_is_the_plain_loop() -> None:
    coefficient, columns = RNG.uniform(-1.0, 1.0, 99), RNG.normal(size=(100, 3))
    expected = np.empty_like(columns)
    expected[0] = columns[0]
    for k in range(99):
        expected[k + 1] = coefficient[k] * expected[k] + columns[k + 1]
    np.testing.assert_allclose(linear_recurrence(coefficient, columns), expected, rtol=1e-12, atol=1e-14)


@given(loss=st.floats(0.0, 1e3), step_h=st.floats(1.0 / 3600.0, 1.0))
def test_one_step_is_what_a_general_integrator_finds(loss: float, step_h: float) -> None:
    phi, g, _ = step_response(np.array([loss]), step_h)
    assert 0.0 <= phi[0] <= 1.0
    assert 0.0 < g[0] <= step_h * (1.0 + 1e-12)
    if loss < 50.0:
        exact = solve_ivp(lambda _, c: 30.0 - loss * c, (0.0, step_h), [12.0], method="DOP853", rtol=1e-11, atol=1e-11)
        assert phi[0] * 12.0 + g[0] * 30.0 == pytest.approx(exact.y[0, -1], rel=1e-8)


def test_without_noise_the_truth_leaves_no_innovation_and_slopes_are_finite_differences() -> None:
    entry = np.column_stack([RNG.uniform(5.0, 40.0, 200), np.zeros(200)])
    loss = np.column_stack([np.zeros(200), RNG.uniform(0.5, 1.5, 200)])
    terms = Terms(0.1, entry, loss)
    theta = np.array([0.4, 0.9])
    phi, g, _ = step_response(loss @ theta, 0.1)
    reading = np.empty(201)
    reading[0] = 8.0
    for k in range(200):
        reading[k + 1] = phi[k] * reading[k] + g[k] * (entry @ theta)[k]
    restart = np.zeros(201, dtype=bool)
    restart[[0, 120]] = True
    steering = steer(np.ones(201, dtype=bool), restart, Noise(0.02, 2.0), 0.1, 0.9)
    np.testing.assert_allclose(run(terms, theta, reading, steering).innovation, 0.0, atol=1e-10)

    off = theta + np.array([0.05, -0.1])
    slopes = run(terms, off, reading, steering).slopes
    for p in range(2):
        nudge = np.eye(2)[p] * 1e-6
        up = run(terms, off + nudge, reading, steering, slopes=False).innovation
        down = run(terms, off - nudge, reading, steering, slopes=False).innovation
        np.testing.assert_allclose(slopes[:, p], -(up - down) / 2e-6, rtol=1e-4, atol=1e-6)


@pytest.mark.parametrize("every", [1, 5])
def test_gains_are_those_of_the_textbook_filter(every: int) -> None:
    """Against the matrix form of the Kalman filter (Anderson & Moore 1979, section 3.1), written out plainly."""
    noise, step_h, loss = Noise(0.02, 2.0, 5.0), 1.0 / 60.0, 0.8
    known = np.arange(60) % every == 0
    restart = np.zeros(60, dtype=bool)
    restart[0] = True
    steering = steer(known, restart, noise, step_h, loss, every)

    phi, keep = np.exp(-loss * step_h), np.exp(-step_h / noise.memory_h)
    carry = np.array([[phi, (1.0 - phi) / loss], [0.0, keep]])
    shocks = np.diag([noise.quick, (1.0 - keep**2) * noise.lasting**2])
    spread = np.diag([1.0, noise.lasting**2])
    for step in range(1, 60):
        spread = carry @ spread @ carry.T + shocks
        assert steering.variance[step] == pytest.approx(spread[0, 0] + 1.0, rel=1e-5)
        if known[step]:
            gain = spread[:, 0] / (spread[0, 0] + 1.0)
            assert [steering.gain[step], steering.drift_gain[step]] == pytest.approx(gain, rel=1e-5)
            spread = spread - np.outer(gain, spread[0])
        else:
            assert steering.gain[step] == 0.0
    assert steering.gain[0] == 1.0
    assert not steering.used[0]
