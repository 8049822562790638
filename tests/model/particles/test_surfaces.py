"""Deposition and shell penetration, against the integrals and equations that their closed forms stand for."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from motemodel.particles import (
    FURNISHED_ROOM,
    ROOM_AIR,
    TYPICAL_SHELL,
    Crack,
    RoomSurfaces,
    crack_penetration,
    crack_velocity,
    deposition_rate,
    deposition_velocities,
    diffusion_coefficient,
    penetration_factor,
    settling_velocity,
)

RECORDS = {
    record["id"]: record
    for record in json.loads((Path(__file__).parents[2] / "reference" / "particles.json").read_text(encoding="utf-8"))
}


def wall_layer_resistance(diameter_um: float, friction_velocity: float) -> float:
    """The eddy viscosity across the wall layer, integrated as it is; Lai & Nazaroff (2000), from memory."""

    def eddy(y: float) -> float:
        if y < 4.3:
            return 7.669e-4 * y**3
        return 1.00e-3 * y**2.8214 if y < 12.5 else 1.07e-2 * y**1.8895

    viscosity = ROOM_AIR.kinematic_viscosity_m2_s
    inverse_schmidt = float(diffusion_coefficient(diameter_um)) / viscosity
    radius = diameter_um * 1e-6 / 2.0 * friction_velocity / viscosity
    pieces = [(radius, 1e-1), (1e-1, 4.3), (4.3, 12.5), (12.5, 30.0)]
    return sum(quad(lambda y: 1.0 / (eddy(y) + inverse_schmidt), *piece, limit=400)[0] for piece in pieces)


@pytest.mark.parametrize("friction_velocity", [0.003, 0.01, 0.03])
@pytest.mark.parametrize("diameter", [0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0])
def test_deposition_to_walls_is_the_integral_across_the_wall_layer(diameter: float, friction_velocity: float) -> None:
    _, _, vertical = deposition_velocities(diameter, friction_velocity)
    assert float(vertical) == pytest.approx(
        friction_velocity / wall_layer_resistance(diameter, friction_velocity), rel=0.02
    )


def test_floors_take_at_least_the_settling_velocity_and_ceilings_almost_nothing_of_coarse_dust() -> None:
    upward, downward, vertical = deposition_velocities(np.array([0.01, 0.3, 10.0]))
    settling = settling_velocity(np.array([0.01, 0.3, 10.0]))
    assert (upward >= settling).all()
    assert upward - downward == pytest.approx(settling, rel=1e-9)
    assert downward[-1] < 1e-12
    assert upward[0] == pytest.approx(vertical[0], rel=0.05)


def test_a_room_two_and_a_half_metres_high_loses_pm10_coarse_dust_by_settling() -> None:
    # Stirred settling (Hinds, 2nd ed., eq. 3.41): rate = settling velocity over height.
    bare = RoomSurfaces.of_bare_room(5.0, 4.0, 2.5)
    expected = float(settling_velocity(10.0)) / 2.5 * 3600.0
    assert float(deposition_rate(10.0, bare)) == pytest.approx(expected, rel=0.01)


def test_deposition_is_least_between_a_tenth_and_half_a_micrometre() -> None:
    sizes = np.geomspace(0.01, 10.0, 200)
    assert 0.1 < sizes[np.argmin(deposition_rate(sizes))] < 0.5


@given(st.floats(0.005, 60.0), st.floats(0.003, 0.03))
@settings(max_examples=60)
def test_more_surface_never_deposits_less(diameter: float, friction_velocity: float) -> None:
    more = RoomSurfaces(1.0, 1.0, 3.0)
    less = deposition_rate(diameter, FURNISHED_ROOM, friction_velocity)
    assert 0.0 < less <= deposition_rate(diameter, more, friction_velocity)


@pytest.mark.parametrize("spread", [0.01, 0.05, 0.2, 0.6, 1.5])
def test_diffusion_loss_in_a_slot_solves_the_convection_diffusion_equation(spread: float) -> None:
    # Laminar slot flow, u(y) dc/dx = D d2c/dy2, c = 0 at both walls: eigenmodes of the finite-difference operator.
    cells = 400
    y = (np.arange(cells) + 0.5) / cells
    speed = 6.0 * y * (1.0 - y)
    second = (
        np.diag(np.full(cells - 1, 1.0), -1) + np.diag(np.full(cells - 1, 1.0), 1) - 2.0 * np.eye(cells)
    ) * cells**2
    second[0, 0] = second[-1, -1] = -3.0 * cells**2
    root = np.sqrt(speed)
    eigenvalues, vectors = np.linalg.eigh(second / root[:, None] / root[None, :])
    start = vectors.T @ root
    expected = np.sum(start**2 * np.exp(eigenvalues * spread / 4.0)) / cells

    crack = Crack(height_mm=0.1, depth_m=0.1)
    # A particle so small that gravity is nothing; the drop sets the dimensionless path 4 D z/(h2 U).
    diffusion = float(diffusion_coefficient(0.005))
    velocity = 4.0 * diffusion * crack.depth_m / ((crack.height_mm * 1e-3) ** 2 * spread)
    drop = 12.0 * ROOM_AIR.viscosity_pa_s * crack.depth_m * velocity / (crack.height_mm * 1e-3) ** 2
    drop += 1.5 * ROOM_AIR.density_kg_m3 * velocity**2 / 2.0
    assert float(crack_velocity(crack, drop)) == pytest.approx(velocity, rel=1e-9)
    assert float(crack_penetration(0.005, crack, drop)) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("name", ["ln_cracks_0.25mm", "ln_cracks_1mm"])
def test_wide_cracks_let_fine_particles_through(name: str) -> None:
    record = RECORDS[name]
    inputs = record["inputs"]
    sizes = np.geomspace(*inputs["d_um"], 30)
    passing = crack_penetration(sizes, Crack(inputs["height_mm"], inputs["depth_m"]), inputs["drop_pa"])
    low, high = record["expected"]
    assert (passing >= low).all()
    assert (passing <= high).all()


@given(st.floats(0.005, 100.0), st.floats(0.05, 20.0), st.floats(0.005, 0.5), st.integers(0, 3), st.floats(0.01, 500.0))
@settings(max_examples=100)
def test_penetration_is_a_share_and_a_harder_push_never_lowers_it_without_bends(
    diameter: float, height: float, depth: float, bends: int, drop: float
) -> None:
    bent = float(crack_penetration(diameter, Crack(height, depth, bends), drop))
    straight = float(crack_penetration(diameter, Crack(height, depth), drop))
    assert 0.0 <= bent <= 1.0
    assert float(crack_penetration(diameter, Crack(height, depth), drop * 2.0)) >= straight - 1e-12


def test_a_shell_lets_the_accumulation_mode_in_and_holds_back_the_finest_and_the_coarsest() -> None:
    finest, middle, coarse = penetration_factor(np.array([0.01, 0.3, 10.0]))
    assert finest < middle > coarse
    assert middle > 0.9


def test_a_shell_of_one_crack_is_that_crack() -> None:
    sizes = np.array([0.03, 0.5, 4.0])
    crack = TYPICAL_SHELL[0]
    assert penetration_factor(sizes, (crack,)) == pytest.approx(crack_penetration(sizes, crack, 4.0))


def test_impossible_surfaces_and_cracks_are_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"^upward_per_m: "):
        RoomSurfaces(-0.1, 0.4, 1.0)
    with pytest.raises(ValueError, match=r"^height_m: "):
        RoomSurfaces.of_bare_room(4.0, 4.0, 0.0)
    with pytest.raises(ValueError, match=r"^height_mm: "):
        Crack(0.0, 0.1)
    with pytest.raises(ValueError, match=r"^cracks: "):
        penetration_factor(1.0, ())
    with pytest.raises(ValueError, match=r"^drop_pa: "):
        penetration_factor(1.0, drop_pa=0.0)
    with pytest.raises(ValueError, match=r"^friction_velocity_m_s: "):
        deposition_rate(10.0, friction_velocity_m_s=50.0)
