"""The weather an envelope meets, checked once for all its laws."""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, within
from .shapes import aligned


class Weather(NamedTuple):
    """Indoor and outdoor temperature (degC) and the weather station's wind speed (m/s), arrays of one shape."""

    indoor_c: FloatArray
    outdoor_c: FloatArray
    wind_m_s: FloatArray

    @classmethod
    def checked(cls, indoor_c: ArrayLike, outdoor_c: ArrayLike, wind_m_s: ArrayLike) -> "Weather":
        """Temperatures from -60 to 60 degC, wind from 0 to 60 m/s, brought to one shape; ValueError outside."""
        return cls(
            *aligned(
                "weather",
                within("indoor temperature", indoor_c, -60.0, 60.0, "degC"),
                within("outdoor temperature", outdoor_c, -60.0, 60.0, "degC"),
                within("wind speed", wind_m_s, 0.0, 60.0, "m/s"),
            )
        )

    @property
    def difference_k(self) -> FloatArray:
        """Indoor-outdoor temperature difference without its sign, K."""
        return np.asarray(np.abs(self.indoor_c - self.outdoor_c))
