"""A straight line that outliers do not tilt: the median of the slopes between all pairs of points.

H. Theil (1950), A rank-invariant method of linear and polynomial regression analysis, Proc. K. Ned. Akad. Wet. A 53:
386-392; P. K. Sen (1968), Estimates of the regression coefficient based on Kendall's tau, J. Am. Stat. Assoc. 63:
1379-1389.
"""

from dataclasses import dataclass

import numpy as np

from ..bounds import FloatArray
from .answer import Z_90, Estimate


@dataclass(frozen=True)
class TheilSenLine:
    """The line `intercept + slope * place`; the slope with the 90 % interval that independent scatter leaves it."""

    slope: Estimate
    intercept: float

    def at(self, place: FloatArray) -> FloatArray:
        """The line's value at places, alike in shape."""
        return np.asarray(self.intercept + self.slope.value * place)


def theil_sen_line(place: FloatArray, value: FloatArray) -> TheilSenLine:
    """The Theil-Sen line through points, (N,) each, with Sen's (1968, section 2) interval, equal values counted in.

    As many points lie above it as below. Up to 29 % of the points may be wrong, 1 - sqrt(1/2) (Rousseeuw &
    Leroy 1987, from memory). Holds some N^2 / 2 numbers, which for the days of three years are 5 MB an array. Raises
    ValueError for points that are not finite, not alike in shape, or all at one place.

    >>> theil_sen_line(np.array([0.0, 1.0, 2.0, 3.0, 4.0]), np.array([1.0, 3.0, 5.0, 99.0, 9.0])).slope.value
    2.0
    """
    if np.ndim(place) != 1 or np.shape(place) != np.shape(value) or not np.isfinite(place + value).all():
        raise ValueError(
            f"Theil-Sen line: places {np.shape(place)}, values {np.shape(value)}; give finite numbers, alike in shape"
        )
    first, second = np.triu_indices(place.size, 1)
    apart = place[second] - place[first]
    slopes = np.sort((value[second] - value[first])[apart != 0.0] / apart[apart != 0.0])
    if not slopes.size:
        raise ValueError(f"Theil-Sen line: {place.size} points at one place; give points at two places or more")
    middle = float(np.median(slopes))
    reach = Z_90 * np.sqrt(max(_kendall_variance(place, value), 0.0))
    # The ranks, from nought, of the slopes that bound the interval.
    low = max(round((slopes.size - reach) / 2.0) - 1, 0)
    high = min(round((slopes.size + reach) / 2.0), slopes.size - 1)
    return TheilSenLine(
        Estimate(middle, float(slopes[low]), float(slopes[high])),
        float(np.median(value - middle * place)),
    )


def _kendall_variance(place: FloatArray, value: FloatArray) -> float:
    """The variance of concordant less discordant pairs where the two have nothing in common (Kendall's S, ties in)."""

    def of(counts: FloatArray) -> float:
        return float(np.sum(counts * (counts - 1.0) * (2.0 * counts + 5.0)))

    ties = (np.unique(each, return_counts=True)[1].astype(np.float64) for each in (place, value))
    return (of(np.array([float(place.size)])) - sum(map(of, ties))) / 18.0
