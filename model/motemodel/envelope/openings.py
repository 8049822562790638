"""Air through windows that stand open."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.constants import g, zero_Celsius

from ..bounds import FloatArray, within
from ..units import SECONDS_PER_HOUR
from .weather import Weather


def single_sided_airflow(
    area_m2: ArrayLike, height_m: float, *, indoor_c: ArrayLike, outdoor_c: ArrayLike, wind_m_s: ArrayLike
) -> FloatArray:
    """Airflow, m3/h, through windows open on one side of a room with the doors shut.

    De Gids and Phaff (1982), Air Infiltration Review 4(1), the form also used by EN 15242:
    Q = A/2 sqrt(0.001 U2 + 0.0035 h |dT| + 0.01), with the free area A in m2 (0 to 50), the height h of the opening
    (0.05 to 5 m), station wind U in m/s (0 to 60) and temperatures in degC (-60 to 60). Arrays broadcast together.
    Raises ValueError outside these ranges.
    """
    area = within("open area", area_m2, 0.0, 50.0, "m2")
    height = float(within("height of the opening", height_m, 0.05, 5.0, "m"))
    weather = Weather.checked(indoor_c, outdoor_c, wind_m_s)
    velocity = np.sqrt(0.001 * weather.wind_m_s**2 + 0.0035 * height * weather.difference_k + 0.01)
    return np.asarray(SECONDS_PER_HOUR * area / 2.0 * velocity)


def cross_airflow(
    inlet_m2: ArrayLike,
    outlet_m2: ArrayLike,
    height_difference_m: float,
    *,
    indoor_c: ArrayLike,
    outdoor_c: ArrayLike,
    wind_m_s: ArrayLike,
    wind_effectiveness: float = 0.3,
) -> FloatArray:
    """Airflow, m3/h, through a house with windows open on different sides or floors.

    ASHRAE Handbook Fundamentals (2017), chapter 16, eqs. 38 and 39, combined in quadrature as the same chapter
    advises: wind Q = C_v A U and stack Q = 0.65 A sqrt(2 g H |dT| / T_warm). Unequal openings act in series as
    A = sqrt(2) A_in A_out / sqrt(A_in2 + A_out2), which is the common area where they are equal. `wind_effectiveness`
    C_v is 0.5 to 0.6 for wind square on the inlet, 0.25 to 0.35 for wind on the slant. `height_difference_m` H is half
    the rise from inlet to outlet (both equal: the neutral level lies midway). Areas 0 to 50 m2, H 0 to 10 m. Raises
    ValueError outside.
    """
    inlet = within("inlet area", inlet_m2, 0.0, 50.0, "m2")
    outlet = within("outlet area", outlet_m2, 0.0, 50.0, "m2")
    height = float(within("height difference", height_difference_m, 0.0, 10.0, "m"))
    weather = Weather.checked(indoor_c, outdoor_c, wind_m_s)
    within("wind effectiveness", wind_effectiveness, 0.0, 0.65)
    larger = np.maximum(inlet, outlet)
    smaller = np.minimum(inlet, outlet)
    ratio = np.divide(smaller, larger, out=np.zeros(np.broadcast(inlet, outlet).shape), where=larger > 0.0)
    area = smaller * np.sqrt(2.0 / (1.0 + ratio**2))
    warm_k = np.maximum(weather.indoor_c, weather.outdoor_c) + zero_Celsius
    stack = 0.65 * np.sqrt(2.0 * g * height * weather.difference_k / warm_k)
    return np.asarray(SECONDS_PER_HOUR * area * np.hypot(wind_effectiveness * weather.wind_m_s, stack))
