"""How leaky the shell is: every usual form of a blower-door result becomes one power law."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, within
from ..units import SECONDS_PER_HOUR

TYPICAL_EXPONENT = 0.65
"""Flow exponent of ordinary houses, ASHRAE Handbook Fundamentals (2017), chapter 16."""

_HANDBOOK_DENSITY = 1.2
"""kg/m3, the air density of the Handbook's leakage-area equation (chapter 16, eq. 35 and text)."""
_LARGEST_AIRFLOW = 1e6
_LARGEST_AREA = 1e5


class Tightness(StrEnum):
    """A house in words, ASHRAE Handbook Fundamentals (2017), chapter 17, table 3.

    TIGHT: air-sealed under a specialist's eye. GOOD: carefully sealed by a knowledgeable builder. AVERAGE: ordinary
    recent housing. LEAKY: typical of before 1970. VERY_LEAKY: an old house as it was built.
    """

    TIGHT = "tight"
    GOOD = "good"
    AVERAGE = "average"
    LEAKY = "leaky"
    VERY_LEAKY = "very leaky"


UNIT_LEAKAGE_CM2_M2 = {
    Tightness.TIGHT: 0.7,
    Tightness.GOOD: 1.4,
    Tightness.AVERAGE: 2.8,
    Tightness.LEAKY: 5.6,
    Tightness.VERY_LEAKY: 10.4,
}
"""Effective leakage area at 4 Pa per exposed area, cm2/m2; same table."""

LEAKAGE_CLASS_BOUNDS = (0.10, 0.14, 0.20, 0.28, 0.40, 0.57, 0.80, 1.13, 1.60)
"""Normalised leakage between the classes A, B, ... J of ANSI/ASHRAE Standard 119-1988, table 1."""


@dataclass(frozen=True)
class Leakage:
    """Airflow through the closed shell: Q = coefficient * dp ** exponent, Q in m3/h, dp in Pa.

    The power law of ASTM E779 and ASHRAE Handbook Fundamentals (2017), chapter 16, for air at standard conditions
    (20 degC, 101 325 Pa). Raises ValueError for a coefficient that is not above zero or an exponent outside 0.5 to 1,
    between a sharp orifice and laminar flow.

    >>> shell = Leakage.from_air_changes(7.0, volume_m3=450.0)
    >>> round(float(shell.airflow_m3h(50.0)))
    3150
    >>> round(shell.effective_area_m2() * 1e4)
    656
    """

    coefficient: float
    exponent: float = TYPICAL_EXPONENT

    def __post_init__(self) -> None:
        within("leakage coefficient", self.coefficient, 1e-6, _LARGEST_AIRFLOW, "m3/(h Pa^n)")
        within("leakage exponent", self.exponent, 0.5, 1.0)

    @classmethod
    def from_airflow(cls, airflow_m3h: float, pressure_pa: float = 50.0, exponent: float = TYPICAL_EXPONENT) -> Self:
        """From the airflow at one pressure, as a single-point test gives it (at 50 Pa by custom)."""
        within("blower-door airflow", airflow_m3h, 1e-3, _LARGEST_AIRFLOW, "m3/h")
        within("blower-door pressure", pressure_pa, 1.0, 100.0, "Pa")
        within("leakage exponent", exponent, 0.5, 1.0)
        return cls(airflow_m3h / pressure_pa**exponent, exponent)

    @classmethod
    def from_air_changes(
        cls, air_changes_per_h: float, volume_m3: float, pressure_pa: float = 50.0, exponent: float = TYPICAL_EXPONENT
    ) -> Self:
        """From air changes per hour at one pressure (50 Pa by custom) and the volume they refer to."""
        within("air changes at pressure", air_changes_per_h, 1e-3, 200.0, "1/h")
        within("house volume", volume_m3, 1.0, _LARGEST_AIRFLOW, "m3")
        return cls.from_airflow(air_changes_per_h * volume_m3, pressure_pa, exponent)

    @classmethod
    def from_effective_area(
        cls,
        area_m2: float,
        exponent: float = TYPICAL_EXPONENT,
        reference_pa: float = 4.0,
        discharge_coefficient: float = 1.0,
    ) -> Self:
        """From an effective leakage area: the orifice that passes the same airflow at the reference pressure.

        ASHRAE Handbook Fundamentals (2017), chapter 16, eq. 35: Q = C_D A sqrt(2 dp / rho). The Handbook's own area is
        at 4 Pa with C_D = 1; the Canadian equivalent area is at 10 Pa with C_D = 0.611.
        """
        within("effective leakage area", area_m2, 1e-7, _LARGEST_AREA, "m2")
        velocity = _orifice_velocity(reference_pa, discharge_coefficient)
        return cls.from_airflow(area_m2 * velocity * SECONDS_PER_HOUR, reference_pa, exponent)

    @classmethod
    def from_readings(cls, pressures_pa: ArrayLike, airflows_m3h: ArrayLike) -> Self:
        """From the readings of a multi-point test: least squares on logarithms, as ASTM E779 section 9 does.

        Raises ValueError when fewer than two different pressures are given or the fitted exponent is outside 0.5 to 1,
        which by the same standard means that the test must be repeated.
        """
        pressures = within("blower-door pressures", pressures_pa, 1.0, 100.0, "Pa")
        airflows = within("blower-door airflows", airflows_m3h, 1e-3, _LARGEST_AIRFLOW, "m3/h")
        if pressures.shape != airflows.shape or pressures.ndim != 1 or np.unique(pressures).size < 2:
            raise ValueError(
                f"blower-door readings: {pressures.size} pressures and {airflows.size} airflows; "
                "give one airflow per pressure, at two different pressures or more"
            )
        exponent, log_coefficient = np.polyfit(np.log(pressures), np.log(airflows), 1)
        if not 0.5 - 1e-9 <= exponent <= 1.0 + 1e-9:
            raise ValueError(
                f"blower-door readings: they fit an exponent of {exponent:.2f}, outside 0.5 to 1; repeat the test"
            )
        return cls(float(np.exp(log_coefficient)), float(np.clip(exponent, 0.5, 1.0)))

    @classmethod
    def from_tightness(cls, tightness: Tightness, exposed_area_m2: float, exponent: float = TYPICAL_EXPONENT) -> Self:
        """From a house described in words and its exposed area (see `exposed_area_m2`)."""
        within("exposed area", exposed_area_m2, 1.0, _LARGEST_AREA, "m2")
        return cls.from_effective_area(UNIT_LEAKAGE_CM2_M2[tightness] * 1e-4 * exposed_area_m2, exponent)

    @classmethod
    def from_normalized(
        cls, normalized_leakage: float, floor_area_m2: float, height_m: float, exponent: float = TYPICAL_EXPONENT
    ) -> Self:
        """From a normalised leakage NL = 1000 A_L / A_floor (height / 2.5 m)^0.3, ANSI/ASHRAE Standard 119-1988."""
        within("normalised leakage", normalized_leakage, 1e-4, 100.0)
        within("floor area", floor_area_m2, 1.0, _LARGEST_AREA, "m2")
        within("height of the shell", height_m, 1.0, 50.0, "m")
        area = normalized_leakage * floor_area_m2 / 1000.0 / (height_m / 2.5) ** 0.3
        return cls.from_effective_area(area, exponent)

    @classmethod
    def from_leakage_class(
        cls, letter: str, floor_area_m2: float, height_m: float, exponent: float = TYPICAL_EXPONENT
    ) -> Self:
        """From a leakage class A (tightest) to J of ANSI/ASHRAE Standard 119-1988, at the middle of the class.

        The classes widen by a factor of sqrt(2), so the middle is the geometric mean; the open classes A and J are
        read as if they too spanned that factor.
        """
        letters = "ABCDEFGHIJ"
        if len(letter) != 1 or letter not in letters:
            raise ValueError(f"leakage class: {letter!r} is not a class; give one letter from A to J")
        inner = LEAKAGE_CLASS_BOUNDS
        bounds = (inner[0] / np.sqrt(2.0), *inner, inner[-1] * np.sqrt(2.0))
        place = letters.index(letter)
        middle = float(np.sqrt(bounds[place] * bounds[place + 1]))
        return cls.from_normalized(middle, floor_area_m2, height_m, exponent)

    def airflow_m3h(self, pressure_pa: ArrayLike) -> FloatArray:
        """Airflow at an indoor-outdoor pressure difference of 0 to 100 Pa, m3/h, in the shape of `pressure_pa`."""
        pressure = within("pressure across the shell", pressure_pa, 0.0, 100.0, "Pa")
        return np.asarray(self.coefficient * pressure**self.exponent)

    def air_changes_per_h(self, volume_m3: float, pressure_pa: float = 50.0) -> float:
        """Air changes per hour at a pressure (50 Pa by custom)."""
        within("house volume", volume_m3, 1.0, _LARGEST_AIRFLOW, "m3")
        return float(self.airflow_m3h(pressure_pa)) / volume_m3

    def effective_area_m2(self, reference_pa: float = 4.0, discharge_coefficient: float = 1.0) -> float:
        """Effective leakage area, m2: the inverse of `from_effective_area`."""
        velocity = _orifice_velocity(reference_pa, discharge_coefficient)
        return float(self.airflow_m3h(reference_pa)) / (velocity * SECONDS_PER_HOUR)

    def normalized(self, floor_area_m2: float, height_m: float) -> float:
        """Normalised leakage, ANSI/ASHRAE Standard 119-1988: the inverse of `from_normalized`."""
        within("floor area", floor_area_m2, 1.0, _LARGEST_AREA, "m2")
        within("height of the shell", height_m, 1.0, 50.0, "m")
        return 1000.0 * self.effective_area_m2() / floor_area_m2 * float((height_m / 2.5) ** 0.3)

    def leakage_class(self, floor_area_m2: float, height_m: float) -> str:
        """The leakage class, A (tightest) to J, of ANSI/ASHRAE Standard 119-1988."""
        place = np.searchsorted(LEAKAGE_CLASS_BOUNDS, self.normalized(floor_area_m2, height_m), "right")
        return "ABCDEFGHIJ"[int(place)]


def exposed_area_m2(floor_area_m2: float, storeys: float = 1.0, ceiling_height_m: float = 2.44) -> float:
    """Walls and top ceiling that face the weather, m2, of a house of which only the floor area is known.

    The plan is taken as a rectangle one and a half times as long as wide, the floor as lying on the ground (common
    practice, no source). `storeys` from 1 to 3.
    """
    within("floor area", floor_area_m2, 1.0, _LARGEST_AREA, "m2")
    within("storeys", storeys, 1.0, 3.0)
    within("ceiling height", ceiling_height_m, 1.5, 10.0, "m")
    plan = floor_area_m2 / storeys
    perimeter = 2.0 * (1.0 + 1.5) * float(np.sqrt(plan / 1.5))
    return perimeter * storeys * ceiling_height_m + plan


def _orifice_velocity(reference_pa: float, discharge_coefficient: float) -> float:
    within("reference pressure", reference_pa, 1.0, 100.0, "Pa")
    within("discharge coefficient", discharge_coefficient, 0.1, 1.0)
    return discharge_coefficient * float(np.sqrt(2.0 * reference_pa / _HANDBOOK_DENSITY))
