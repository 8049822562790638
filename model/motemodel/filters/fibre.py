"""Single-fibre theory: what a mat of fibres of given size, solidity and thickness catches, and what it costs in drop.

Equation numbers are those of Hinds, Aerosol Technology, 2nd ed. (1999), chapter 9. The theory holds for laminar flow
across the fibres (fibre Reynolds number below 1), solidity 0.001 to 0.3, no bounce and no deposit on the fibres. The
electrostatic term is from memory of the paper named and has no published figure beside it in the tests.
"""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import scipy
from numpy.typing import ArrayLike
from scipy.constants import Boltzmann, elementary_charge, epsilon_0, g

from ..bounds import FloatArray, not_negative, positive, within
from ..particles import (
    ROOM_AIR,
    UNIT_DENSITY,
    Air,
    diffusion_coefficient,
    relaxation_time,
    slip_correction,
)

FIBRE_PERMITTIVITY = 2.25
"""Relative permittivity of polypropylene, the usual electret fibre."""

_PARTICLE_POLARISABILITY = 0.6
"""(e - 1)/(e + 2) of a particle with relative permittivity 5.5, mineral dust or salt."""


@dataclass(frozen=True)
class FibrousMedia:
    """A mat: mean fibre diameter (um), solidity (fibre volume share), thickness (mm), fibre charge (C/m2, 0 = none)."""

    fibre_um: float
    solidity: float
    thickness_mm: float
    charge_c_m2: float = 0.0

    def __post_init__(self) -> None:
        within("fibre_um", self.fibre_um, 0.05, 200.0, "um")
        within("thickness_mm", self.thickness_mm, 1e-3, 1e3, "mm")
        within("charge_c_m2", self.charge_c_m2, 0.0, 1e-3, "C/m2")
        if not 0.001 <= self.solidity <= 0.3:
            raise ValueError(f"solidity: {self.solidity} is outside 0.001..0.3; give the share of volume that is fibre")

    @property
    def kuwabara(self) -> float:
        """Kuwabara's hydrodynamic factor, eq. 9.22."""
        return float(-np.log(self.solidity) / 2.0 - 0.75 + self.solidity - self.solidity**2 / 4.0)

    @property
    def depth_per_efficiency(self) -> float:
        """4 a t / (pi df): layers of fibre a particle meets on its way through, eq. 9.19."""
        return 4.0 * self.solidity * self.thickness_mm * 1e3 / (np.pi * self.fibre_um)

    def discharged(self) -> "FibrousMedia":
        """The same mat without its charge."""
        return replace(self, charge_c_m2=0.0)


class Mechanisms(NamedTuple):
    """Single-fibre efficiency by each mechanism, over size."""

    interception: FloatArray
    impaction: FloatArray
    diffusion: FloatArray
    diffusion_interception: FloatArray
    gravity: FloatArray
    electrostatic: FloatArray

    @property
    def total(self) -> FloatArray:
        """Their sum, at most 1 (eq. 9.33)."""
        return np.asarray(np.minimum(np.sum(self, axis=0), 1.0))


def single_fibre_efficiency(
    media: FibrousMedia,
    diameter_um: ArrayLike,
    velocity_m_s: float,
    *,
    air: Air = ROOM_AIR,
    density_kg_m3: float = UNIT_DENSITY,
    particle_charges: float = 0.0,
) -> Mechanisms:
    """Single-fibre efficiencies over size at a velocity inside the mat (m/s).

    Eqs 9.21 (interception), 9.24-9.25 (impaction), 9.27 (diffusion), 9.28 (interception of diffusing particles), 9.30
    (gravity, flow downward); the electrostatic term: Lathrache & Fissan (1986), Proc. 4th World Filtration Congress,
    for a charged fibre that polarises the particle and, with `particle_charges` elementary charges, attracts it.
    """
    velocity = float(positive("velocity_m_s", velocity_m_s))
    reynolds = media.fibre_um * 1e-6 * velocity / air.kinematic_viscosity_m2_s
    if reynolds > 1.0:
        raise ValueError(f"velocity_m_s: {velocity} gives a fibre Reynolds number of {reynolds:.2g}; give 1 or less")
    ratio = positive("diameter_um", diameter_um) / media.fibre_um
    open_share, kuwabara = 1.0 - media.solidity, media.kuwabara
    relaxation = relaxation_time(diameter_um, air, density_kg_m3)
    peclet = media.fibre_um * 1e-6 * velocity / diffusion_coefficient(diameter_um, air)
    stokes = relaxation * velocity / (media.fibre_um * 1e-6)
    return Mechanisms(
        interception=open_share * ratio**2 / (kuwabara * (1.0 + ratio)),
        impaction=stokes * _impaction_factor(ratio, media.solidity) / (2.0 * kuwabara**2),
        diffusion=2.0 * peclet ** (-2.0 / 3.0),
        diffusion_interception=1.24 * ratio ** (2.0 / 3.0) / np.sqrt(kuwabara * peclet),
        gravity=relaxation * g / velocity * (1.0 + ratio),
        electrostatic=_electrostatic(media, diameter_um, velocity, air, particle_charges),
    )


def media_depth(
    media: FibrousMedia,
    diameter_um: ArrayLike,
    velocity_m_s: float,
    *,
    air: Air = ROOM_AIR,
    density_kg_m3: float = UNIT_DENSITY,
) -> FloatArray:
    """-ln(penetration) of the mat over size: layers met times single-fibre efficiency, eq. 9.19."""
    mechanisms = single_fibre_efficiency(media, diameter_um, velocity_m_s, air=air, density_kg_m3=density_kg_m3)
    return np.asarray(media.depth_per_efficiency * mechanisms.total)


def media_efficiency(
    media: FibrousMedia,
    diameter_um: ArrayLike,
    velocity_m_s: float,
    *,
    air: Air = ROOM_AIR,
    density_kg_m3: float = UNIT_DENSITY,
) -> FloatArray:
    """Efficiency (0..1) of the mat over size at a velocity inside it (m/s).

    >>> media = FibrousMedia(fibre_um=2.0, solidity=0.05, thickness_mm=1.0)
    >>> round(float(media_efficiency(media, 0.3, 0.1)), 3)
    0.825
    """
    return np.asarray(-np.expm1(-media_depth(media, diameter_um, velocity_m_s, air=air, density_kg_m3=density_kg_m3)))


def media_drop_pa(media: FibrousMedia, velocity_m_s: ArrayLike, air: Air = ROOM_AIR) -> FloatArray:
    """Clean drop of the mat, Pa: 64 mu U t a^1.5 (1 + 56 a^3) / df^2; Davies (1953), eq. 9.36, solidity 0.006..0.3."""
    velocity = not_negative("velocity_m_s", velocity_m_s)
    packing = 64.0 * media.solidity**1.5 * (1.0 + 56.0 * media.solidity**3)
    thickness, fibre = media.thickness_mm * 1e-3, media.fibre_um * 1e-6
    return np.asarray(packing * air.viscosity_pa_s * velocity * thickness / fibre**2)


def most_penetrating_size(media: FibrousMedia, velocity_m_s: float, air: Air = ROOM_AIR) -> float:
    """Diameter (um) that the mat catches least, by search over 0.005 to 5 um."""
    found = scipy.optimize.minimize_scalar(
        lambda log_diameter: float(media_depth(media, np.exp(log_diameter), velocity_m_s, air=air)),
        bounds=(np.log(0.005), np.log(5.0)),
        method="bounded",
        options={"xatol": 1e-6},
    )
    return float(np.exp(found.x))


def most_penetrating_size_lee_liu(media: FibrousMedia, velocity_m_s: float, air: Air = ROOM_AIR) -> float:
    """Diameter (um) caught least by diffusion and interception alone; Lee & Liu (1980), JAPCA 30, eq. 9.34."""
    velocity = float(positive("velocity_m_s", velocity_m_s))
    path, fibre = air.mean_free_path_um * 1e-6, media.fibre_um * 1e-6
    hydrodynamic = media.kuwabara / (1.0 - media.solidity)
    thermal = np.sqrt(path) * Boltzmann * air.temperature_k / air.viscosity_pa_s
    return float(0.885 * (hydrodynamic * thermal * fibre**2 / velocity) ** (2.0 / 9.0) * 1e6)


def quality_factor(efficiency: ArrayLike, drop_pa: ArrayLike) -> FloatArray:
    """-ln(1 - efficiency) / drop, 1/Pa: the figure that rises when a media cleans more for the same drop (eq. 9.38)."""
    caught = positive("efficiency", efficiency)
    if (caught >= 1.0).any():
        raise ValueError("efficiency: a filter that catches all has no quality factor; give a fraction below 1")
    return np.asarray(-np.log1p(-caught) / positive("drop_pa", drop_pa))


def _impaction_factor(ratio: FloatArray, solidity: float) -> FloatArray:
    """J of eq. 9.25: a polynomial in the interception ratio R up to 0.4 and 2.0 for large R.

    The two do not meet for dense mats, so J is led in a straight line from R = 0.4 to 2.0 at R = 0.5.
    """

    def polynomial(r: FloatArray) -> FloatArray:
        return np.asarray((29.6 - 28.0 * solidity**0.62) * r**2 - 27.5 * r**2.8)

    low = polynomial(np.minimum(ratio, 0.4))
    return np.asarray(low + np.clip((ratio - 0.4) / 0.1, 0.0, 1.0) * (2.0 - low))


def _electrostatic(
    media: FibrousMedia, diameter_um: ArrayLike, velocity: float, air: Air, particle_charges: float
) -> FloatArray:
    diameter = np.asarray(diameter_um, dtype=np.float64) * 1e-6
    mobility = slip_correction(diameter_um, air) / air.viscosity_pa_s
    field = media.charge_c_m2 / (epsilon_0 * (1.0 + FIBRE_PERMITTIVITY))
    polarisation = (
        (2.0 / 3.0)
        * _PARTICLE_POLARISABILITY
        * mobility
        * diameter**2
        * epsilon_0
        * field**2
        / (media.fibre_um * 1e-6 * velocity)
    )
    attraction = mobility * abs(particle_charges) * elementary_charge * field / (3.0 * np.pi * diameter * velocity)
    crowding = ((1.0 - media.solidity) / media.kuwabara) ** 0.4

    def captured(number: FloatArray) -> FloatArray:
        return np.asarray(crowding * np.pi * number / (1.0 + 2.0 * np.pi * number ** (2.0 / 3.0)))

    return captured(polarisation) + captured(attraction)
