"""The gain ratio from a side-by-side spell and from open windows."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from motemodel.estimate import Estimate, GainPrior, HouseRecord, Unknown, gain_side_by_side, identify

RNG = np.random.default_rng(9)
STEP_H = 1.0 / 30.0


def test_a_side_by_side_day_tells_the_ratio() -> None:
    air = 15.0 + 8.0 * np.sin(np.arange(720) * STEP_H)
    found = gain_side_by_side(1.2 * air + RNG.normal(0, 1, 720), air + RNG.normal(0, 1, 720), STEP_H)
    assert isinstance(found, Estimate)
    assert found.low <= 1.2 <= found.high
    assert found.half_width < 0.05
    assert GainPrior.of(found).relative_sd < 0.03


def test_intervals_of_the_ratio_cover_nine_times_in_ten() -> None:
    inside = 0
    for _ in range(200):
        air = RNG.gamma(4.0, 4.0, 360)
        found = gain_side_by_side(0.8 * air + RNG.normal(0, 2, 360), air, STEP_H)
        assert isinstance(found, Estimate)
        inside += found.low <= 0.8 <= found.high
    assert 165 <= inside <= 195


def test_too_short_or_too_clean_a_spell_tells_nothing() -> None:
    assert isinstance(gain_side_by_side(np.full(30, 20.0), np.full(30, 20.0), STEP_H), Unknown)
    assert isinstance(gain_side_by_side(np.full(720, 1.0), np.full(720, 1.0), STEP_H), Unknown)
    with pytest.raises(ValueError, match="side by side"):
        gain_side_by_side(np.zeros(3), np.zeros(4), STEP_H)


def test_open_windows_tell_the_ratio_and_shut_ones_do_not() -> None:
    """A window's air brings all its particles along: what it adds to entry and to loss differs by the gain alone."""
    count = round(9 * 24 / STEP_H)
    middles = (np.arange(count) + 0.5) * STEP_H
    outdoor = 25.0 + 12.0 * np.sin(middles / 5.0) + 5.0 * np.sin(middles / 1.7)
    window = ((middles % 24.0 > 9.0) & (middles % 24.0 < 11.0)).astype(float)
    fan = ((middles % 3.0) < 1.0).astype(float)

    def rate(t: float, c: np.ndarray) -> np.ndarray:
        k = min(int(t / STEP_H), count - 1)
        return (0.3 + 4.0 * window[k]) * outdoor[k] - (0.6 + 4.0 * window[k] + 2.0 * fan[k]) * c

    exact = solve_ivp(rate, (0.0, middles[-1]), [10.0], t_eval=middles, rtol=1e-6, max_step=STEP_H)
    indoor = 1.25 * exact.y[0] + RNG.normal(0.0, 0.4, count)
    record = HouseRecord(STEP_H, 350.0, outdoor, indoor, fan, window=window)
    found = identify(record)
    assert isinstance(found.sensor_gain_ratio, Estimate)
    assert found.sensor_gain_ratio.low <= 1.25 <= found.sensor_gain_ratio.high
    assert isinstance(found.outdoor_entry_per_h, Estimate)
    assert found.outdoor_entry_per_h.low <= 0.3 <= found.outdoor_entry_per_h.high
    unseen = identify(replace(record, window=None))
    assert isinstance(unseen.sensor_gain_ratio, Unknown)
