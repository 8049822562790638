"""What holds the air back: ducts, fittings, coils and filters, alone, in series and in parallel.

Every resistance is a callable: drop_pa = resistance(airflow_m3h), arrays in, arrays of the same shape out, zero at zero
airflow and rising with it. A filter's own drop function is one as it stands.
"""

from dataclasses import dataclass, replace
from typing import Protocol, Self

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, fraction, within
from ..particles import ROOM_AIR, Air
from ..units import SECONDS_PER_HOUR
from .friction import friction_factor

LARGEST_AIRFLOW_M3H = 1e5
_PARALLEL_ROUNDS = 60
_STILL_AIR_M3H = 1e-6


class Resistance(Protocol):
    """Anything with a pressure drop, Pa, at an airflow, m3/h."""

    def __call__(self, airflow_m3h: ArrayLike, /) -> FloatArray:
        """Drop, Pa, in the shape of the airflow, m3/h."""


@dataclass(frozen=True)
class DuctCurve:
    """A duct system known by one measured point: drop = pressure_pa (airflow / airflow_m3h)^exponent.

    ASHRAE Handbook Fundamentals (2017), chapter 21: exponent 2 for turbulent duct and fittings; measured systems with
    coils come out between 1.7 and 2 (common practice, no source). Accepts airflow to 1e5 m3/h, pressure to 2500 Pa,
    exponent 1 to 2.2; ValueError outside.

    >>> duct = DuctCurve(airflow_m3h=2000.0, pressure_pa=100.0)
    >>> float(duct(1000.0))
    25.0
    """

    airflow_m3h: float
    pressure_pa: float
    exponent: float = 2.0

    def __post_init__(self) -> None:
        within("duct curve airflow", self.airflow_m3h, 1.0, LARGEST_AIRFLOW_M3H, "m3/h")
        within("duct curve pressure", self.pressure_pa, 0.0, 2500.0, "Pa")
        within("duct curve exponent", self.exponent, 1.0, 2.2)

    def __call__(self, airflow_m3h: ArrayLike, /) -> FloatArray:
        """Drop, Pa, at an airflow, m3/h."""
        airflow = _airflow(airflow_m3h)
        return np.asarray(self.pressure_pa * (airflow / self.airflow_m3h) ** self.exponent)

    def at_density(self, ratio: float) -> Self:
        """The same duct with air of another density (ratio 0.5 to 1.5): turbulent drop goes with density."""
        within("density ratio", ratio, 0.5, 1.5)
        return replace(self, pressure_pa=self.pressure_pa * ratio)


@dataclass(frozen=True)
class Fitting:
    """An elbow, grille, transition or the like: drop = loss coefficient times velocity pressure in `area_m2`.

    ASHRAE Handbook Fundamentals (2017), chapter 21, eq. 29. Coefficient 0 to 100 (tables, or `contraction_loss`,
    `expansion_loss`), referred to the velocity in an area of 0.001 to 10 m2; ValueError outside.
    """

    loss_coefficient: float
    area_m2: float
    air: Air = ROOM_AIR

    def __post_init__(self) -> None:
        within("loss coefficient", self.loss_coefficient, 0.0, 100.0)
        within("fitting area", self.area_m2, 1e-3, 10.0, "m2")

    def __call__(self, airflow_m3h: ArrayLike, /) -> FloatArray:
        """Drop, Pa, at an airflow, m3/h."""
        velocity = _airflow(airflow_m3h) / SECONDS_PER_HOUR / self.area_m2
        return np.asarray(self.loss_coefficient * 0.5 * self.air.density_kg_m3 * velocity**2)


@dataclass(frozen=True)
class RoundDuct:
    """A straight round duct with the sum of its fittings' loss coefficients: Darcy and Weisbach plus fittings.

    ASHRAE Handbook Fundamentals (2017), chapter 21, eqs. 18 and 29. Roughness by its table 1: 0.09 mm for galvanised
    steel, 0.9 mm for lined or flexible duct pulled tight, 3 mm for slack flexible duct (from memory). Length 0 to
    200 m, diameter 0.05 to 2 m, roughness to a twentieth of the diameter, coefficients 0 to 100; ValueError outside.
    For a rectangular duct use `equivalent_diameter_m`. Air is taken as
    incompressible, which holds to about 100 m/s.
    """

    length_m: float
    diameter_m: float
    roughness_m: float = 9e-5
    loss_coefficient: float = 0.0
    air: Air = ROOM_AIR

    def __post_init__(self) -> None:
        within("duct length", self.length_m, 0.0, 200.0, "m")
        within("duct diameter", self.diameter_m, 0.05, 2.0, "m")
        within("duct roughness", self.roughness_m, 0.0, self.diameter_m / 20.0, "m")
        within("loss coefficient", self.loss_coefficient, 0.0, 100.0)

    def velocity_m_s(self, airflow_m3h: ArrayLike) -> FloatArray:
        """Mean velocity, m/s, at an airflow, m3/h."""
        return np.asarray(_airflow(airflow_m3h) / SECONDS_PER_HOUR / (np.pi / 4.0 * self.diameter_m**2))

    def __call__(self, airflow_m3h: ArrayLike, /) -> FloatArray:
        """Drop, Pa, at an airflow, m3/h."""
        velocity = self.velocity_m_s(airflow_m3h)
        reynolds = velocity * self.diameter_m / self.air.kinematic_viscosity_m2_s
        friction = friction_factor(reynolds, self.roughness_m / self.diameter_m) * self.length_m / self.diameter_m
        return np.asarray((friction + self.loss_coefficient) * 0.5 * self.air.density_kg_m3 * velocity**2)


@dataclass(frozen=True)
class PartlyCoveredCoil:
    """A coil of which a transition leaves only part of the face open.

    The air goes through the open part alone: the coil's own drop there follows its power law at the higher velocity
    (exponent 1.5 dry to 2; 1.8 by default, common practice, no source), and the sharp edge adds a contraction loss.
    Drop of the free coil `drop_pa` at `airflow_m3h`, face 0.01 to 10 m2, covered fraction 0 to 0.9; ValueError outside.
    """

    airflow_m3h: float
    drop_pa: float
    face_area_m2: float
    covered_fraction: float = 0.0
    exponent: float = 1.8
    air: Air = ROOM_AIR

    def __post_init__(self) -> None:
        within("coil airflow", self.airflow_m3h, 1.0, LARGEST_AIRFLOW_M3H, "m3/h")
        within("coil drop", self.drop_pa, 0.0, 1000.0, "Pa")
        within("coil face", self.face_area_m2, 0.01, 10.0, "m2")
        within("covered fraction of the coil", self.covered_fraction, 0.0, 0.9)
        within("coil exponent", self.exponent, 1.0, 2.2)

    def __call__(self, airflow_m3h: ArrayLike, /) -> FloatArray:
        """Drop, Pa, at an airflow, m3/h."""
        airflow = _airflow(airflow_m3h)
        open_fraction = 1.0 - self.covered_fraction
        through_coil = self.drop_pa * (airflow / (self.airflow_m3h * open_fraction)) ** self.exponent
        edge = Fitting(contraction_loss(open_fraction), self.face_area_m2 * open_fraction, self.air)
        return np.asarray(through_coil + edge(airflow))

    def capacity_ratio(self, airflow_ratio: float = 1.0, bypass_factor: float = 0.1) -> float:
        """Cooling or heating capacity over that of the free coil, the airflow having fallen to `airflow_ratio`.

        Bypass-factor method: capacity goes with airflow (1 - BF), BF = exp(-NTU) (ASHRAE Handbook Systems and
        Equipment, air-cooling coils), the air-side coefficient with the square root of velocity (common practice, no
        source), so NTU goes with sqrt(open fraction / airflow ratio). `airflow_ratio` 0.1 to 1.2, `bypass_factor` of
        the free coil 0.01 to 0.5; ValueError outside.
        """
        within("airflow ratio", airflow_ratio, 0.1, 1.2)
        within("bypass factor", bypass_factor, 0.01, 0.5)
        transfer_units = -np.log(bypass_factor) * np.sqrt((1.0 - self.covered_fraction) / airflow_ratio)
        return float(airflow_ratio * -np.expm1(-transfer_units) / (1.0 - bypass_factor))


def contraction_loss(area_ratio: float) -> float:
    """Loss coefficient of a sudden narrowing to `area_ratio` (0..1) of the area, referred to the narrow side.

    0.5 (1 - A2/A1), the usual fit to Weisbach's measurements; 0.5 from a plenum into a flush duct (Idelchik, diagram
    3-1; White, Fluid Mechanics, section on minor losses).
    """
    fraction("area ratio", area_ratio)
    return 0.5 * (1.0 - area_ratio)


def expansion_loss(area_ratio: float) -> float:
    """Loss coefficient of a sudden widening from `area_ratio` (0..1) of the area, referred to the narrow side.

    Borda and Carnot: (1 - A1/A2)2, from momentum alone.
    """
    fraction("area ratio", area_ratio)
    return (1.0 - area_ratio) ** 2


def series(*resistances: Resistance) -> Resistance:
    """One after another: the same air through each, drops added."""
    if not resistances:
        raise ValueError("resistances in series: none given; give one or more")

    def drop(airflow_m3h: ArrayLike, /) -> FloatArray:
        airflow = _airflow(airflow_m3h)
        return np.asarray(sum(resistance(airflow) for resistance in resistances))

    return drop


def parallel(*resistances: Resistance) -> Resistance:
    """Side by side: one drop across all, airflows added (two filter racks, several returns).

    Raises ValueError where a branch does not hold the air back at all, for then the split has no answer.
    """
    if not resistances:
        raise ValueError("resistances in parallel: none given; give one or more")

    def drop(airflow_m3h: ArrayLike, /) -> FloatArray:
        airflow = _airflow(airflow_m3h)
        shares = split(resistances, airflow)
        drops = np.stack([resistance(share) for resistance, share in zip(resistances, shares, strict=True)])
        return np.asarray(drops.mean(axis=0))

    return drop


def split(resistances: tuple[Resistance, ...], airflow_m3h: ArrayLike) -> FloatArray:
    """Airflow, m3/h, of each of several parallel branches; shape (branches, *airflow shape).

    Each round gives a branch more of the air the less it drops. For branches whose drop goes with airflow to a power
    of 1 to 2.2 the error shrinks to less than six tenths a round, so sixty rounds leave only rounding.
    """
    airflow = _airflow(airflow_m3h)
    shares = np.stack([airflow / len(resistances)] * len(resistances))
    flowing = airflow > _STILL_AIR_M3H
    for _ in range(_PARALLEL_ROUNDS):
        drops = np.stack([resistance(share) for resistance, share in zip(resistances, shares, strict=True)])
        if (drops <= 0.0)[:, flowing].any():
            raise ValueError("resistances in parallel: a branch has no drop; leave it out or give its drop")
        ease = np.where(flowing, shares * np.where(flowing, drops, 1.0) ** -0.7, 1.0)
        shares = airflow * ease / ease.sum(axis=0)
    return np.asarray(shares)


def _airflow(airflow_m3h: ArrayLike) -> FloatArray:
    return within("airflow", airflow_m3h, 0.0, LARGEST_AIRFLOW_M3H, "m3/h")
