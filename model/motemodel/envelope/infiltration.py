"""Air through a closed shell, hour by hour, driven by temperature (stack) and wind.

Both models are those of ASHRAE Handbook Fundamentals (2017), chapter 16: the basic one needs an effective leakage area
(Sherman and Grimsrud 1980), the enhanced one a flow coefficient and exponent (Walker and Wilson 1998, "AIM-2"). The
wind speed is that of the weather station, on open ground at 10 m; shelter and height are in the coefficients.
(Numbers of equations and tables from memory.)
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, within
from ..particles import Air
from ..particles.air import STANDARD_PRESSURE_PA
from .leakage import Leakage
from .weather import Weather

_STOREYS = (1.0, 2.0, 3.0)

BASIC_STACK = (0.000145, 0.000290, 0.000435)
"""(L/s)2 / (cm4 K) for one, two and three storeys; chapter 16, table 4."""

BASIC_WIND = {
    1: (0.000319, 0.000420, 0.000494),
    2: (0.000246, 0.000325, 0.000382),
    3: (0.000174, 0.000231, 0.000271),
    4: (0.000104, 0.000137, 0.000161),
    5: (0.000032, 0.000042, 0.000049),
}
"""(L/s)2 / (cm4 (m/s)2) by shelter class for one, two and three storeys; chapter 16, table 6."""

ENHANCED_STACK = {False: (0.054, 0.078, 0.098), True: (0.069, 0.089, 0.107)}
"""(Pa/K)^n without and with a flue, for one, two and three storeys; chapter 16, table 8."""

ENHANCED_WIND = {
    ("slab", False): (0.156, 0.170, 0.170),
    ("slab", True): (0.142, 0.156, 0.167),
    ("crawlspace", False): (0.128, 0.142, 0.151),
    ("crawlspace", True): (0.128, 0.142, 0.154),
}
"""(Pa s2/m2)^n by foundation (a basement counts as a slab) and flue; same table."""

SPEED_MULTIPLIER = (0.48, 0.59, 0.67)
"""Wind at the eaves over wind at the weather station, for one, two and three storeys; chapter 16, table 7."""

SHELTER_FACTOR = {1: 1.00, 2: 0.90, 3: 0.70, 4: 0.50, 5: 0.30}
"""By shelter class, house without a flue; chapter 16, table 9."""

SHELTER_FACTOR_WITH_FLUE = {
    1: (1.10, 1.07, 1.06),
    2: (1.02, 0.98, 0.97),
    3: (0.86, 0.81, 0.79),
    4: (0.70, 0.64, 0.61),
    5: (0.54, 0.47, 0.43),
}
"""By shelter class for one, two and three storeys, house with a flue; same table."""


@dataclass(frozen=True)
class Exposure:
    """What the weather meets: height, shelter, flue, foundation, altitude.

    `shelter_class` is the Handbook's: 1 no obstruction, 2 isolated rural house, 3 some buildings or trees about two
    house heights away, 4 ordinary suburb, obstructions within a house height or so, 5 dense city. `storeys` from 1 to 3
    (a half storey is interpolated). `flue`: a chimney or vent open in the conditioned space. `crawlspace`: vented crawl
    space below, else slab or basement. Raises ValueError outside.
    """

    storeys: float = 1.0
    shelter_class: int = 4
    flue: bool = False
    crawlspace: bool = False
    altitude_m: float = 0.0

    def __post_init__(self) -> None:
        within("storeys", self.storeys, 1.0, 3.0)
        if self.shelter_class not in SHELTER_FACTOR:
            raise ValueError(f"shelter class: {self.shelter_class} is not a class; give a whole number from 1 to 5")
        within("altitude", self.altitude_m, -500.0, 5500.0, "m")

    def by_storeys(self, table: tuple[float, ...]) -> float:
        """The entry of a one-, two-, three-storey table for this height."""
        return float(np.interp(self.storeys, _STOREYS, table))


def basic_infiltration(
    leakage: Leakage, exposure: Exposure, indoor_c: ArrayLike, outdoor_c: ArrayLike, wind_m_s: ArrayLike
) -> FloatArray:
    """Infiltration, m3/h, by the basic model: Q = A_L sqrt(C_s |dT| + C_w U2), chapter 16, eq. 48.

    Temperatures in degC (-60 to 60), station wind speed in m/s (0 to 60), scalars or arrays that broadcast together,
    for instance one value an hour. Flue, foundation and altitude play no part: with square-root flow the thinner air's
    smaller pressure and smaller inertia cancel. Raises ValueError outside these ranges.

    >>> shell = Leakage.from_effective_area(500e-4)
    >>> round(float(basic_infiltration(shell, Exposure(storeys=2, shelter_class=3), 20.0, -19.0, 6.7)))
    265
    """
    weather = Weather.checked(indoor_c, outdoor_c, wind_m_s)
    stack = exposure.by_storeys(BASIC_STACK) * weather.difference_k
    blown = exposure.by_storeys(BASIC_WIND[exposure.shelter_class]) * weather.wind_m_s**2
    area_cm2 = leakage.effective_area_m2() * 1e4
    return np.asarray(3.6 * area_cm2 * np.sqrt(stack + blown))


def enhanced_infiltration(
    leakage: Leakage, exposure: Exposure, indoor_c: ArrayLike, outdoor_c: ArrayLike, wind_m_s: ArrayLike
) -> FloatArray:
    """Infiltration, m3/h, by the enhanced model, chapter 16, eqs. 49 to 51.

    Q_s = c C_s |dT|^n, Q_w = c C_w (s G U)^(2n), Q = sqrt(Q_s2 + Q_w2). Inputs, shapes and errors as
    `basic_infiltration`. The Handbook's coefficients hold for standard air and n near 0.67; at altitude both driving
    pressures fall with density while c grows as density^(n-1) (ASTM E779, annex), together density^(2n-1).

    >>> shell = Leakage.from_air_changes(7.0, volume_m3=450.0)
    >>> hours = enhanced_infiltration(shell, Exposure(), 21.0, [21.0, 5.0, -20.0], [0.0, 3.0, 3.0])
    >>> [round(hour) for hour in hours.tolist()]
    [0, 85, 152]
    """
    weather = Weather.checked(indoor_c, outdoor_c, wind_m_s)
    foundation = "crawlspace" if exposure.crawlspace else "slab"
    shelter = (
        exposure.by_storeys(SHELTER_FACTOR_WITH_FLUE[exposure.shelter_class])
        if exposure.flue
        else SHELTER_FACTOR[exposure.shelter_class]
    )
    local_wind = shelter * exposure.by_storeys(SPEED_MULTIPLIER) * weather.wind_m_s
    stack = exposure.by_storeys(ENHANCED_STACK[exposure.flue]) * weather.difference_k**leakage.exponent
    blown = exposure.by_storeys(ENHANCED_WIND[foundation, exposure.flue]) * local_wind ** (2.0 * leakage.exponent)
    pressure_ratio = Air.at_altitude(exposure.altitude_m).pressure_pa / STANDARD_PRESSURE_PA
    thin_air = pressure_ratio ** (2.0 * leakage.exponent - 1.0)
    return np.asarray(leakage.coefficient * thin_air * np.hypot(stack, blown))
