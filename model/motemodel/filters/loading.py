"""Dust: how much reaches a filter and stays, of what sizes, and what it does to drop and efficiency.

Masses are mg. The dust a 52.2 test feeds is not the dust of a house, so the dust-holding capacity on a test report must
not be used for service life (NAFA, User's Guide to 52.2); give `capacity_mg` from experience, or `usual_capacity_mg`.
"""

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, fraction, not_negative, positive, within
from ..particles import HOUSE_DUST, SizeGrid

DUST_GRID = SizeGrid((0.01, 0.1, 0.3, 1.0, 2.5, 10.0, 30.0, 100.0, 300.0))
"""The default grid carried on to the coarse dust that fills filters."""

TYPICAL_DUST_UG_M3 = 89.8
"""House dust in the air that reaches a filter, ug/m3: median of 21 homes (2.9 to 824), Mahdavi & Siegel (2021), Indoor
Air 31, 1050-1060."""

USUAL_CAPACITY_MG_PER_M2 = 100_000.0
"""House dust on each m2 of media at which the drop has doubled (common practice, no source)."""

_CLOGGING_REFERENCE_UM = HOUSE_DUST.modes[0].median_um
_CLOGGING_EXPONENT = -0.5
_LARGEST_LOG_GROWTH = 60.0


@dataclass(frozen=True)
class Deposit:
    """What a filter has taken: mass (mg), the same as house dust of equal resistance (mg), its surface (m2).

    Fields are numbers or arrays of one shape (stages of a life); deposits add.
    """

    mass_mg: FloatArray
    clogging_mg: FloatArray
    surface_m2: FloatArray

    def __add__(self, other: "Deposit") -> "Deposit":
        return Deposit(
            self.mass_mg + other.mass_mg,
            self.clogging_mg + other.clogging_mg,
            self.surface_m2 + other.surface_m2,
        )

    def times(self, factor: ArrayLike) -> "Deposit":
        """So many times this deposit, zero or more; arrays broadcast."""
        times = not_negative("factor", factor)
        return Deposit(self.mass_mg * times, self.clogging_mg * times, self.surface_m2 * times)

    @classmethod
    def by_size(cls, mass_mg: ArrayLike, diameter_um: ArrayLike) -> "Deposit":
        """Deposit of masses (mg) of particles of given diameters (um); the sizes run along the last axis.

        Surface is that of unit-density spheres, 6 m/(rho d).
        """
        mass = not_negative("mass_mg", mass_mg)
        diameter = positive("diameter_um", diameter_um)
        if mass.shape[-1:] != diameter.shape:
            raise ValueError(f"mass_mg: shape {mass.shape} does not end in {diameter.shape}; give one mass per size")
        return cls(
            np.asarray(mass.sum(axis=-1)),
            np.asarray(mass @ clogging_weight(diameter)),
            np.asarray(mass @ (6e-3 / diameter)),
        )

    @classmethod
    def of_house_dust(cls, mass_mg: ArrayLike) -> "Deposit":
        """Deposit of a mass (mg; number or array) of ordinary house dust."""
        shares = HOUSE_DUST.bin_fractions(DUST_GRID)
        return cls.by_size(not_negative("mass_mg", mass_mg)[..., np.newaxis] * shares, DUST_GRID.midpoints_um)


CLEAN = Deposit(np.asarray(0.0), np.asarray(0.0), np.asarray(0.0))


def clogging_weight(diameter_um: ArrayLike) -> FloatArray:
    """Resistance per mass relative to house dust of median size: (d/42 um)^-0.5.

    The exponent is what lives to 600 Pa with three test dusts of 8 to 35 um median ask for: Hagmeyer, Mauthe & Zeiler
    (2021), open data set of filter clogging. Below 8 um it is an extrapolation; cakes of fine particles resist more.
    """
    return np.asarray((positive("diameter_um", diameter_um) / _CLOGGING_REFERENCE_UM) ** _CLOGGING_EXPONENT)


@dataclass(frozen=True)
class LoadingLaw(ABC):
    """How dust raises the drop: to `growth` times the clean drop at a clogging mass of `capacity_mg`.

    `depth_growth` is the same for the depth -ln(1 - efficiency): deposit on the fibres catches too. 1 leaves efficiency
    alone, which is what a rating, the worst moment, counts on.
    """

    capacity_mg: float
    growth: float = 2.0
    depth_growth: float = 1.0

    def __post_init__(self) -> None:
        within("capacity_mg", self.capacity_mg, 1e-3, 1e12, "mg")
        within("growth", self.growth, 1.0, 1e4, "times the clean drop")
        within("depth_growth", self.depth_growth, 1.0, 1e3, "times the clean depth")

    @abstractmethod
    def drop_factor(self, clogging_mg: ArrayLike) -> FloatArray:
        """Drop over clean drop, 1 or more, at a clogging mass (mg)."""

    @abstractmethod
    def _share_at(self, factor: float) -> float:
        """Share of the capacity at which the drop has grown by `factor`, where it grows at all."""

    def clogging_at(self, factor: float) -> float:
        """Clogging mass (mg) at which the drop has grown by `factor` (1 or more); infinite if it never does."""
        if positive("factor", factor) < 1.0:
            raise ValueError(f"factor: {factor} is below 1; give the drop over the clean drop")
        if self.growth == 1.0:
            return 0.0 if factor == 1.0 else np.inf
        return float(self.capacity_mg * self._share_at(factor))


class ExponentialLoading(LoadingLaw):
    """Drop grows as growth^(clogging mass / capacity); Li et al. (2022), Sep. Purif. Technol. 284, 120209."""

    def drop_factor(self, clogging_mg: ArrayLike) -> FloatArray:
        """Drop over clean drop, 1 or more; held at e^60."""
        share = not_negative("clogging_mg", clogging_mg) / self.capacity_mg
        return np.asarray(np.exp(np.minimum(np.log(self.growth) * share, _LARGEST_LOG_GROWTH)))

    def _share_at(self, factor: float) -> float:
        return float(np.log(factor) / np.log(self.growth))


class LinearLoading(LoadingLaw):
    """Drop grows in proportion to clogging mass: a cake of even resistance."""

    def drop_factor(self, clogging_mg: ArrayLike) -> FloatArray:
        """Drop over clean drop, 1 or more."""
        share = not_negative("clogging_mg", clogging_mg) / self.capacity_mg
        return np.asarray(1.0 + (self.growth - 1.0) * share)

    def _share_at(self, factor: float) -> float:
        return (factor - 1.0) / (self.growth - 1.0)


def depth_factor(loading: LoadingLaw, clogging_mg: ArrayLike) -> FloatArray:
    """Depth -ln(1 - efficiency) over that of the clean media: in a straight line up to `depth_growth` at capacity."""
    share = not_negative("clogging_mg", clogging_mg) / loading.capacity_mg
    return np.asarray(1.0 + (loading.depth_growth - 1.0) * np.minimum(share, 1.0))


def usual_capacity_mg(media_area_m2: float, growth: float = 2.0) -> float:
    """House dust (mg) at which the drop of pleated media has grown by `growth` (above 1), by its area.

    `USUAL_CAPACITY_MG_PER_M2` doubles it; for another growth as `ExponentialLoading` has it.
    """
    if not growth > 1.0:
        raise ValueError(f"growth: {growth:g} is not above 1; give the drop at capacity over the clean drop")
    return float(positive("media_area_m2", media_area_m2)) * USUAL_CAPACITY_MG_PER_M2 * float(np.log2(growth))


def dust_caught_mg(
    concentration_ug_m3: ArrayLike, efficiency: ArrayLike, airflow_m3h: float, runtime_h: float
) -> FloatArray:
    """Mass (mg) caught from air of given concentration (ug/m3) in a runtime (h); per size where these are arrays.

    >>> round(float(dust_caught_mg(89.8, 0.8, 1699.01, 0.18 * 90 * 24)) / 1000, 1)
    47.5
    """
    volume_m3 = not_negative("airflow_m3h", airflow_m3h) * not_negative("runtime_h", runtime_h)
    caught = not_negative("concentration_ug_m3", concentration_ug_m3) * fraction("efficiency", efficiency)
    return np.asarray(caught * volume_m3 * 1e-3)
