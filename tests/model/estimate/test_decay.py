"""Decay tests against decays integrated by scipy, and the combination of decays against a worked meta-analysis."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from motemodel.estimate import Estimate, HouseRecord, Unknown, combined, decay_test

STEP_H = 1.0 / 60.0
VOLUME_M3 = 300.0
ENTRY, LOSS, FAN_LOSS, OUTDOOR = 0.4, 0.7, 1.8, 12.0


def guided_test(noise: float = 0.5, grain: float = 1.0, seed: int = 3, outdoor: float = OUTDOOR) -> HouseRecord:
    """Cooking at 1 h and at 6 h, each followed by hours of clearing: the first with the fan resting, then running."""
    count = round(10.0 / STEP_H)
    middles = (np.arange(count) + 0.5) * STEP_H
    fan = (middles > 5.5).astype(float)

    def rate(t: float, c: np.ndarray) -> np.ndarray:
        cooking = 400.0 if 1.0 < t < 1.3 or 6.0 < t < 6.3 else 0.0
        return ENTRY * outdoor + cooking - (LOSS + (FAN_LOSS if t > 5.5 else 0.0)) * c

    exact = solve_ivp(rate, (0.0, 10.0), [ENTRY * outdoor / LOSS], t_eval=middles, rtol=1e-8, max_step=0.02)
    indoor = exact.y[0] + np.random.default_rng(seed).normal(0.0, noise, count)
    return HouseRecord(
        STEP_H, VOLUME_M3, np.full(count, outdoor), np.maximum(np.round(indoor / grain) * grain, 0.0), fan
    )


def test_the_guided_test_gives_the_delivery() -> None:
    found = decay_test(guided_test(), entry_per_h=Estimate(ENTRY, 0.3, 0.5))
    for answer, truth in (
        (found.loss_fan_off_per_h, LOSS),
        (found.loss_fan_on_per_h, LOSS + FAN_LOSS),
        (found.clean_air_delivered_m3h, FAN_LOSS * VOLUME_M3),
    ):
        assert isinstance(answer, Estimate)
        assert answer.low <= truth <= answer.high
        assert answer.value == pytest.approx(truth, rel=0.08)
    assert found.enough


def test_usable_spans_start_after_the_peak_and_end_before_the_next_meal() -> None:
    off, on = decay_test(guided_test()).decays
    assert (off.fan_on, on.fan_on) == (False, True)
    assert 1.3 < off.start_h < 1.6
    assert off.end_h <= 5.5
    assert 6.3 < on.start_h < 6.6


def test_leaving_out_the_outdoor_air_would_make_the_loss_too_small() -> None:
    smoky = guided_test(outdoor=60.0)
    with_air = decay_test(smoky, entry_per_h=Estimate(ENTRY, 0.35, 0.45)).loss_fan_off_per_h
    without = decay_test(replace(smoky, outdoor=np.zeros(smoky.count)), entry_per_h=Estimate(ENTRY, 0.35, 0.45))
    assert isinstance(with_air, Estimate)
    assert with_air.low <= LOSS <= with_air.high
    assert isinstance(without.loss_fan_off_per_h, Estimate)
    assert without.loss_fan_off_per_h.high < LOSS


def test_intervals_hold_the_truth_about_nine_times_in_ten() -> None:
    inside = 0
    for seed in range(25):
        answer = decay_test(guided_test(seed=seed), entry_per_h=Estimate(ENTRY, 0.37, 0.43)).clean_air_delivered_m3h
        assert isinstance(answer, Estimate)
        inside += answer.low <= FAN_LOSS * VOLUME_M3 <= answer.high
    assert inside >= 20


def test_without_a_decay_it_says_what_would_give_one() -> None:
    quiet = guided_test()
    quiet = replace(quiet, indoor=np.full(quiet.count, 5.0))
    found = decay_test(quiet)
    assert isinstance(found.clean_air_delivered_m3h, Unknown)
    assert "after cooking" in str(found.clean_air_delivered_m3h)
    assert not found.enough
    resting = decay_test(replace(guided_test(), fan=np.zeros(quiet.count)))
    assert isinstance(resting.clean_air_delivered_m3h, Unknown)
    assert "running" in resting.clean_air_delivered_m3h.reason


def test_decays_are_combined_by_dersimonian_and_laird() -> None:
    """Worked by hand: 0.5 +- 0.1 and 0.9 +- 0.1 (sd): Q = 8, tau2 = (8 - 1)/(200 - 100) = 0.07, mean 0.7."""
    half = 0.1 * 1.645
    both = combined([Estimate(0.5, 0.5 - half, 0.5 + half), Estimate(0.9, 0.9 - half, 0.9 + half)])
    assert isinstance(both, Estimate)
    assert both.value == pytest.approx(0.7)
    # sd = sqrt((0.01 + 0.07)/2) = 0.2; Student's t for one degree of freedom at 90 % is 6.3138.
    assert both.half_width == pytest.approx(0.2 * 6.3138, rel=1e-3)


def test_one_decay_stands_for_itself_and_none_for_nothing() -> None:
    only = Estimate(0.5, 0.4, 0.6)
    assert combined([only]) == only
    assert isinstance(combined([]), Unknown)


@settings(max_examples=20, deadline=None)
@given(
    seed=st.integers(0, 500),
    level=st.sampled_from([0.0, 1.0, 1e4]),
    gaps=st.floats(0.0, 1.0),
    count=st.integers(1, 300),
)
def test_whatever_the_numbers_a_decay_test_answers(seed: int, level: float, gaps: float, count: int) -> None:
    rng = np.random.default_rng(seed)
    indoor = np.where(rng.random(count) < gaps, np.nan, np.minimum(level * rng.gamma(1.0, 1.0, count), 1e5))
    found = decay_test(HouseRecord(STEP_H, 300.0, level * rng.random(count), indoor, np.round(rng.random(count))))
    assert all(np.isfinite(decay.loss_per_h.value) for decay in found.decays)
