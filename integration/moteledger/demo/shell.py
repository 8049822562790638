"""The shell of the simulated house: what leaks through it and what blows in at open windows."""

import math

from motemodel.units import FOOT_M

VOLUME_M3 = 1900.0 * FOOT_M**2 * 8.0 * FOOT_M
CEILING_HEIGHT_M = 8.0 * FOOT_M
AIR_CHANGES_50_PER_H = 7.5
LEAKAGE_EXPONENT = 0.65

# Enhanced model for a two-storey house on a crawl space without flue, shelter class 4: ASHRAE Handbook, Fundamentals
# (2017), ch. 16, tables 7 to 9, from memory. Stack in (Pa/K)^n, wind in (Pa s2/m2)^n.
_STACK, _WIND, _SHELTER = 0.078, 0.142, 0.50
_FLOW_M3H_PA = AIR_CHANGES_50_PER_H * VOLUME_M3 / 50.0**LEAKAGE_EXPONENT

_OPENING_AREA_M2, _OPENING_HEIGHT_M = 2.4, 1.2


def infiltration_m3h(temperature_difference_k: float, wind_m_s: float) -> float:
    """Air change through the leaks of the shell, m3/h: stack and wind by the enhanced model, added in quadrature.

    Walker and Wilson (1998), in the form of ASHRAE Fundamentals (2017), ch. 16, from memory.
    """
    stack = _FLOW_M3H_PA * _STACK * abs(temperature_difference_k) ** LEAKAGE_EXPONENT
    wind = _FLOW_M3H_PA * _WIND * (_SHELTER * wind_m_s) ** (2.0 * LEAKAGE_EXPONENT)
    return math.hypot(stack, wind)


def window_airflow_m3h(temperature_difference_k: float, wind_m_s: float) -> float:
    """Single-sided airflow through the open windows, m3/h; de Gids and Phaff (1982), from memory."""
    driving = 0.001 * wind_m_s**2 + 0.0035 * _OPENING_HEIGHT_M * abs(temperature_difference_k) + 0.01
    return 3600.0 * 0.5 * _OPENING_AREA_M2 * math.sqrt(driving)
