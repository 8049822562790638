"""Airflow from what can be measured on site, and the density of the air it is measured in."""

import numpy as np
import scipy
from numpy.typing import ArrayLike

from ..bounds import FloatArray, within
from ..particles import Air
from ..units import FOOT_M, SECONDS_PER_HOUR
from .resistance import LARGEST_AIRFLOW_M3H, Resistance

STANDARD_DENSITY_KG_M3 = 0.075 * 0.45359237 / FOOT_M**3
"""Standard air of the trade, 0.075 lb/ft3."""

SPECIFIC_HEAT_J_KG_K = 0.24 * 4186.8
"""Specific heat of air, 0.24 Btu/(lb degF)."""


def density_ratio(air: Air) -> float:
    """Density of `air` over standard air's 0.075 lb/ft3: the factor on fan and duct pressures at altitude.

    >>> round(density_ratio(Air.at_altitude(1600.0, temperature_c=20.0)), 3)
    0.826
    """
    return air.density_kg_m3 / STANDARD_DENSITY_KG_M3


def airflow_from_temperature_rise(
    heat_w: ArrayLike, temperature_rise_k: ArrayLike, density_kg_m3: float = STANDARD_DENSITY_KG_M3
) -> FloatArray:
    """Airflow, m3/h, that carries a heat (W, what reaches the air: input times efficiency) at a temperature rise (K).

    Q = heat / (density specific_heat rise): the trade's Btu/h = 1.08 cfm degF for standard air, 0.075 lb/ft3, here for
    any density. Heat 100 to 1e5 W, rise 2 to 60 K, density 0.7 to 1.5 kg/m3, that of the air where the airflow is
    wanted; ValueError outside. Read the rise out of sight of the heat exchanger, after ten minutes or so.
    """
    heat = within("heat into the air", heat_w, 100.0, 1e5, "W")
    rise = within("temperature rise", temperature_rise_k, 2.0, 60.0, "K")
    within("air density", density_kg_m3, 0.7, 1.5, "kg/m3")
    return np.asarray(SECONDS_PER_HOUR * heat / (density_kg_m3 * SPECIFIC_HEAT_J_KG_K * rise))


def airflow_from_drop(resistance: Resistance, drop_pa: float) -> float:
    """Airflow, m3/h, at which a known resistance (a calibrated filter, a flow plate) shows a measured drop (Pa).

    The inverse of the resistance, by Brent's method; 0 at no drop. Raises ValueError for a drop below 0 or above what
    the resistance shows at 1e5 m3/h.
    """
    within("measured drop", drop_pa, 0.0, float(resistance(LARGEST_AIRFLOW_M3H)), "Pa")
    return float(
        scipy.optimize.brentq(
            lambda airflow: float(resistance(airflow)) - drop_pa, 0.0, LARGEST_AIRFLOW_M3H, xtol=1e-9, rtol=1e-12
        )
    )
