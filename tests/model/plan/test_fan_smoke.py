"""When the central filter cannot hold the target: the room cleaner that could, and the intake that should be shut."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.plan import HouseRates, Outlook, intake_shut_gain, planned, room_cleaner_m3h, without_intake

HOUSE = HouseRates(0.35, 0.7, 2.5, 330.0)
VOLUME_M3 = 400.0


def smoke(start: float, hours: int = 24) -> Outlook:
    steps = hours * 12
    return Outlook(1 / 12, np.full(steps, 300.0), np.zeros(steps), np.ones(steps, dtype=bool), start)


def test_a_cleaner_is_sized_by_the_steady_state_where_the_air_has_settled() -> None:
    # Closed form of the steady balance, C = entry C_out / (loss + clean air): 0.35 * 300 / 15 - 3.2 = 3.8 1/h.
    now = smoke(start=15.0)
    assert room_cleaner_m3h(np.ones(now.steps), now, HOUSE, 15.0, VOLUME_M3) == pytest.approx(3.8 * VOLUME_M3, rel=1e-6)


def test_the_sized_cleaner_holds_the_target_exactly() -> None:
    now = smoke(start=120.0)
    cleaner = room_cleaner_m3h(np.ones(now.steps), now, HOUSE, 15.0, VOLUME_M3)
    cleaned = HouseRates(0.35, 0.7 + cleaner / VOLUME_M3, 2.5, 330.0)
    assert planned("", np.ones(now.steps), now, cleaned).mean_ug_m3 == pytest.approx(15.0, rel=1e-9)
    assert cleaner > 3.8 * VOLUME_M3


def test_no_cleaner_is_asked_for_where_the_fan_does_it_alone() -> None:
    now = smoke(start=10.0)
    assert room_cleaner_m3h(np.ones(now.steps), now, HOUSE, 100.0, VOLUME_M3) == 0.0


def test_shutting_an_intake_takes_its_particles_and_its_dilution_away() -> None:
    # 100 m3/h through a filter of 60 %: 0.25 1/h of air, 0.1 1/h of particles.
    shut = without_intake(HOUSE, 100.0, 0.6, VOLUME_M3)
    assert shut.entry_per_h == pytest.approx(0.25)
    assert shut.loss_fan_off_per_h == pytest.approx(0.45)


def test_in_smoke_a_bare_intake_is_better_shut_and_a_well_filtered_one_left_open() -> None:
    now = smoke(start=100.0)
    plan = planned("", np.zeros(now.steps), now, HOUSE)
    assert intake_shut_gain(plan, now, HOUSE, 80.0, 0.0, VOLUME_M3) > 10.0
    assert intake_shut_gain(plan, now, HOUSE, 80.0, 0.99, VOLUME_M3) < 0.0


def test_an_intake_larger_than_all_that_enters_is_refused() -> None:
    with pytest.raises(ValueError, match="intake_m3h: 500"):
        without_intake(HOUSE, 500.0, 0.0, VOLUME_M3)
    with pytest.raises(ValueError, match=r"outside 0\.\.1"):
        without_intake(HOUSE, 50.0, 60.0, VOLUME_M3)


@settings(max_examples=30)
@given(st.floats(0.0, 500.0), st.floats(0.5, 100.0), st.floats(0.0, 1.0))
def test_more_smoke_or_a_lower_target_never_needs_a_smaller_cleaner(start: float, target: float, on: float) -> None:
    now = smoke(start, hours=6)
    running = np.full(now.steps, on)
    size = room_cleaner_m3h(running, now, HOUSE, target, VOLUME_M3)
    assert size >= 0.0
    assert room_cleaner_m3h(running, now, HOUSE, target * 0.9, VOLUME_M3) >= size


# ANSI/AHAM AC-1 sizes a room cleaner for a room under 8 ft: a clean air delivery rate (CADR, cfm) of two thirds of the
# floor area (ft2) holds smoke at a fifth of what it is without. It counts one air change an hour, and smoke that
# settles and sticks on its own, which is taken as 0.2 1/h here, as of fine particles in still rooms. US EPA's guide to
# air cleaners in the home (2018) prints the same as 65 cfm for 100 ft2. For wildfire smoke AHAM asks for as many cfm
# as ft2. All from memory.
FT_M = 0.3048
CFM_M3H = FT_M**3 * 60.0
ROOM = HouseRates(entry_per_h=1.0, loss_fan_off_per_h=1.2, clean_air_per_h=0.0, fan_power_w=0.0)


def cleaner_cfm(area_ft2: float, share_left: float) -> float:
    """What a room needs for smoke that has settled to come down to a share of what it would be."""
    without = ROOM.entry_per_h * 300.0 / ROOM.loss_fan_off_per_h
    now = smoke(start=share_left * without)
    return room_cleaner_m3h(np.zeros(now.steps), now, ROOM, share_left * without, 8.0 * area_ft2 * FT_M**3) / CFM_M3H


@pytest.mark.parametrize("area_ft2", [100.0, 250.0, 600.0])
def test_a_room_held_at_a_fifth_needs_two_thirds_of_its_area_as_the_trade_sizes_it(area_ft2: float) -> None:
    found = cleaner_cfm(area_ft2, 0.2)
    assert found == pytest.approx(2.0 / 3.0 * area_ft2, rel=0.05)
    assert found == pytest.approx(0.65 * area_ft2, rel=0.02)
    # About 4.8 air changes an hour.
    assert found * 60.0 / (8.0 * area_ft2) == pytest.approx(4.8, rel=0.01)


def test_as_many_cfm_as_square_feet_hold_wildfire_smoke_at_a_seventh() -> None:
    # One cfm for each ft2 under 8 ft is 60 / 8 = 7.5 air changes: 1.2 / (1.2 + 7.5) = 0.138 of the smoke is left.
    assert cleaner_cfm(300.0, 1.2 / 8.7) == pytest.approx(300.0, rel=1e-3)
    assert cleaner_cfm(300.0, 1.0 / 7.0) == pytest.approx(300.0, rel=0.05)
