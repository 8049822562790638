"""Single-fibre theory against Hinds, chapter 9, and measured filters."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from motemodel.filters import (
    FibrousMedia,
    media_drop_pa,
    media_efficiency,
    most_penetrating_size,
    most_penetrating_size_lee_liu,
    quality_factor,
    single_fibre_efficiency,
)

Published = dict[str, dict[str, Any]]
EXAMPLE = FibrousMedia(fibre_um=2.0, solidity=0.05, thickness_mm=1.0)

media = st.builds(
    FibrousMedia,
    fibre_um=st.floats(0.5, 40.0),
    solidity=st.floats(0.005, 0.3),
    thickness_mm=st.floats(0.05, 30.0),
    charge_c_m2=st.floats(0.0, 1e-4),
)
sizes = st.floats(0.005, 40.0)
velocities = st.floats(0.005, 0.35)


@pytest.mark.published("ku_")
def test_kuwabara_factor(record: dict[str, Any]) -> None:
    factor = FibrousMedia(2.0, record["inputs"]["alpha"], 1.0).kuwabara
    assert factor == pytest.approx(record["expected"], abs=record["tolerance"])


@pytest.mark.published(*(f"sf_{size}" for size in ("0.05", "0.1", "0.2", "0.3", "0.5")))
def test_each_mechanism_and_their_sum(record: dict[str, Any]) -> None:
    mechanisms = single_fibre_efficiency(EXAMPLE, record["inputs"]["d_um"], record["inputs"]["U_m_s"])
    ours = [*(float(part) for part in mechanisms[:5]), float(mechanisms.total)]
    assert ours == pytest.approx(record["expected"], rel=0.005)
    assert float(mechanisms.electrostatic) == 0.0


@pytest.mark.published("sf_eff_")
def test_efficiency_of_the_mat(record: dict[str, Any]) -> None:
    efficiency = media_efficiency(EXAMPLE, record["inputs"]["d_um"], record["inputs"]["U_m_s"])
    assert float(efficiency) == pytest.approx(record["expected"], abs=record["tolerance"])


@pytest.mark.published("mpps_0")
def test_most_penetrating_size_falls_as_velocity_rises(record: dict[str, Any]) -> None:
    size = most_penetrating_size(EXAMPLE, record["inputs"]["U_m_s"])
    assert size == pytest.approx(record["expected"], abs=record["tolerance"])


def test_most_penetrating_size_by_lee_and_liu(published: Published) -> None:
    record = published["mpps_leeliu"]
    size = most_penetrating_size_lee_liu(EXAMPLE, record["inputs"]["U_m_s"])
    assert size == pytest.approx(record["expected"], abs=record["tolerance"])


def test_most_penetrating_size_of_pleated_media_lies_where_commercial_filters_measure_it(published: Published) -> None:
    low, high = published["mpps_meas"]["expected"]
    for fibre_um, solidity in ((1.5, 0.05), (3.0, 0.08), (5.0, 0.1)):
        assert low < most_penetrating_size(FibrousMedia(fibre_um, solidity, 0.5), 0.05) < high


@pytest.mark.published("davies_hag", "davies_lo", "davies_hi", "dp_sf")
def test_clean_drop_of_a_fibre_mat_by_davies(record: dict[str, Any], published: Published) -> None:
    inputs = published["davies_hag"]["inputs"] | record["inputs"]
    mat = FibrousMedia(inputs["df_um"], inputs["alpha"], inputs["t_mm"])
    drop = media_drop_pa(mat, inputs["U"])
    assert float(drop) == pytest.approx(record["expected"], abs=record["tolerance"])


def test_davies_meets_the_measured_drop_of_a_real_mat(published: Published) -> None:
    record, inputs = published["davies_meas"], published["davies_hag"]["inputs"]
    mat = FibrousMedia(inputs["df_um"], inputs["alpha"], inputs["t_mm"])
    assert float(media_drop_pa(mat, record["inputs"]["U m/s"])) == pytest.approx(record["expected"], abs=3.5)


def test_quality_factor(published: Published) -> None:
    record = published["qf"]
    quality = quality_factor(record["inputs"]["E"], record["inputs"]["dP"])
    assert float(quality) == pytest.approx(record["expected"], abs=record["tolerance"])


def test_charge_lifts_the_fine_end_and_moves_the_most_penetrating_size_down() -> None:
    # Brown, Air Filtration (1993), ch. 6 (from memory): an electret's most penetrating size is well below 0.3 um.
    charged = FibrousMedia(8.0, 0.08, 0.8, charge_c_m2=4e-5)
    plain = charged.discharged()
    assert most_penetrating_size(charged, 0.05) < most_penetrating_size(plain, 0.05)
    size = np.array([0.1, 0.3, 1.0])
    assert (media_efficiency(charged, size, 0.05) > media_efficiency(plain, size, 0.05) + 0.1).all()
    assert float(media_drop_pa(charged, 0.05)) == float(media_drop_pa(plain, 0.05))


def test_a_charged_particle_is_caught_better_by_a_charged_fibre_only() -> None:
    charged = FibrousMedia(8.0, 0.08, 0.8, charge_c_m2=2e-5)
    bare = single_fibre_efficiency(charged, 0.1, 0.05).electrostatic
    carrying = single_fibre_efficiency(charged, 0.1, 0.05, particle_charges=-2.0).electrostatic
    assert carrying > bare
    assert single_fibre_efficiency(charged.discharged(), 0.1, 0.05, particle_charges=2.0).electrostatic == 0.0


@given(media, sizes, velocities)
@settings(max_examples=100)
def test_efficiency_is_a_share_and_every_mechanism_only_adds(mat: FibrousMedia, size: float, velocity: float) -> None:
    mechanisms = single_fibre_efficiency(mat, size, velocity)
    assert all(part >= 0.0 for part in mechanisms)
    assert 0.0 <= media_efficiency(mat, size, velocity) <= 1.0
    assert media_efficiency(mat, size, velocity) >= media_efficiency(mat.discharged(), size, velocity)


@given(media, sizes, velocities)
@settings(max_examples=60)
def test_twice_the_thickness_squares_the_penetration_and_doubles_the_drop(
    mat: FibrousMedia, size: float, velocity: float
) -> None:
    double = FibrousMedia(mat.fibre_um, mat.solidity, 2.0 * mat.thickness_mm, mat.charge_c_m2)
    through, through_double = (
        1.0 - media_efficiency(mat, size, velocity),
        1.0 - media_efficiency(double, size, velocity),
    )
    assert through_double == pytest.approx(through**2, abs=1e-12)
    assert media_drop_pa(double, velocity) == pytest.approx(2.0 * media_drop_pa(mat, velocity))


@given(st.floats(0.005, 0.3), st.floats(0.3999, 0.4001))
@settings(max_examples=40)
def test_impaction_has_no_jump_where_the_two_regimes_meet(solidity: float, ratio: float) -> None:
    mat = FibrousMedia(10.0, solidity, 1.0)
    near = [float(single_fibre_efficiency(mat, 10.0 * r, 0.2).impaction) for r in (ratio, ratio + 1e-6)]
    assert near[1] == pytest.approx(near[0], rel=1e-3)


@pytest.mark.parametrize(
    ("arguments", "place"),
    [((0.0, 0.05, 1.0), "fibre_um"), ((2.0, 0.6, 1.0), "solidity"), ((2.0, 0.05, -1.0), "thickness_mm")],
)
def test_an_impossible_mat_is_refused_by_name(arguments: tuple[float, float, float], place: str) -> None:
    with pytest.raises(ValueError, match=rf"^{place}: .*give"):
        FibrousMedia(*arguments)


def test_still_air_through_a_mat_and_a_perfect_filter_have_no_answer() -> None:
    with pytest.raises(ValueError, match=r"^velocity_m_s: "):
        media_efficiency(EXAMPLE, 0.3, 0.0)
    with pytest.raises(ValueError, match=r"^efficiency: "):
        quality_factor(1.0, 25.0)


def test_air_too_fast_for_laminar_flow_round_the_fibres_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^velocity_m_s: .*Reynolds"):
        media_efficiency(FibrousMedia(30.0, 0.05, 5.0), 0.3, 1.0)
