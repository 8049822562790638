"""What a house's own surfaces do to particles: deposition in rooms and losses in the cracks of the shell.

The equations are from memory of the papers named; the tests solve the underlying transport problems beside them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, not_negative, positive, within
from ..units import SECONDS_PER_HOUR
from .air import ROOM_AIR, Air
from .motion import UNIT_DENSITY, diffusion_coefficient, relaxation_time, settling_velocity

_SUBLAYER = 4.3
"""Wall units: up to here the near-wall eddies grow as the cube of the distance (Lai & Nazaroff)."""


@dataclass(frozen=True)
class RoomSurfaces:
    """Area of upward-facing, downward-facing and vertical surface per volume of room, 1/m each."""

    upward_per_m: float
    downward_per_m: float
    vertical_per_m: float

    def __post_init__(self) -> None:
        not_negative("upward_per_m", self.upward_per_m)
        not_negative("downward_per_m", self.downward_per_m)
        not_negative("vertical_per_m", self.vertical_per_m)

    @classmethod
    def of_bare_room(cls, length_m: float, width_m: float, height_m: float) -> "RoomSurfaces":
        """Floor, ceiling and four walls of an empty room (m)."""
        for place, value in (("length_m", length_m), ("width_m", width_m), ("height_m", height_m)):
            positive(place, value)
        return cls(1.0 / height_m, 1.0 / height_m, 2.0 / length_m + 2.0 / width_m)


FURNISHED_ROOM = RoomSurfaces(upward_per_m=0.5, downward_per_m=0.5, vertical_per_m=2.0)
"""A lived-in room of ordinary height, about 3 m2 of surface to each m3 (common practice, no source)."""


def deposition_velocities(
    diameter_um: ArrayLike,
    friction_velocity_m_s: float = 0.01,
    air: Air = ROOM_AIR,
    density_kg_m3: float = UNIT_DENSITY,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Deposition velocity to smooth upward-facing, downward-facing and vertical surfaces, m/s, in this order.

    Lai & Nazaroff (2000), J. Aerosol Sci. 31, 463-476: diffusion and turbulence across the wall layer, and
    gravity. Rooms have friction velocities of 0.003 to 0.03 m/s. Raises ValueError when a particle is larger than the
    layer the theory integrates over (radius above 4.3 wall units; never so in a room).
    """
    diameter = positive("diameter_um", diameter_um)
    friction = float(positive("friction_velocity_m_s", friction_velocity_m_s))
    viscosity = air.kinematic_viscosity_m2_s
    radius = diameter * 1e-6 / 2.0 * friction / viscosity
    if (radius >= _SUBLAYER).any():
        raise ValueError(
            f"friction_velocity_m_s: at {friction} a particle of {float(diameter.max())} um is thicker than the wall "
            "layer; give a room's friction velocity, 0.003 to 0.03"
        )
    schmidt = viscosity / diffusion_coefficient(diameter, air)
    resistance = _wall_layer_integral(schmidt, radius)
    settling = settling_velocity(diameter, air, density_kg_m3)
    # v/(1 - exp(-x)) and v/(exp(x) - 1) with x = v I/u*; far above x = 700 a ceiling receives nothing.
    drift = np.minimum(settling * resistance / friction, 700.0)
    upward = settling / -np.expm1(-drift)
    downward = settling / np.expm1(drift)
    return upward, downward, friction / resistance


def deposition_rate(
    diameter_um: ArrayLike,
    surfaces: RoomSurfaces = FURNISHED_ROOM,
    friction_velocity_m_s: float = 0.01,
    air: Air = ROOM_AIR,
    density_kg_m3: float = UNIT_DENSITY,
) -> FloatArray:
    """First-order loss to room surfaces over size, 1/h (see `deposition_velocities`).

    Smooth surfaces in well-mixed air: a floor. Fabric, carpet and warm or charged surfaces take more; decay tests in
    lived-in homes give several times as much between 0.1 and 1 um.
    """
    upward, downward, vertical = deposition_velocities(diameter_um, friction_velocity_m_s, air, density_kg_m3)
    per_second = (
        upward * surfaces.upward_per_m + downward * surfaces.downward_per_m + vertical * surfaces.vertical_per_m
    )
    return np.asarray(per_second * SECONDS_PER_HOUR)


def _wall_layer_integral(schmidt: FloatArray, radius: FloatArray) -> FloatArray:
    """The integral I of Lai & Nazaroff (2000) in closed form, from the particle's radius to 30 wall units."""
    thickness = 10.92 * schmidt ** (-1.0 / 3.0)

    def primitive(distance: FloatArray) -> FloatArray:
        logarithm = 0.5 * np.log((thickness + distance) ** 3 / (1.0 / schmidt + 7.669e-4 * distance**3))
        angle = np.arctan((2.0 * distance - thickness) / (np.sqrt(3.0) * thickness))
        return np.asarray(logarithm + np.sqrt(3.0) * angle)

    return np.asarray(3.64 * schmidt ** (2.0 / 3.0) * (primitive(np.asarray(_SUBLAYER)) - primitive(radius)) + 39.0)


@dataclass(frozen=True)
class Crack:
    """A slot air passes through: height across the flow (mm), depth along the flow (m), 90 degree bends, length (m)."""

    height_mm: float
    depth_m: float
    bends: int = 0
    length_m: float = 1.0

    def __post_init__(self) -> None:
        within("height_mm", self.height_mm, 1e-3, 1e3, "mm")
        within("depth_m", self.depth_m, 1e-4, 10.0, "m")
        within("bends", self.bends, 0, 20)
        within("length_m", self.length_m, 0.0, 1e4, "m")

    @property
    def area_m2(self) -> float:
        """Opening area, m2."""
        return self.height_mm * 1e-3 * self.length_m


def crack_resistance(crack: Crack, air: Air = ROOM_AIR) -> tuple[float, float]:
    """Coefficients of drop = linear U + quadratic U2 in a crack, Pa s/m and Pa s2/m2, U the mean velocity in it.

    drop = 12 mu z U/h2 + (1.5 + n) rho U2/2: Baker, Sharples & Ward (1987), Build. Environ. 22, 293-304; depth z,
    height h, n bends. Laminar friction and end losses; where a wide short slot turns turbulent the end losses already
    dominate.
    """
    linear = 12.0 * air.viscosity_pa_s * crack.depth_m / (crack.height_mm * 1e-3) ** 2
    return linear, (1.5 + crack.bends) * air.density_kg_m3 / 2.0


def crack_velocity(crack: Crack, drop_pa: ArrayLike, air: Air = ROOM_AIR) -> FloatArray:
    """Mean velocity in a crack, m/s, at a pressure drop (Pa, zero or more); see `crack_resistance`."""
    drop = not_negative("drop_pa", drop_pa)
    linear, quadratic = crack_resistance(crack, air)
    # The root of the quadratic in the form that keeps its digits when the drop is tiny.
    return np.asarray(2.0 * drop / (linear + np.sqrt(linear**2 + 4.0 * quadratic * drop)))


def crack_penetration(
    diameter_um: ArrayLike,
    crack: Crack,
    drop_pa: float,
    air: Air = ROOM_AIR,
    density_kg_m3: float = UNIT_DENSITY,
) -> FloatArray:
    """Share of particles that pass one horizontal smooth crack at a pressure drop (Pa), over size.

    Gravity, diffusion: Liu & Nazaroff (2001), Atmos. Environ. 35, 4451-4462 (diffusion after De Marcus & Thomas).
    Impaction at each bend: Pui, Romay-Novas & Liu (1987), Aerosol Sci. Technol. 7, 301-315.
    """
    positive("drop_pa", drop_pa)
    height = crack.height_mm * 1e-3
    velocity = crack_velocity(crack, drop_pa, air)
    settled = settling_velocity(diameter_um, air, density_kg_m3) * crack.depth_m / (height * velocity)
    after_gravity = np.clip(1.0 - settled, 0.0, 1.0)
    spread = 4.0 * diffusion_coefficient(diameter_um, air) * crack.depth_m / (height**2 * velocity)
    after_diffusion = np.minimum(
        0.915 * np.exp(-1.885 * spread) + 0.0592 * np.exp(-22.3 * spread) + 0.026 * np.exp(-152.0 * spread), 1.0
    )
    stokes = relaxation_time(diameter_um, air, density_kg_m3) * velocity / (height / 2.0)
    after_bends = 10.0 ** (-0.963 * stokes * crack.bends)
    return np.asarray(after_gravity * after_diffusion * after_bends)


TYPICAL_SHELL = (
    Crack(height_mm=0.25, depth_m=0.06, bends=1, length_m=4.0),
    Crack(height_mm=0.5, depth_m=0.06, bends=1, length_m=2.0),
    Crack(height_mm=1.0, depth_m=0.06, bends=1, length_m=1.0),
)
"""Equal opening areas of fine, middling and wide cracks. Which sizes a house leaks by is not known for any house."""


def penetration_factor(
    diameter_um: ArrayLike,
    cracks: Sequence[Crack] = TYPICAL_SHELL,
    drop_pa: float = 4.0,
    air: Air = ROOM_AIR,
    density_kg_m3: float = UNIT_DENSITY,
) -> FloatArray:
    """Penetration factor of a shell over size: `crack_penetration` weighted by the air each crack carries.

    Raises ValueError when the cracks carry no air.
    """
    positive("drop_pa", drop_pa)
    flows = [float(crack_velocity(crack, drop_pa, air)) * crack.area_m2 for crack in cracks]
    if sum(flows) <= 0.0:
        raise ValueError("cracks: they carry no air; give at least one crack with a length above zero")
    passing = [
        flow * crack_penetration(diameter_um, crack, drop_pa, air, density_kg_m3)
        for flow, crack in zip(flows, cracks, strict=True)
    ]
    return np.asarray(np.sum(passing, axis=0) / sum(flows))
