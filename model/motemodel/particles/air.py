"""The air particles move in: density, viscosity and mean free path at a temperature and a pressure."""

import math
from dataclasses import dataclass

from scipy.constants import zero_Celsius

from ..bounds import finite, positive

STANDARD_PRESSURE_PA = 101_325.0
GAS_CONSTANT_DRY_AIR = 287.042
"""J/(kg K), ASHRAE Handbook Fundamentals (2017), chapter 1."""

_REFERENCE_K = 293.15
_REFERENCE_VISCOSITY = 1.81e-5
_REFERENCE_MEAN_FREE_PATH_UM = 0.066
_SUTHERLAND_K = 110.4


@dataclass(frozen=True)
class Air:
    """Dry air at `temperature_c` (degC) and `pressure_pa` (Pa).

    Viscosity and mean free path start from Hinds, Aerosol Technology, 2nd ed. (1999), tables 2.1 and A7 (1.81e-5 Pa s
    and 0.066 um at 20 degC and one atmosphere), and follow Sutherland's law as in Willeke (1976), J. Aerosol Sci. 7.
    Valid from -60 to 100 degC and 50 to 110 kPa; ValueError outside. Moisture is left out: at 25 degC and half
    saturation it lowers the density by 0.6 %.

    >>> round(Air().density_kg_m3, 3)
    1.204
    """

    temperature_c: float = 20.0
    pressure_pa: float = STANDARD_PRESSURE_PA

    def __post_init__(self) -> None:
        finite("temperature_c", self.temperature_c)
        positive("pressure_pa", self.pressure_pa)
        if not -60.0 <= self.temperature_c <= 100.0:
            raise ValueError(f"temperature_c: {self.temperature_c} is outside -60..100; give the air's degC")
        if not 50_000.0 <= self.pressure_pa <= 110_000.0:
            raise ValueError(f"pressure_pa: {self.pressure_pa} is outside 50000..110000; give absolute pressure in Pa")

    @classmethod
    def at_altitude(cls, altitude_m: float, temperature_c: float = 20.0) -> "Air":
        """Air at `altitude_m` (m, -500..5500) by the standard atmosphere, ASHRAE Fundamentals (2017), ch. 1, eq. 3."""
        finite("altitude_m", altitude_m)
        if not -500.0 <= altitude_m <= 5500.0:
            raise ValueError(f"altitude_m: {altitude_m} is outside -500..5500; give metres above sea level")
        return cls(temperature_c, STANDARD_PRESSURE_PA * (1.0 - 2.25577e-5 * altitude_m) ** 5.2559)

    @property
    def temperature_k(self) -> float:
        """Absolute temperature, K."""
        return self.temperature_c + zero_Celsius

    @property
    def density_kg_m3(self) -> float:
        """Density of dry air by the ideal gas law, kg/m3."""
        return self.pressure_pa / (GAS_CONSTANT_DRY_AIR * self.temperature_k)

    @property
    def viscosity_pa_s(self) -> float:
        """Dynamic viscosity, Pa s."""
        return _REFERENCE_VISCOSITY * math.sqrt(self.temperature_k / _REFERENCE_K) * self._sutherland

    @property
    def kinematic_viscosity_m2_s(self) -> float:
        """Kinematic viscosity, m2/s."""
        return self.viscosity_pa_s / self.density_kg_m3

    @property
    def mean_free_path_um(self) -> float:
        """Mean free path of the gas molecules, um."""
        expansion = (self.temperature_k / _REFERENCE_K) * (STANDARD_PRESSURE_PA / self.pressure_pa)
        return _REFERENCE_MEAN_FREE_PATH_UM * expansion * self._sutherland

    @property
    def _sutherland(self) -> float:
        return (1.0 + _SUTHERLAND_K / _REFERENCE_K) / (1.0 + _SUTHERLAND_K / self.temperature_k)


ROOM_AIR = Air()
"""20 degC at sea level."""
