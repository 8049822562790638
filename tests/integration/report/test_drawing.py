"""Where tags stand in a drawing, and how times are lettered."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from moteledger.report.drawing import spaced


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=12))
def test_tags_keep_their_distance_their_order_and_their_room(places: list[float]) -> None:
    moved = spaced(places, 8.0, 0.0, 100.0)
    order = sorted(range(len(places)), key=lambda place: places[place])
    ordered = [moved[place] for place in order]
    assert all(later - earlier >= 8.0 - 0.011 for earlier, later in pairwise(ordered))
    assert min(moved) >= -0.011
    assert max(moved) <= 100.0
