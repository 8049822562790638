"""What lived-in homes do to PM2.5, as measured, and the curves over size that come to it.

Theory of smooth surfaces and smooth cracks gives the shape over size; furniture, fabrics and the debris in real cracks
make the amount, which only measurement tells.
"""

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray
from .sizes import OUTDOOR_URBAN, mass_weighted_mean
from .surfaces import deposition_rate, penetration_factor

_SMALLEST_UM, _PM25_UM = 0.01, 2.5


class Usual(NamedTuple):
    """A usual value and the range in which nine homes of ten lie."""

    value: float
    low: float
    high: float


USUAL_PM25_DEPOSITION_PER_H = Usual(0.39, 0.2, 0.7)
"""Loss of PM2.5 to the surfaces of lived-in homes, 1/h: Ozkaynak et al. (1996), J. Expo. Anal. Environ. Epidemiol. 6,
57-78, and Williams et al. (2003), Atmos. Environ. 37, 5365-5378, both 0.39 (from memory); the range is common practice,
no source."""

USUAL_PM25_PENETRATION = Usual(0.8, 0.6, 1.0)
"""Share of outdoor PM2.5 that passes an ordinary shell: between 0.72 of Williams et al. (2003) and 1.0 of Ozkaynak et
al. (1996), both from memory; the range is common practice, no source."""


def lived_in_deposition_rate(diameter_um: ArrayLike) -> FloatArray:
    """Loss to the surfaces of a lived-in home over size (um), 1/h.

    `deposition_rate` of smooth surfaces, and for all sizes alike what PM2.5 of urban air loses beyond it.
    """
    return np.asarray(deposition_rate(diameter_um) + _more_than_smooth_per_h())


def lived_in_penetration_factor(diameter_um: ArrayLike) -> FloatArray:
    """Penetration factor of a lived-in home's shell over size (um).

    `penetration_factor` of smooth cracks, times for all sizes alike the share of urban air's PM2.5 that real ones let
    pass of it.
    """
    return np.asarray(penetration_factor(diameter_um) * _share_of_smooth())


@cache
def _more_than_smooth_per_h() -> float:
    smooth = mass_weighted_mean(deposition_rate, OUTDOOR_URBAN, _SMALLEST_UM, _PM25_UM)
    return USUAL_PM25_DEPOSITION_PER_H.value - smooth


@cache
def _share_of_smooth() -> float:
    return USUAL_PM25_PENETRATION.value / mass_weighted_mean(penetration_factor, OUTDOOR_URBAN, _SMALLEST_UM, _PM25_UM)
