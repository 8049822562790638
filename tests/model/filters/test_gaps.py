"""Air through a gap at a given drop, against the crack-flow equation and its measured use on filter racks."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.filters import Gap

gaps = st.builds(
    Gap,
    length_m=st.floats(0.01, 5.0),
    width_m=st.floats(1e-4, 0.05),
    depth_m=st.floats(0.002, 0.3),
    bends=st.integers(0, 3),
)


@pytest.mark.published("gap_")
def test_flow_through_a_gap_by_the_crack_flow_equation(record: dict[str, Any]) -> None:
    inputs = record["inputs"]
    gap = Gap(inputs["length_m"], inputs["gap_mm"] / 1000.0, inputs["depth_m"], inputs["bends"])
    litres_per_second = float(gap.drop_law().velocity_m_s(inputs["dP_Pa"])) * gap.area_m2 * 1000.0
    assert litres_per_second == pytest.approx(record["expected"], rel=record["tolerance"])


@given(gaps, st.floats(0.01, 500.0), st.floats(1.01, 5.0))
@settings(max_examples=80)
def test_wider_shorter_straighter_gaps_and_more_drop_let_more_air_by(gap: Gap, drop: float, ratio: float) -> None:
    def flow(changed: Gap, at: float = drop) -> float:
        return float(changed.drop_law().velocity_m_s(at)) * changed.area_m2

    as_it_is = flow(gap)
    assert as_it_is > 0.0
    assert flow(Gap(gap.length_m, gap.width_m * ratio, gap.depth_m, gap.bends)) > as_it_is
    assert flow(Gap(gap.length_m, gap.width_m, gap.depth_m * ratio, gap.bends)) < as_it_is
    assert flow(Gap(gap.length_m, gap.width_m, gap.depth_m, gap.bends + 1)) < as_it_is
    assert flow(gap, drop * ratio) > as_it_is


@given(gaps)
@settings(max_examples=40)
def test_a_gap_is_laminar_at_a_whisper_and_turbulent_in_a_gale(gap: Gap) -> None:
    law = gap.drop_law()
    assert float(law.sensitivity(1e-12 + 0.0 * law(0.0))) == pytest.approx(1.0, abs=0.01)
    assert float(law.sensitivity(1e12 + 0.0 * law(0.0))) == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize(
    ("arguments", "place"),
    [
        ((-1.0, 0.01), "length_m"),
        ((1.0, 0.0), "width_m"),
        ((1.0, 0.01, 0.0), "depth_m"),
        ((1.0, 0.01, 0.1, -1), "bends"),
    ],
)
def test_an_impossible_gap_is_refused_by_name(arguments: tuple[Any, ...], place: str) -> None:
    with pytest.raises(ValueError, match=rf"^{place}: .*give"):
        Gap(*arguments)
