"""Decay tests against decays integrated by scipy, and the combination of decays against a worked meta-analysis."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.integrate import solve_ivp

from motemodel.estimate import Estimate, HouseRecord, Unknown, combined, decay_test

STEP_H = 1.0 / 60.0
VOLUME_M3 = 300.0
ENTRY, LOSS, FAN_LOSS, OUTDOOR = 0.4, 0.7, 1.8, 12.0


MIDDLES = (np.arange(round(10.0 / STEP_H)) + 0.5) * STEP_H


@cache
def cooked(outdoor: float) -> np.ndarray:
    """Cooking at 1 h and at 6 h, each followed by hours of clearing: the first with the fan resting, then running."""

    def rate(t: float, c: np.ndarray) -> np.ndarray:
        cooking = 400.0 if 1.0 < t < 1.3 or 6.0 < t < 6.3 else 0.0
        return ENTRY * outdoor + cooking - (LOSS + (FAN_LOSS if t > 5.5 else 0.0)) * c

    return solve_ivp(rate, (0.0, 10.0), [ENTRY * outdoor / LOSS], t_eval=MIDDLES, rtol=1e-8, max_step=0.02).y[0]


def guided_test(noise: float = 0.5, grain: float = 1.0, seed: int = 3, outdoor: float = OUTDOOR) -> HouseRecord:
    """That air as a noisy sensor in steps of a grain reads it."""
    indoor = cooked(outdoor) + np.random.default_rng(seed).normal(0.0, noise, MIDDLES.size)
    read = np.maximum(np.round(indoor / grain) * grain, 0.0)
    return HouseRecord(STEP_H, VOLUME_M3, np.full(MIDDLES.size, outdoor), read, (MIDDLES > 5.5).astype(float))


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


def test_an_air_change_that_is_another_in_another_hour_is_allowed_for() -> None:
    """Nine in ten although wind moves the loss by a tenth (sd) between the halves; exact solutions, little noise."""
    inside, weak = 0, 0.6
    middles = (np.arange(round(4.0 / STEP_H)) + 0.5) * STEP_H
    fan = (middles > 2.0).astype(float)
    for seed in range(20):
        random = np.random.default_rng(seed)
        off, then = LOSS * (1.0 + 0.07 * random.normal(size=2))
        first = 90.0 * np.exp(-off * middles)
        later = 90.0 * np.exp(-(then + weak) * (middles - 2.0))
        indoor = np.where(fan > 0.0, later, first) + random.normal(0.0, 0.3, middles.size)
        record = HouseRecord(STEP_H, VOLUME_M3, np.zeros(middles.size), np.maximum(indoor, 0.0), fan)
        answer = decay_test(record, entry_per_h=Estimate(ENTRY, ENTRY, ENTRY)).clean_air_delivered_m3h
        assert isinstance(answer, Estimate)
        inside += answer.low <= weak * VOLUME_M3 <= answer.high
    # Of twenty, sixteen or more in 957 of a thousand cases if nine in ten is right (binomial).
    assert inside >= 16


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
    # sd = sqrt((0.01 + 0.07)/2) = 0.2; seven eighths of its variance rest on one degree of freedom, so that it has
    # 1/0.875^2 (JCGM 100:2008, equation G.2b); quantile by scipy.stats.
    assert both.half_width == pytest.approx(0.2 * stats.t.ppf(0.95, 1.0 / 0.875**2), rel=1e-3)


def test_two_decays_that_agree_are_surer_than_either() -> None:
    # Equal weights: the interval shrinks by the square root of two.
    both = combined([Estimate(0.7, 0.6, 0.8), Estimate(0.72, 0.62, 0.82)])
    assert isinstance(both, Estimate)
    assert both.half_width == pytest.approx(0.1 / np.sqrt(2.0))


def test_doubt_in_the_entry_rate_is_shared_by_all_decays_and_does_not_average_out() -> None:
    house = guided_test(outdoor=40.0)
    twice = replace(house, **{name: np.tile(getattr(house, name), 2) for name in ("outdoor", "indoor", "fan")})
    once, again = (decay_test(record, entry_per_h=Estimate(ENTRY, 0.2, 0.6)) for record in (house, twice))
    assert len(again.decays) == 2 * len(once.decays)
    by_entry = min(abs(decay.by_entry_per_h) for decay in once.decays if not decay.fan_on)
    assert by_entry > 0.05
    for found in (once, again):
        assert isinstance(found.loss_fan_off_per_h, Estimate)
        assert found.loss_fan_off_per_h.half_width >= by_entry


def test_a_reading_held_over_several_steps_counts_once() -> None:
    house, every = guided_test(noise=1.5), 5
    means = {name: getattr(house, name).reshape(-1, every).mean(axis=1) for name in ("outdoor", "indoor", "fan")}
    held = replace(house, indoor=np.repeat(means["indoor"], every), indoor_interval_h=every * STEP_H)
    coarse = replace(house, step_h=every * STEP_H, **means)
    found, wanted = (decay_test(record, entry_per_h=Estimate(ENTRY, 0.35, 0.45)) for record in (held, coarse))
    assert isinstance(found.loss_fan_off_per_h, Estimate)
    assert isinstance(wanted.loss_fan_off_per_h, Estimate)
    assert [decay.readings for decay in found.decays] == [decay.readings for decay in wanted.decays]
    assert found.loss_fan_off_per_h.half_width == pytest.approx(wanted.loss_fan_off_per_h.half_width, rel=1e-6)


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
