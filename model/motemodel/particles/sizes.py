"""Size grid, log-normal mass distributions over size, and means of a size curve weighted by mass.

Diameters are um. Distributions measured by volume (optical or mobility diameter) are used as mass distributions over
aerodynamic diameter: for urban particles of about 1.5 g/cm3 the two diameters differ by a factor of about 1.2, less
than one city differs from the next.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from ..bounds import FloatArray, finite, fraction, positive

SizeCurve = Callable[[FloatArray], FloatArray]
"""Any property of a particle as a function of its diameter in um."""

_PANEL_WIDTH = 0.2
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(6)


@dataclass(frozen=True)
class SizeGrid:
    """Size bins between consecutive `edges_um` (um, rising, at least two)."""

    edges_um: tuple[float, ...]

    def __post_init__(self) -> None:
        edges = positive("edges_um", self.edges_um)
        if edges.ndim != 1 or edges.size < 2 or (np.diff(edges) <= 0.0).any():
            raise ValueError(f"edges_um: {self.edges_um} does not rise; give two or more rising diameters in um")

    @property
    def count(self) -> int:
        """Number of bins."""
        return len(self.edges_um) - 1

    @cached_property
    def midpoints_um(self) -> FloatArray:
        """Geometric mean diameter of each bin, um."""
        edges = np.asarray(self.edges_um)
        return np.asarray(np.sqrt(edges[:-1] * edges[1:]))


DEFAULT_GRID = SizeGrid((0.01, 0.1, 0.3, 1.0, 2.5, 10.0))
"""Ultrafine, below-rating, E1, the rest of PM2.5, the rest of PM10."""


@dataclass(frozen=True)
class LogNormalMode:
    """One mode: its share of the mass, mass median diameter (um) and geometric standard deviation (above 1)."""

    mass_fraction: float
    median_um: float
    geometric_sd: float

    def __post_init__(self) -> None:
        fraction("mass_fraction", self.mass_fraction)
        positive("median_um", self.median_um)
        if not finite("geometric_sd", self.geometric_sd) > 1.0:
            raise ValueError(f"geometric_sd: {self.geometric_sd} is not above 1; give the ratio d84/d50")

    @property
    def log_sd(self) -> float:
        """Standard deviation of ln d."""
        return float(np.log(self.geometric_sd))


@dataclass(frozen=True)
class MassDistribution:
    """A sum of log-normal modes whose mass fractions add to 1.

    >>> urban = MassDistribution((LogNormalMode(0.45, 0.3, 2.2), LogNormalMode(0.55, 10.0, 3.1)))
    >>> round(float(urban.density(0.3)), 4)
    0.2293
    """

    modes: tuple[LogNormalMode, ...]

    def __post_init__(self) -> None:
        total = sum(mode.mass_fraction for mode in self.modes)
        if not np.isclose(total, 1.0, rtol=0.0, atol=1e-9):
            raise ValueError(f"modes: their mass fractions add to {total}; make them add to 1")

    def density(self, diameter_um: ArrayLike) -> FloatArray:
        """Mass per unit of ln d, dM/dln d, at each diameter (um); the integral over ln d is 1."""
        return np.exp(self._log_density(positive("diameter_um", diameter_um)))

    def cumulative(self, diameter_um: ArrayLike) -> FloatArray:
        """Share of the mass in particles smaller than each diameter (um)."""
        log_diameter = np.log(positive("diameter_um", diameter_um))
        parts = [
            mode.mass_fraction * ndtr((log_diameter - np.log(mode.median_um)) / mode.log_sd) for mode in self.modes
        ]
        return np.asarray(np.sum(parts, axis=0))

    def fraction_between(self, low_um: float, high_um: float) -> float:
        """Share of the mass between two diameters (um)."""
        low, high = _ordered(low_um, high_um)
        return float(self.cumulative(high) - self.cumulative(low))

    def bin_fractions(self, grid: SizeGrid) -> FloatArray:
        """Share of each bin in the mass that lies on the grid; adds to 1.

        Raises ValueError when the grid holds none of the mass.
        """
        shares = np.diff(self.cumulative(grid.edges_um))
        total = shares.sum()
        if total <= 0.0:
            raise ValueError(f"grid: no mass between {grid.edges_um[0]} and {grid.edges_um[-1]} um; widen the grid")
        return np.asarray(shares / total)

    def _log_density(self, diameter_um: FloatArray) -> FloatArray:
        log_diameter = np.log(diameter_um)
        total = np.full(diameter_um.shape, -np.inf)
        for mode in self.modes:
            if mode.mass_fraction > 0.0:
                deviation = (log_diameter - np.log(mode.median_um)) / mode.log_sd
                height = np.log(mode.mass_fraction / (mode.log_sd * np.sqrt(2.0 * np.pi)))
                total = np.logaddexp(total, height - 0.5 * deviation**2)
        return total


def mass_weighted_mean(curve: SizeCurve, distribution: MassDistribution, low_um: float, high_um: float) -> float:
    """Mean of `curve` over the mass between two diameters (um): integral of curve dM over integral of dM.

    Gauss-Legendre over panels of ln d, so that a constant curve keeps its value exactly; a curve that jumps inside the
    range is met to about 1 %, one that bends to about 1e-6.

    >>> round(mass_weighted_mean(lambda d: 0.3 + 0.0 * d, OUTDOOR_URBAN, 0.01, 2.5), 12)
    0.3
    """
    low, high = _ordered(low_um, high_um)
    panels = max(1, int(np.ceil(np.log(high / low) / _PANEL_WIDTH)))
    edges = np.linspace(np.log(low), np.log(high), panels + 1)
    half_width = (edges[1] - edges[0]) / 2.0
    log_diameter = ((edges[:-1] + edges[1:]) / 2.0)[:, np.newaxis] + half_width * _NODES
    diameter_um = np.exp(log_diameter).ravel()
    # Relative to the largest, so that a range far in a tail still has weights to divide by.
    log_density = distribution._log_density(diameter_um)
    weight = np.exp(log_density - log_density.max()) * np.tile(_WEIGHTS, panels)
    return float(np.dot(curve(diameter_um), weight) / weight.sum())


def bin_means(curve: SizeCurve, distribution: MassDistribution, grid: SizeGrid) -> FloatArray:
    """Mass-weighted mean of `curve` in each bin of the grid (see `mass_weighted_mean`)."""
    return np.array([mass_weighted_mean(curve, distribution, low, high) for low, high in pairwise(grid.edges_um)])


def _ordered(low_um: float, high_um: float) -> tuple[float, float]:
    low, high = float(positive("low_um", low_um)), float(positive("high_um", high_um))
    if low >= high:
        raise ValueError(f"low_um: {low} is not below high_um: {high}; give the smaller diameter first")
    return low, high


ISO_URBAN = MassDistribution((LogNormalMode(0.45, 0.3, 2.2), LogNormalMode(0.55, 10.0, 3.1)))
"""ISO 16890-1:2016, clause 7, table 2: the urban volume distribution, for ePM1 and ePM2.5."""

ISO_RURAL = MassDistribution((LogNormalMode(0.18, 0.25, 2.2), LogNormalMode(0.82, 11.0, 4.0)))
"""ISO 16890-1:2016, clause 7, table 2: the rural volume distribution, for ePM10."""

OUTDOOR_URBAN = MassDistribution(
    (LogNormalMode(0.009, 0.038, 1.8), LogNormalMode(0.550, 0.32, 2.16), LogNormalMode(0.441, 5.7, 2.21))
)
"""Average urban air, Whitby (1978), Atmos. Environ. 12, 135-159: nuclei, accumulation and coarse volume modes (from
memory, and consistent with that table's number modes)."""

OUTDOOR_RURAL = MassDistribution(
    (LogNormalMode(0.001, 0.034, 1.7), LogNormalMode(0.147, 0.32, 2.0), LogNormalMode(0.852, 6.04, 2.16))
)
"""Average background air, Whitby (1978), same table."""

WILDFIRE_SMOKE = MassDistribution((LogNormalMode(0.85, 0.30, 1.8), LogNormalMode(0.15, 3.5, 2.2)))
"""Biomass smoke, round figures within Reid et al. (2005), Atmos. Chem. Phys. 5, 799-825: volume medians of 0.25 to
0.35 um, geometric standard deviations of 1.6 to 1.9, a tenth to a fifth of the mass coarse (from memory)."""

INDOOR_COOKING = MassDistribution((LogNormalMode(0.70, 0.25, 1.9), LogNormalMode(0.30, 2.2, 2.0)))
"""Frying and baking, round figures of ours: most of the mass below 1 um and a coarse share from spatter, as Abt et al.
(2000), Environ. Health Perspect. 108, 35-44, and Long et al. (2000), Environ. Sci. Technol. 34, 2089-2099, describe
(from memory)."""

HOUSE_DUST = MassDistribution((LogNormalMode(1.0, 42.0, 3.06),))
"""What settles into a home's filter: volume medians of 23 to 75 um, nine tenths of it above 10 um, Mahdavi & Siegel
(2021), Indoor Air 31, 1050-1060. Median: geometric mean of that range; spread: the one that puts 90 % above 10 um."""
