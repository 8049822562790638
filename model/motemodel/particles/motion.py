"""How one particle moves in still air: slip, settling, diffusion, relaxation.

Spheres of the given density; with the default 1000 kg/m3 the diameter is the aerodynamic one.
"""

import numpy as np
from numpy.typing import ArrayLike
from scipy.constants import Boltzmann, g

from ..bounds import FloatArray, positive, within
from .air import ROOM_AIR, Air

UNIT_DENSITY = 1000.0
"""kg/m3: the density at which aerodynamic and geometric diameter agree."""

_NEWTON_STEPS = 8
_HIGHEST_REYNOLDS = 800.0


def slip_correction(diameter_um: ArrayLike, air: Air = ROOM_AIR) -> FloatArray:
    """Cunningham slip correction: 1 + (l/d)(2.34 + 1.05 exp(-0.39 d/l)), l the mean free path.

    Allen & Raabe (1985), as Hinds, Aerosol Technology, 2nd ed. (1999), eq. 3.20; within 2.1 % for all sizes. Takes
    0.0001 to 10,000 um; ValueError outside.

    >>> round(float(slip_correction(0.1)), 3)
    2.928
    """
    ratio = within("diameter_um", diameter_um, 1e-4, 1e4, "um") / air.mean_free_path_um
    return 1.0 + (2.34 + 1.05 * np.exp(-0.39 * ratio)) / ratio


def relaxation_time(diameter_um: ArrayLike, air: Air = ROOM_AIR, density_kg_m3: float = UNIT_DENSITY) -> FloatArray:
    """Relaxation time in the Stokes regime, s: rho d2 Cc / (18 mu); Hinds eq. 5.3."""
    diameter_m = positive("diameter_um", diameter_um) * 1e-6
    density = positive("density_kg_m3", density_kg_m3)
    return np.asarray(density * diameter_m**2 * slip_correction(diameter_um, air) / (18.0 * air.viscosity_pa_s))


def settling_velocity(diameter_um: ArrayLike, air: Air = ROOM_AIR, density_kg_m3: float = UNIT_DENSITY) -> FloatArray:
    """Terminal settling velocity, m/s: Stokes' law with slip, and with the drag of Schiller & Naumann (1935) above it.

    Drag coefficient 24/Re (1 + 0.15 Re^0.687), valid to a Reynolds number of 800 (about 1.5 mm at unit density);
    ValueError beyond. Stokes' law alone is 0.5 % fast at 10 um and 22 % fast at 100 um.

    >>> float(np.round(settling_velocity(10.0) * 1000, 2))
    3.05
    """
    diameter_m = positive("diameter_um", diameter_um) * 1e-6
    stokes = relaxation_time(diameter_um, air, density_kg_m3) * g
    per_reynolds = air.kinematic_viscosity_m2_s / diameter_m
    target = stokes / per_reynolds
    # Re (1 + 0.15 Re^0.687) = Re of Stokes' law: rising and convex, so Newton from above never overshoots.
    reynolds = target
    for _ in range(_NEWTON_STEPS):
        slowed = 0.15 * reynolds**0.687
        reynolds = reynolds - (reynolds * (1.0 + slowed) - target) / (1.0 + 1.687 * slowed)
    if (reynolds > _HIGHEST_REYNOLDS).any():
        largest = float(np.max(np.asarray(diameter_um)))
        raise ValueError(f"diameter_um: {largest} settles beyond a Reynolds number of 800; give dust below 1 mm")
    return np.asarray(reynolds * per_reynolds)


def diffusion_coefficient(diameter_um: ArrayLike, air: Air = ROOM_AIR) -> FloatArray:
    """Brownian diffusion coefficient, m2/s: k T Cc / (3 pi mu d); Stokes-Einstein, Hinds eq. 7.7.

    >>> float(np.round(diffusion_coefficient(0.1) * 1e10, 2))
    6.95
    """
    diameter_m = positive("diameter_um", diameter_um) * 1e-6
    drag = 3.0 * np.pi * air.viscosity_pa_s * diameter_m / slip_correction(diameter_um, air)
    return np.asarray(Boltzmann * air.temperature_k / drag)
