"""Where lines, tags and ticks stand in a drawing."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moteledger.report.drawing import Frame, round_ticks, spaced, ticks_across

FRAME = Frame(0.0, 10.0, 0.0, 4.0, height=100, above=20)


def test_a_frame_sets_values_to_per_cent_across_and_pixels_down() -> None:
    assert FRAME.across(2.5) == 25.0
    assert FRAME.down(4.0) == 20.0
    assert FRAME.down(0.0) == 120.0


def test_a_line_is_cut_where_it_leaves_the_frame() -> None:
    """By similar triangles: from (0, 0) to (10, 8) the line meets the top, 4, half way."""
    assert FRAME.clipped([(0.0, 0.0), (10.0, 8.0)]) == [(0.0, 0.0), (5.0, 4.0)]
    assert FRAME.clipped([(-5.0, 2.0), (5.0, 2.0), (15.0, 2.0)]) == [(0.0, 2.0), (5.0, 2.0), (10.0, 2.0)]
    assert FRAME.path([(0.0, 0.0), (10.0, 8.0)]) == "M0.0 1000.0L500.0 0.0"


def test_a_line_outside_the_frame_is_only_its_start() -> None:
    assert FRAME.clipped([(0.0, 5.0), (10.0, 9.0)]) == [(0.0, 5.0)]


@given(st.lists(st.tuples(st.floats(-20.0, 20.0), st.floats(-20.0, 20.0)), min_size=2, max_size=8))
def test_what_is_cut_lies_in_the_frame(points: list[tuple[float, float]]) -> None:
    inside = FRAME.clipped(points)
    if len(inside) > 1:
        assert all(-1e-6 <= x <= 10.0 + 1e-6 and -1e-6 <= y <= 4.0 + 1e-6 for x, y in inside)


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=12))
def test_tags_keep_their_distance_their_order_and_their_room(places: list[float]) -> None:
    moved = spaced(places, 8.0, 0.0, 100.0)
    order = sorted(range(len(places)), key=lambda place: places[place])
    ordered = [moved[place] for place in order]
    assert all(later - earlier >= 8.0 - 0.011 for earlier, later in pairwise(ordered))
    assert min(moved) >= -0.011
    assert max(moved) <= 100.0


@given(low=st.floats(0.0, 1e4), span=st.floats(1e-2, 1e5), per=st.sampled_from([1.0, 1.699011, 249.0889]))
def test_ticks_are_few_round_and_inside(low: float, span: float, per: float) -> None:
    ticks = round_ticks(low, low + span, per, 5)
    assert len(ticks) <= 6
    assert all(low - 1e-6 * span <= tick <= low + span * (1 + 1e-6) for tick in ticks)
    if len(ticks) > 1:
        step = (ticks[1] - ticks[0]) / per
        assert round(step / 10.0 ** math.floor(math.log10(step) + 1e-9), 6) in (1.0, 2.0, 5.0, 10.0)


def test_ticks_are_lettered_in_the_printed_unit() -> None:
    marks = ticks_across(Frame(1000.0 * 1.699011, 1300.0 * 1.699011, 0.0, 1.0, 10, 0), 1.699011)
    assert [mark.label for mark in marks] == ["1,000", "1,100", "1,200", "1,300"]
    assert marks[-1].at == pytest.approx(100.0, abs=0.01)
