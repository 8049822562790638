"""What is declared about a sensor: gain, offset, and the water that particles take up in damp air."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray

_DAMPEST = 0.95


def humidity_growth_factor(humidity_percent: ArrayLike, kappa: float) -> FloatArray:
    """By what a light-scattering sensor over-reads because particles take up water: 1 + (kappa/1.65) / (1/aw - 1).

    Crilley et al. (2018), Atmos. Meas. Tech. 11: 709-720, equation 5; aw is relative humidity as a fraction, 1.65 g/cm3
    the density of the dry particles. Above 95 % the law runs away and humidity sensors are at their worst, so it is
    held there. `humidity_percent` 0..100 (NaN stays NaN), `kappa` 0..2; ValueError outside.

    >>> round(float(humidity_growth_factor(80.0, 0.4)), 3)
    1.97
    """
    humidity = np.asarray(humidity_percent, dtype=np.float64)
    _check_kappa(kappa)
    if np.any((humidity < 0.0) | (humidity > 100.0)):
        raise ValueError("humidity growth: relative humidity outside 0..100 %; check its unit")
    activity = np.minimum(humidity / 100.0, _DAMPEST)
    return np.asarray(1.0 + kappa / 1.65 * activity / (1.0 - activity))


@dataclass(frozen=True)
class Correction:
    """corrected = gain * reading / humidity growth + offset; `offset` in the unit of the signal.

    `humidity_growth` is the kappa of `humidity_growth_factor`; 0 leaves the humidity alone.
    """

    gain: float = 1.0
    offset: float = 0.0
    humidity_growth: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.gain) and self.gain > 0.0 and np.isfinite(self.offset)):
            raise ValueError(
                f"sensor correction: gain {self.gain:g}, offset {self.offset:g}; "
                "give a gain above zero and a finite offset"
            )
        _check_kappa(self.humidity_growth)

    @property
    def changes_nothing(self) -> bool:
        """Whether corrected and read are the same."""
        return self == Correction()

    def apply(self, value: ArrayLike, humidity_percent: ArrayLike | None = None) -> FloatArray:
        """Corrected values. Where the humidity is not known (NaN) the median growth of the rest stands in.

        Raises ValueError when a humidity growth is declared and no humidity at all is given.
        """
        values = np.asarray(value, dtype=np.float64)
        if self.humidity_growth > 0.0:
            if humidity_percent is None or not np.any(np.isfinite(humidity_percent)):
                raise ValueError(
                    "sensor correction: humidity_growth is declared but no humidity is measured at that place; "
                    "add the humidity signal or set humidity_growth = 0"
                )
            growth = humidity_growth_factor(humidity_percent, self.humidity_growth)
            values = values / np.where(np.isfinite(growth), growth, np.nanmedian(growth))
        return np.asarray(self.gain * values + self.offset)


def _check_kappa(kappa: float) -> None:
    if not 0.0 <= kappa <= 2.0:
        raise ValueError(f"humidity growth: kappa {kappa:g} is outside 0..2; 0.3 to 0.4 is usual for town air")
