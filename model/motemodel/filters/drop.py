"""Clean drop against velocity: two laws, each fitted to one or more rated points, and the area pleats hold.

Velocity is the mean over the face, m/s. Media in laminar flow give drop in proportion to it; frames, pleat channels and
screens add a part that goes with its square, so rated filters lie between the powers 1 and 2.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from ..bounds import FloatArray, not_negative, positive, within

USUAL_EXPONENT = 1.0 / 0.85
"""Mean exponent of clean filters, Li et al. (2022), Sep. Purif. Technol. 284, 120209."""

_STIFFEST = 1e9


@dataclass(frozen=True)
class LinearQuadraticDrop:
    """drop = linear v + quadratic v2; coefficients in Pa s/m and Pa s2/m2, not negative and not both zero."""

    linear: float
    quadratic: float

    def __post_init__(self) -> None:
        within("linear", self.linear, 0.0, _STIFFEST, "Pa s/m")
        within("quadratic", self.quadratic, 0.0, _STIFFEST, "Pa s2/m2")
        if self.linear == 0.0 and self.quadratic == 0.0:
            raise ValueError("linear: 0 with quadratic 0 is no resistance; give at least one above zero")

    def __call__(self, velocity_m_s: ArrayLike) -> FloatArray:
        """Drop (Pa) at each velocity (m/s)."""
        velocity = not_negative("velocity_m_s", velocity_m_s)
        return np.asarray(self.linear * velocity + self.quadratic * velocity**2)

    def velocity_m_s(self, drop_pa: ArrayLike) -> FloatArray:
        """Velocity (m/s) at each drop (Pa): the inverse of the law."""
        drop = not_negative("drop_pa", drop_pa)
        root = self.linear + self._discriminant(drop)
        return np.asarray(2.0 * drop / np.where(root > 0.0, root, 1.0))

    def sensitivity(self, drop_pa: FloatArray) -> FloatArray:
        """d ln(velocity) / d ln(drop), between 1/2 and 1."""
        discriminant = self._discriminant(drop_pa)
        return np.asarray((self.linear + discriminant) / (2.0 * discriminant))

    def _discriminant(self, drop: FloatArray) -> FloatArray:
        return np.asarray(np.sqrt(self.linear**2 + 4.0 * self.quadratic * drop))


@dataclass(frozen=True)
class PowerLawDrop:
    """drop = coefficient v^exponent; coefficient in Pa at 1 m/s, exponent from 1 (laminar) to 2 (turbulent)."""

    coefficient: float
    exponent: float = USUAL_EXPONENT

    def __post_init__(self) -> None:
        within("coefficient", self.coefficient, 1.0 / _STIFFEST, _STIFFEST, "Pa")
        if not 1.0 <= self.exponent <= 2.0:
            raise ValueError(f"exponent: {self.exponent} is outside 1..2; check the rated points")

    def __call__(self, velocity_m_s: ArrayLike) -> FloatArray:
        """Drop (Pa) at each velocity (m/s)."""
        return np.asarray(self.coefficient * not_negative("velocity_m_s", velocity_m_s) ** self.exponent)

    def velocity_m_s(self, drop_pa: ArrayLike) -> FloatArray:
        """Velocity (m/s) at each drop (Pa): the inverse of the law."""
        return np.asarray((not_negative("drop_pa", drop_pa) / self.coefficient) ** (1.0 / self.exponent))

    def sensitivity(self, drop_pa: FloatArray) -> FloatArray:
        """d ln(velocity) / d ln(drop), the same at every drop."""
        return np.full(np.shape(drop_pa), 1.0 / self.exponent)


DropLaw = LinearQuadraticDrop | PowerLawDrop


def fit_power_law(velocity_m_s: ArrayLike, drop_pa: ArrayLike, exponent: float = USUAL_EXPONENT) -> PowerLawDrop:
    """The power law through rated points: exact through two, least squares in the logarithms through more.

    One point takes `exponent`; points that ask for an exponent outside 1..2 (worn labels, rounding) get the nearest
    bound and the best coefficient with it.

    >>> fit_power_law([1.5, 2.5], [40.0, 80.0])
    PowerLawDrop(coefficient=23.07..., exponent=1.3569...)
    """
    velocity, drop = _rated_points(velocity_m_s, drop_pa)
    log_velocity, log_drop = np.log(velocity), np.log(drop)
    if np.unique(velocity).size > 1:
        slope = np.cov(log_velocity, log_drop)[0, 1] / np.var(log_velocity, ddof=1)
        exponent = float(np.clip(slope, 1.0, 2.0))
    return PowerLawDrop(float(np.exp(np.mean(log_drop - exponent * log_velocity))), exponent)


def fit_linear_quadratic(velocity_m_s: ArrayLike, drop_pa: ArrayLike) -> LinearQuadraticDrop:
    """The linear-quadratic law through rated points at two or more velocities; least squares of relative error.

    Neither coefficient is let below zero. Raises ValueError with a single velocity: use `fit_power_law`.
    """
    velocity, drop = _rated_points(velocity_m_s, drop_pa)
    if np.unique(velocity).size < 2:
        raise ValueError("velocity_m_s: a single velocity does not tell two coefficients apart; use the power law")
    (linear, quadratic), _ = scipy.optimize.nnls(
        np.column_stack((velocity / drop, velocity**2 / drop)), np.ones(drop.size)
    )
    return LinearQuadraticDrop(float(linear), float(quadratic))


def pleated_media_area_m2(face_area_m2: float, pleat_depth_m: float, pleat_pitch_m: float) -> float:
    """Media area (m2) of straight V pleats over a face: each pitch holds two legs of length hypot(depth, pitch/2)."""
    for place, value in (
        ("face_area_m2", face_area_m2),
        ("pleat_depth_m", pleat_depth_m),
        ("pleat_pitch_m", pleat_pitch_m),
    ):
        positive(place, value)
    return float(face_area_m2 * 2.0 * np.hypot(pleat_depth_m, pleat_pitch_m / 2.0) / pleat_pitch_m)


def _rated_points(velocity_m_s: ArrayLike, drop_pa: ArrayLike) -> tuple[FloatArray, FloatArray]:
    velocity = np.atleast_1d(positive("velocity_m_s", velocity_m_s))
    drop = np.atleast_1d(positive("drop_pa", drop_pa))
    if velocity.shape != drop.shape or velocity.ndim != 1 or velocity.size == 0:
        raise ValueError(f"drop_pa: {drop.size} drops for {velocity.size} velocities; give one drop for each")
    return velocity, drop
