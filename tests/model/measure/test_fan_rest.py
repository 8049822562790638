"""A filter's drop and the fan's state, each checked by the other, minute by minute.

No air, no drop: the pressure loss of a filter goes with a power of its airflow between one and two (ASHRAE Handbook,
HVAC Systems and Equipment, air cleaners; from memory), and is nought without any. Offsets, stack effect and low speeds
below are what is met with (common practice, no source).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.measure import Readings, drop_at_odds

MINUTE_H = 1.0 / 60.0
DAYS = 10
COUNT = DAYS * 1440
AT = np.arange(COUNT)
ALWAYS = np.ones(COUNT, dtype=np.bool_)


def rounds(seed: int = 1, rest: tuple[int, int] = (20, 90), run: tuple[int, int] = (8, 40)) -> np.ndarray:
    """A fan that rests and runs for so many minutes."""
    random, fan, at = np.random.default_rng(seed), np.zeros(COUNT), 0
    while at < COUNT:
        at += int(random.integers(*rest))
        length = int(random.integers(*run))
        fan[at : at + length] = 1.0
        at += length
    return fan


def read(fan: np.ndarray, at_rest_pa: float = 0.0, running_pa: float = 47.0, noise_pa: float = 0.5) -> np.ndarray:
    return np.where(fan > 0.5, running_pa, at_rest_pa) + np.random.default_rng(2).normal(0.0, noise_pa, fan.size)


def held(values: np.ndarray, every: int) -> tuple[np.ndarray, np.ndarray]:
    """Read each so many minutes, at the end of the interval it is held for; and the minutes of the readings."""
    last = np.minimum((AT // every + 1) * every - 1, COUNT - 1)
    return values[last], np.isin(AT, last)


def sampled(values: np.ndarray, every: int) -> np.ndarray:
    """A state that is asked for each so many minutes and holds until the next time."""
    return np.asarray(values[AT // every * every])


def accused(drop: np.ndarray, fan: np.ndarray, late_min: float = 1.0, seen: np.ndarray = ALWAYS) -> tuple[float, float]:
    """Shares of the time at odds in one way, and in the other."""
    found = drop_at_odds(drop, fan, seen, MINUTE_H, late_min / 60.0)
    return float(found.same_at_rest.mean()), float(found.rests_in_run.mean())


def test_a_fan_that_is_told_to_run_for_ever_is_given_the_lie_by_its_filter() -> None:
    same, rests = accused(read(rounds()), np.ones(COUNT))
    assert same == 0.0
    assert rests == 1.0


def test_what_came_before_the_state_stuck_is_kept() -> None:
    fan = rounds()
    told = np.where(AT < COUNT // 2, fan, 1.0)
    found = drop_at_odds(read(fan), told, ALWAYS, MINUTE_H, MINUTE_H)
    assert np.flatnonzero(found.rests_in_run)[0] == pytest.approx(COUNT // 2, abs=60)
    assert found.rests_in_run[-1]


def test_the_state_of_another_fan_is_told() -> None:
    """One rests while the other runs, as often as not: whichever way, it is not the blower's."""
    other = rounds(seed=8, rest=(20, 200), run=(60, 300))
    assert accused(read(rounds()), other)[1] > 0.5


@pytest.mark.parametrize("noise_pa", [0.0, 1.0])
def test_a_drop_that_stands_still_from_a_day_on_is_left_out_from_then(noise_pa: float) -> None:
    fan = rounds()
    stuck = np.where(AT < COUNT // 3, read(fan), read(np.ones(COUNT), running_pa=47.3, noise_pa=noise_pa))
    found = drop_at_odds(stuck, fan, ALWAYS, MINUTE_H, MINUTE_H)
    assert not found.rests_in_run.any()
    marked = np.flatnonzero(found.same_at_rest)
    assert marked[0] == pytest.approx(COUNT // 3, abs=180)
    assert marked.size == COUNT - marked[0]


def test_a_week_of_standing_still_ends() -> None:
    fan, week = rounds(), (AT > 1440) & (AT < 8 * 1440)
    found = drop_at_odds(np.where(week, 47.3, read(fan)), fan, ALWAYS, MINUTE_H, MINUTE_H).same_at_rest
    assert found[week & (fan > 0.5)].all(), "no run of the week is kept"
    assert found[~week].sum() < 360


def test_a_frozen_reading_is_told_by_the_drop_of_its_own_days() -> None:
    """It froze at 40 Pa and thawed weeks later at 80, but beside it nothing else was read."""
    growing = read(rounds()) * np.linspace(1.0, 2.0, COUNT)
    frozen = np.where((AT > 2880) & (AT < 4 * 2880), 47.3 * 1.3, growing)
    assert 0.5 < accused(frozen, rounds())[0] < 0.65


FAN = rounds()
LOW = np.where((AT // 1440) % 2 == 0, 1.0, 0.4)
INNOCENT = {
    "as it should be": (read(FAN), FAN),
    "offset of two pascals": (read(FAN, 2.0, 49.0), FAN),
    "offset below nought": (read(FAN, -2.0, 45.0), FAN),
    "stack effect": (read(FAN, 4.0, 51.0), FAN),
    "stack effect, low filter drop": (read(FAN, 4.0, 12.0), FAN),
    "hardly any drop": (read(FAN, 0.0, 4.0), FAN),
    "hose off": (read(FAN, 0.0, 0.0), FAN),
    "hose off since a day": (np.where(AT < 9000, read(FAN), 0.2), FAN),
    "hose off, fan always on": (np.where(AT < 9000, read(np.ones(COUNT)), 0.2), np.ones(COUNT)),
    "hose off for an afternoon": (np.where(abs(AT - 9000) < 180, 0.2, read(np.ones(COUNT))), np.ones(COUNT)),
    "swapped hoses": (read(FAN, 0.0, -47.0), FAN),
    "never rests": (read(np.ones(COUNT)), np.ones(COUNT)),
    "never rests, still reading": (np.full(COUNT, 47.0), np.ones(COUNT)),
    "never runs": (read(np.zeros(COUNT)), np.zeros(COUNT)),
    # 0.4 of the airflow at the mean exponent of 1.4 leaves 0.28 of the drop, and 0.25 of it 0.14.
    "two speeds": (read(FAN) * LOW**1.4, FAN),
    "two speeds, changing by the round, never resting": (
        read(np.ones(COUNT)) * (0.25 + 0.75 * FAN) ** 1.4,
        FAN * 0 + 1,
    ),
    "circulation at half the airflow, told as rest": (read(np.ones(COUNT)) * (0.5 + 0.5 * FAN) ** 1.4, FAN),
    "no reading": (np.full(COUNT, np.nan), FAN),
    "fan unknown": (read(FAN), np.full(COUNT, np.nan)),
    "blower runs on for three minutes": (read(np.convolve(FAN, np.ones(4))[:COUNT] > 0), FAN),
    "zero glitches": (np.where(AT % 240 == 0, 0.0, read(np.ones(COUNT))), np.ones(COUNT)),
    "left on by hand for an evening": (read(np.where(abs(AT - 7000) < 200, 1.0, FAN)), FAN),
}


@pytest.mark.parametrize("case", INNOCENT)
def test_what_is_met_with_in_houses_is_not_accused(case: str) -> None:
    assert accused(*INNOCENT[case]) == (0.0, 0.0)


@pytest.mark.parametrize(("fan_min", "drop_min"), [(1, 10), (1, 15), (5, 5), (10, 1), (10, 10), (15, 15), (30, 1)])
@pytest.mark.parametrize("seed", range(4))
def test_what_is_told_seldom_is_not_accused_for_that(fan_min: int, drop_min: int, seed: int) -> None:
    for fan in (rounds(seed), rounds(seed, rest=(5, 15), run=(5, 12))):
        drop, seen = held(read(fan), drop_min)
        assert accused(drop, sampled(fan, fan_min), fan_min + drop_min, seen) == (0.0, 0.0)


@pytest.mark.parametrize("minutes", [15, 30])
def test_runtimes_of_a_quarter_of_an_hour_are_not_accused(minutes: int) -> None:
    fan = rounds()
    share = np.repeat(fan.reshape(-1, minutes).mean(axis=1), minutes)
    assert accused(read(fan), share, minutes + 1) == (0.0, 0.0)


def test_a_drop_that_is_told_only_as_it_changes_tells_nothing_of_the_rest_it_is_held_for() -> None:
    """Held for the time before it, as a stamp of the interval's end has it, the first of a run covers the rest."""
    fan = rounds()
    changes = np.flatnonzero(np.diff(fan, prepend=fan[0]) != 0)
    seen = np.isin(AT, changes)
    nearest = np.minimum(np.searchsorted(changes, AT), changes.size - 1)
    assert accused(47.0 * fan[changes][nearest], fan, 1.0, seen) == (0.0, 0.0)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), late=st.floats(0.0, 1.0), step=st.sampled_from([MINUTE_H, 0.25, 1.0]))
def test_whatever_is_read_the_masks_have_its_shape_and_nothing_without_the_fan_is_marked(
    seed: int, late: float, step: float
) -> None:
    random = np.random.default_rng(seed)
    count = int(random.integers(0, 600))
    drop, fan = random.choice([0.0, 40.0, np.nan, -3.0], count), random.choice([0.0, 0.5, 1.0, np.nan], count)
    fan = np.repeat(fan, 7)[:count]
    found = drop_at_odds(drop, fan, random.random(count) < 0.7, step, late)
    assert found.same_at_rest.shape == found.rests_in_run.shape == (count,)
    assert not found.rests_in_run[~(fan == 1.0)][:1].any() or (fan == 1.0).any()


def test_shapes_that_differ_are_refused() -> None:
    with pytest.raises(ValueError, match=r"drop at odds: shapes \(3,\), \(2,\) and \(3,\)"):
        drop_at_odds(np.zeros(3), np.zeros(2), np.zeros(3, dtype=np.bool_), 1.0, 0.0)
    with pytest.raises(ValueError, match="step 0 h"):
        drop_at_odds(np.zeros(3), np.zeros(3), np.zeros(3, dtype=np.bool_), 0.0, 0.0)


def test_a_state_that_is_asked_for_is_sampled_and_one_that_is_told_as_it_changes_is_not() -> None:
    fan = rounds()
    for every, state in ((10, fan), (30, fan), (10, np.ones(COUNT))):
        jitter = np.random.default_rng(1).uniform(-0.1, 0.1, AT[::every].size)
        asked = Readings((AT[::every] + every * jitter) * MINUTE_H, state[::every])
        assert asked.sampled_every_h == pytest.approx(every * MINUTE_H, rel=0.05)
    changes = np.flatnonzero(np.diff(fan, prepend=-1.0) != 0)
    assert Readings(changes * MINUTE_H, fan[changes]).sampled_every_h == 0.0
    # With a sign of life each hour by the clock.
    told = np.union1d(changes, AT[::60])
    assert Readings(told * MINUTE_H, fan[told]).sampled_every_h == 0.0
    assert Readings(np.zeros(0), np.zeros(0)).sampled_every_h == 0.0
