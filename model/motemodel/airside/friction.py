"""Velocity pressure, pipe friction and equivalent diameter."""

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, within

_LAMINAR_END = 2300.0
_TURBULENT_START = 4000.0
_NEWTON_STEPS = 3


def velocity_pressure_pa(velocity_m_s: ArrayLike, density_kg_m3: float) -> FloatArray:
    """Velocity pressure, Pa: half of density times velocity squared (Bernoulli), velocity 0 to 100 m/s.

    The trade's (V/4005)2, in.w.c. and fpm, is the same with a rounded constant.
    """
    velocity = within("velocity", velocity_m_s, 0.0, 100.0, "m/s")
    return np.asarray(0.5 * density_kg_m3 * velocity**2)


def friction_factor(reynolds: ArrayLike, relative_roughness: float) -> FloatArray:
    """Darcy friction factor of a round duct, dimensionless, in the shape of `reynolds`.

    Laminar 64/Re up to Re 2300 (Poiseuille); from 4000 on Colebrook (1939), ASHRAE Handbook Fundamentals (2017),
    chapter 21, eq. 19, solved by Newton's method from Haaland's (1983) start to rounding; between the two, where no law
    is sure, a straight line. Reynolds number to 1e8, relative roughness 0 to 0.05; ValueError outside. Standing air
    (Re 0) is given the factor of Re 1e-6: times a velocity of zero it drops nothing.
    """
    number = np.maximum(within("Reynolds number", reynolds, 0.0, 1e8), 1e-6)
    within("relative roughness", relative_roughness, 0.0, 0.05)
    laminar = 64.0 / np.minimum(number, _LAMINAR_END)
    turbulent = _colebrook(np.maximum(number, _TURBULENT_START), relative_roughness)
    weight = np.clip((number - _LAMINAR_END) / (_TURBULENT_START - _LAMINAR_END), 0.0, 1.0)
    return np.asarray((1.0 - weight) * laminar + weight * turbulent)


def equivalent_diameter_m(width_m: float, height_m: float) -> float:
    """Diameter, m, of the round duct with the friction of a rectangular one at the same airflow.

    Huebscher (1948), ASHRAE Handbook Fundamentals (2017), chapter 21, eq. 25: 1.30 (a b)^0.625 / (a + b)^0.25. Sides
    0.02 to 5 m and at most eight to one; ValueError outside.
    """
    within("duct width", width_m, 0.02, 5.0, "m")
    within("duct height", height_m, 0.02, 5.0, "m")
    within("duct sides, longer over shorter", max(width_m, height_m) / min(width_m, height_m), 1.0, 8.0)
    return float(1.30 * (width_m * height_m) ** 0.625 / (width_m + height_m) ** 0.25)


def _colebrook(reynolds: FloatArray, relative_roughness: float) -> FloatArray:
    """Colebrook's factor: root x = 1/sqrt(f) of x + 2 log10(e/3.7 + 2.51 x / Re) = 0."""
    rough = relative_roughness / 3.7
    x = -1.8 * np.log10(rough**1.11 + 6.9 / reynolds)
    for _ in range(_NEWTON_STEPS):
        inner = rough + 2.51 * x / reynolds
        excess = x + 2.0 * np.log10(inner)
        slope = 1.0 + 2.0 / np.log(10.0) * 2.51 / (reynolds * inner)
        x = x - excess / slope
    return np.asarray(x**-2)
