"""The air of the simulated house: particle sizes, and how each size enters, settles and is caught.

Written for the demo alone and on purpose apart from the model that the demo tries out: many narrow size classes, and
other published forms for each effect. Diameters are aerodynamic, um; density 1000 kg/m3; air at 20 degC, sea level.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

VISCOSITY_PA_S = 1.81e-5
MEAN_FREE_PATH_UM = 0.066
THERMAL_ENERGY_J = 1.380649e-23 * 293.15
GRAVITY_M_S2 = 9.81

SMALLEST_UM, PM25_UM, LARGEST_UM = 0.01, 2.5, 10.0


@dataclass(frozen=True, eq=False)
class SizeClasses:
    """Size classes evenly spaced in log d up to 2.5 um and again from there to 10 um, so that PM2.5 is whole classes.

    `edges_um` has one entry more than `diameter_um`, the geometric middle of each class; `fine` marks those in PM2.5.
    """

    edges_um: Array
    diameter_um: Array
    fine: Array

    @classmethod
    def of(cls, count: int) -> "SizeClasses":
        """`count` classes, a quarter of them above 2.5 um; raises ValueError for fewer than 4."""
        if count < 4:
            raise ValueError(f"{count} size classes cannot tell fine from coarse particles; take at least 4")
        coarse = count // 4
        below = np.geomspace(SMALLEST_UM, PM25_UM, count - coarse + 1)
        edges = np.concatenate([below, np.geomspace(PM25_UM, LARGEST_UM, coarse + 1)[1:]])
        return cls(edges, np.sqrt(edges[1:] * edges[:-1]), (np.arange(count) < count - coarse).astype(np.float64))

    def shares(self, *modes: tuple[float, float, float]) -> Array:
        """Mass in each class per mass of PM2.5, from log-normal modes (mass, median um, geometric sd)."""
        mass = np.zeros_like(self.diameter_um)
        for amount, median_um, geometric_sd in modes:
            mass += amount * np.diff(ndtr(np.log(self.edges_um / median_um) / np.log(geometric_sd)))
        return mass / (self.fine @ mass)


# Accumulation and coarse mode of the average urban aerosol, Whitby (1978), from memory; volume read as mass.
OUTDOOR_MODES = ((38.4, 0.32, 2.16), (30.8, 5.7, 2.21))
# Cooking: sub-micrometre smoke and a little spatter; invented, of the order of what kitchens are reported to make.
COOKING_MODES = ((0.92, 0.28, 1.9), (0.08, 3.0, 1.9))


def slip_correction(diameter_um: Array) -> Array:
    """Slip correction: Cc = 1 + (l/d) (2.34 + 1.05 exp(-0.39 d/l)), Hinds (1999), eq. 3.20."""
    ratio = diameter_um / MEAN_FREE_PATH_UM
    return 1.0 + (2.34 + 1.05 * np.exp(-0.39 * ratio)) / ratio


def settling_velocity_m_s(diameter_um: Array) -> Array:
    """Terminal velocity in still air, Stokes with slip."""
    diameter_m = diameter_um * 1e-6
    return 1000.0 * diameter_m**2 * GRAVITY_M_S2 * slip_correction(diameter_um) / (18.0 * VISCOSITY_PA_S)


def diffusivity_m2_s(diameter_um: Array) -> Array:
    """Brownian diffusion coefficient, Stokes and Einstein."""
    return THERMAL_ENERGY_J * slip_correction(diameter_um) / (3.0 * np.pi * VISCOSITY_PA_S * diameter_um * 1e-6)


def deposition_per_h(
    diameter_um: Array, ceiling_height_m: float, wall_area_per_volume_per_m: float, turbulence_per_s: float
) -> Array:
    """Loss to floor, ceiling and upright surfaces of stirred air, 1/h.

    Corner and Pendlebury (1951), from memory: diffusion to upright surfaces (2/pi) sqrt(K D), with settling
    v coth(x/2) to the floor and v / (exp(x) - 1) to the ceiling, x = pi v / (2 sqrt(K D)).
    """
    settling = settling_velocity_m_s(diameter_um)
    eddy = np.sqrt(turbulence_per_s * diffusivity_m2_s(diameter_um))
    x = np.minimum(np.pi * settling / (2.0 * eddy), 500.0)
    upright = 2.0 / np.pi * eddy * wall_area_per_volume_per_m
    level = (settling / np.tanh(x / 2.0) + settling / np.expm1(x)) / ceiling_height_m
    return 3600.0 * (upright + level)


def crack_penetration(diameter_um: Array, height_mm: float, depth_m: float, drop_pa: float) -> Array:
    """Share of the particles that pass a smooth straight level crack, 0..1.

    Liu and Nazaroff (2001), from memory: settling 1 - v z / (h U) times diffusion between plates
    0.915 exp(-1.885 f) + 0.0592 exp(-22.3 f) + 0.026 exp(-152 f), f = 4 D z / (h^2 U), U = h^2 dp / (12 mu z).
    """
    height_m = height_mm * 1e-3
    speed = height_m**2 * drop_pa / (12.0 * VISCOSITY_PA_S * depth_m)
    settling = np.maximum(1.0 - settling_velocity_m_s(diameter_um) * depth_m / (height_m * speed), 0.0)
    f = 4.0 * diffusivity_m2_s(diameter_um) * depth_m / (height_m**2 * speed)
    diffusion = 0.915 * np.exp(-1.885 * f) + 0.0592 * np.exp(-22.3 * f) + 0.026 * np.exp(-152.0 * f)
    return settling * np.minimum(diffusion, 1.0)


# An invented pleated filter somewhat above the MERV 13 minima, least efficient between 0.2 and 0.3 um.
_FILTER_DIAMETER_UM = (0.01, 0.03, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 2.0, 3.0, 5.0, 10.0)
_FILTER_EFFICIENCY = (0.95, 0.82, 0.62, 0.54, 0.54, 0.62, 0.70, 0.80, 0.90, 0.94, 0.96, 0.98)


def filter_efficiency(diameter_um: Array) -> Array:
    """Single-pass efficiency of the filter's medium, without gaps, 0..1."""
    return np.interp(np.log(diameter_um), np.log(_FILTER_DIAMETER_UM), _FILTER_EFFICIENCY)


def coil_and_duct_efficiency(diameter_um: Array) -> Array:
    """Share settling on coil and ducts in one pass: 1 % of fine, 11 % of 10 um particles.

    Of the order reported for residential coils by Siegel and Nazaroff (2003), from memory.
    """
    return 0.01 * (1.0 + diameter_um)


def gap_airflow_m3h(drop_pa: float, length_m: float, width_m: float, depth_m: float, bends: int) -> float:
    """Airflow through a gap beside the filter, m3/h.

    Positive root of dp = 12 mu z Q / (L w^3) + rho (1.5 + bends) Q^2 / (2 w^2 L^2), Baker, Sharples and Ward (1987).
    """
    linear = 12.0 * VISCOSITY_PA_S * depth_m / (length_m * width_m**3)
    square = 1.2 * (1.5 + bends) / (2.0 * (width_m * length_m) ** 2)
    return float(3600.0 * 2.0 * drop_pa / (linear + np.sqrt(linear**2 + 4.0 * square * drop_pa)))
