"""Simple ways to run the fan: a timer, a switch, an indoor sensor with a threshold, and the guard after cooling."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motemodel.plan import (
    AirTarget,
    FanProblem,
    HouseRates,
    Outlook,
    above_indoors,
    barred_after_cooling,
    best_schedule,
    minutes_of_each_hour,
    planned,
)

HOUSE = HouseRates(0.35, 0.7, 2.5, 330.0, source_ug_m3_h=1.0)


def outlook(outdoor: float = 60.0, start: float = 25.0, steps: int = 144) -> Outlook:
    return Outlook(1 / 12, np.full(steps, outdoor), np.full(steps, 0.1), np.ones(steps, dtype=bool), start)


def test_a_timer_counts_the_minutes_of_the_clock() -> None:
    now = Outlook(1 / 12, np.ones(24), np.zeros(24), np.ones(24, dtype=bool), 1.0, into_hour_h=0.5)
    asked = minutes_of_each_hour(now, 15.0)
    assert np.flatnonzero(asked).tolist() == [6, 7, 8, 18, 19, 20]


def test_a_threshold_holds_the_air_about_it() -> None:
    now = outlook()
    asked = above_indoors(now, HOUSE, 12.0)
    plan = planned("", now.running(asked), now, HOUSE)
    assert plan.indoor_ug_m3[24:].mean() == pytest.approx(12.0, rel=0.2)
    assert plan.peak_ug_m3 <= 25.0
    assert plan.hours_above(12.0, 1 / 12) < 12.0


def test_clean_air_never_crosses_the_threshold() -> None:
    assert not above_indoors(outlook(5.0, start=4.0), HOUSE, 12.0).any()


@given(st.floats(0.0, 300.0), st.floats(1.0, 50.0), st.sampled_from((0.25, 0.5)))
def test_a_threshold_keeps_its_least_times(outdoor: float, threshold: float, least_h: float) -> None:
    asked = above_indoors(outlook(outdoor), HOUSE, threshold, least_h=least_h)
    edges = np.flatnonzero(np.diff(asked.astype(int))) + 1
    assert (np.diff(edges) >= round(least_h * 12)).all()


def test_after_cooling_the_fan_is_barred_for_its_guard_as_far_as_the_pauses_go() -> None:
    # Two calls of 15 min an hour with a guard of 10 min: 20 of the 30 min between them.
    assert barred_after_cooling(np.array([0.5]), 1 / 6, 0.25) == pytest.approx([1 / 3])
    assert barred_after_cooling(np.array([0.0, 1.0]), 0.5, 0.25) == pytest.approx([0.0, 0.0])
    with pytest.raises(ValueError, match="call_h"):
        barred_after_cooling(np.array([0.5]), 0.1, 0.0)


def test_the_guard_takes_its_share_of_every_run_that_is_forced() -> None:
    barred = np.full(144, 0.3)
    now = Outlook(1 / 12, np.full(144, 60.0), np.full(144, 0.1), np.ones(144, dtype=bool), 25.0, barred=barred)
    assert now.running(np.ones(144, dtype=bool)) == pytest.approx(0.7)
    assert best_schedule(FanProblem(now, HOUSE), AirTarget(1.0)).plan.running.max() == pytest.approx(0.7)
    with pytest.raises(ValueError, match="one value a step"):
        Outlook(1.0, np.ones(2), np.ones(2), np.ones(2, dtype=bool), 1.0, barred=np.ones(3))
