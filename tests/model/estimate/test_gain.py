"""The gain ratio from a side-by-side spell and from open windows, told of or found; and where nothing tells it."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from motemodel.estimate import Estimate, GainPrior, HouseRecord, Identification, Unknown, gain_side_by_side, identify
from motemodel.estimate.airing import Airing, calm_ratio, gain_of

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


def aired_house(let_in: float, gain: float, *, brings_in: float = 1.0, seed: int = 9) -> HouseRecord:
    """A week, aired for two hours each morning; `brings_in` is 0 for a room cleaner, which only takes out."""
    count = round(7 * 24 / STEP_H)
    middles = (np.arange(count) + 0.5) * STEP_H
    outdoor = 25.0 + 12.0 * np.sin(middles / 5.0) + 5.0 * np.sin(middles / 1.7)
    window = ((middles % 24.0 > 9.0) & (middles % 24.0 < 11.0)).astype(float)
    fan = ((middles % 7.0) < 2.0).astype(float)
    meal = ((middles % 24.0 > 18.0) & (middles % 24.0 < 18.3)) * 150.0

    def rate(t: float, c: np.ndarray) -> np.ndarray:
        k = min(int(t / STEP_H), count - 1)
        aired = let_in * window[k]
        return (0.3 + brings_in * aired) * outdoor[k] + meal[k] - (0.6 + aired + 2.0 * fan[k]) * c

    exact = solve_ivp(rate, (0.0, middles[-1]), [10.0], t_eval=middles, rtol=1e-6, max_step=STEP_H)
    indoor = gain * exact.y[0] + np.random.default_rng(seed).normal(0.0, 0.4, count)
    return HouseRecord(STEP_H, 350.0, outdoor, indoor, fan, window=window)


@pytest.fixture(scope="module")
def aired() -> HouseRecord:
    return aired_house(4.0, 1.25)


@pytest.fixture(scope="module")
def told(aired: HouseRecord) -> Identification:
    return identify(aired)


@pytest.fixture(scope="module")
def shut() -> HouseRecord:
    """The same house, never aired, and no signal that would tell."""
    return replace(aired_house(0.0, 1.25), window=None)


@pytest.fixture(scope="module")
def unknown(shut: HouseRecord) -> Identification:
    return identify(shut)


def test_open_windows_tell_the_ratio(told: Identification) -> None:
    """A window's air brings all its particles along: what it adds to entry and to loss differs by the gain alone."""
    found = told
    assert isinstance(found.sensor_gain_ratio, Estimate)
    assert found.sensor_gain_ratio.low <= 1.25 <= found.sensor_gain_ratio.high
    assert isinstance(found.outdoor_entry_per_h, Estimate)
    assert found.outdoor_entry_per_h.low <= 0.3 <= found.outdoor_entry_per_h.high
    assert "sensor gain ratio: from hours with windows open" in found.remarks


def test_open_windows_are_found_where_no_signal_tells_of_them(aired: HouseRecord, told: Identification) -> None:
    found = identify(replace(aired, window=None))
    assert isinstance(found.sensor_gain_ratio, Estimate)
    assert found.sensor_gain_ratio.low <= 1.25 <= found.sensor_gain_ratio.high
    assert any("the house stood open, though no signal tells of windows" in remark for remark in found.remarks)
    assert isinstance(told.sensor_gain_ratio, Estimate)
    assert found.sensor_gain_ratio.half_width >= told.sensor_gain_ratio.half_width


def test_neither_a_room_cleaner_nor_shut_windows_tell_the_ratio(unknown: Identification) -> None:
    """A cleaner takes out and brings nothing in; with windows shut nothing tells gain from infiltration."""
    cleaned = identify(replace(aired_house(4.0, 1.25, brings_in=0.0), window=None))
    for found in (cleaned, unknown):
        assert isinstance(found.sensor_gain_ratio, Unknown)
        assert "gain ratio times infiltration factor" in found.sensor_gain_ratio.reason


def test_calm_hours_read_gain_times_infiltration_factor() -> None:
    """Nothing made, fan at rest, steady outdoors: entry over loss times the gain, and nothing about either alone."""
    count = round(72 / STEP_H)
    quiet = HouseRecord(STEP_H, 350.0, np.full(count, 20.0), np.full(count, 1.25 * 20.0 * 0.3 / 0.6), np.zeros(count))
    ratio, hours = calm_ratio(quiet, np.zeros(count, dtype=np.bool_))
    assert ratio == pytest.approx(1.25 * 0.3 / 0.6)
    assert hours == pytest.approx(72.0 - 3.0, abs=0.2)
    busy = replace(quiet, fan=np.ones(count))
    assert calm_ratio(busy, np.zeros(count, dtype=np.bool_))[1] == 0.0


def test_a_ratio_measured_side_by_side_is_told_and_narrows_the_entry_rate(
    shut: HouseRecord, unknown: Identification
) -> None:
    known = identify(shut, gain_prior=GainPrior.of(Estimate(1.25, 1.2, 1.3)))
    assert isinstance(known.sensor_gain_ratio, Estimate)
    assert known.sensor_gain_ratio.value == pytest.approx(1.25)
    assert "sensor gain ratio: from the spell with both sensors side by side" in known.remarks
    assert isinstance(known.outdoor_entry_per_h, Estimate)
    assert isinstance(unknown.outdoor_entry_per_h, Estimate)
    assert known.outdoor_entry_per_h.low <= 0.3 <= known.outdoor_entry_per_h.high
    assert known.outdoor_entry_per_h.half_width < unknown.outdoor_entry_per_h.half_width


def test_where_windows_add_nothing_to_a_ratio_known_better_the_spell_is_named_that_told_it(aired: HouseRecord) -> None:
    """A spell that tells it to one part in two hundred is not bettered by air that has not mixed near a window."""
    known = identify(aired, gain_prior=GainPrior.of(Estimate(1.25, 1.24, 1.26)))
    assert isinstance(known.sensor_gain_ratio, Estimate)
    assert known.sensor_gain_ratio.value == pytest.approx(1.25)
    assert [told for told in known.remarks if "gain ratio" in told] == [
        "sensor gain ratio: from the spell with both sensors side by side"
    ]


@given(ratios=st.lists(st.floats(0.5, 2.0), max_size=6), sd=st.floats(0.01, 0.2), start=st.floats(0.0, 1e4))
def test_one_spell_tells_no_ratio_and_several_stay_within_what_they_read(
    ratios: list[float], sd: float, start: float
) -> None:
    spells = [Airing(start, 3.0, Estimate(ratio, ratio - sd, ratio + sd)) for ratio in ratios]
    told = gain_of(spells)
    assert (told is None) == (len(ratios) < 2)
    if told is not None:
        assert min(ratios) - 1e-9 <= told.value <= max(ratios) + 1e-9
