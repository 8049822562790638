"""All the outdoor air of a house: shell, windows, mechanical ventilation and leaky ducts, brought together."""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, fraction, within
from .shapes import aligned

_LARGEST_AIRFLOW = 1e6


@dataclass(frozen=True)
class Ventilation:
    """Mechanical ventilation by outdoor air: what a fan brings in and what a fan throws out, m3/h.

    Balanced: both alike. Exhaust only: `supply_m3h` 0. Supply only: `exhaust_m3h` 0. Kitchen hoods and dryers are
    exhaust. Each a number or an array over time, 0 to 1e6.
    """

    supply_m3h: ArrayLike = 0.0
    exhaust_m3h: ArrayLike = 0.0

    def __post_init__(self) -> None:
        within("ventilation supply", self.supply_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h")
        within("ventilation exhaust", self.exhaust_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h")


@dataclass(frozen=True)
class DuctLeakage:
    """Duct air that crosses the shell while the central fan runs, m3/h: lost from supply, drawn in by return.

    Count only leaks to and from places outside the shell (attic, garage, crawl space, outdoors).
    """

    supply_m3h: ArrayLike = 0.0
    return_m3h: ArrayLike = 0.0

    def __post_init__(self) -> None:
        within("supply duct leakage", self.supply_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h")
        within("return duct leakage", self.return_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h")

    @classmethod
    def from_fractions(cls, airflow_m3h: ArrayLike, supply_fraction: float, return_fraction: float) -> Self:
        """From the air handler's airflow and the fractions of it that leak out of the supply and into the return."""
        airflow = within("airflow", airflow_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h")
        supply = fraction("supply leakage fraction", supply_fraction)
        back = fraction("return leakage fraction", return_fraction)
        return cls(airflow * supply, airflow * back)

    @classmethod
    def from_test(
        cls,
        supply_25_m3h: float,
        return_25_m3h: float,
        supply_pressure_pa: ArrayLike = 25.0,
        return_pressure_pa: ArrayLike = 25.0,
    ) -> Self:
        """From the leakage to outside at 25 Pa (ASTM E1554) and the pressures in the ducts as they run (0 to 500 Pa).

        Scaled as (dp / 25)^0.6, the exponent of ANSI/ASHRAE Standard 152 for duct leaks.
        """
        within("supply leakage at 25 Pa", supply_25_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h")
        within("return leakage at 25 Pa", return_25_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h")
        supply_pressure = within("supply duct pressure", supply_pressure_pa, 0.0, 500.0, "Pa")
        return_pressure = within("return duct pressure", return_pressure_pa, 0.0, 500.0, "Pa")
        return cls(supply_25_m3h * (supply_pressure / 25.0) ** 0.6, return_25_m3h * (return_pressure / 25.0) ** 0.6)


@dataclass(frozen=True)
class AirExchange:
    """Outdoor air in and house air out, m3/h, averaged over the fan's on and off time; arrays share one shape.

    What comes in, by its way, because each way cleans it differently:
    `infiltration_m3h` through cracks (penetration factor applies), `windows_m3h` through open windows (nothing is held
    back), `intake_m3h` through the ventilation's intake (its own filter applies), `duct_return_m3h` through return
    leaks (the main filter cleans it before the rooms get it, and it carries the air of attic or garage).
    What goes out: `out_m3h` in all, the sum of the above. Of it `duct_supply_m3h` leaves by supply leaks and so has
    already passed the main filter.
    `duct_extra_m3h`: what `out_m3h` would fall by if the ducts were sealed.
    """

    infiltration_m3h: FloatArray
    windows_m3h: FloatArray
    intake_m3h: FloatArray
    duct_return_m3h: FloatArray
    duct_supply_m3h: FloatArray
    duct_extra_m3h: FloatArray

    @property
    def out_m3h(self) -> FloatArray:
        """House air leaving, equal to the outdoor air entering, m3/h."""
        return np.asarray(self.infiltration_m3h + self.windows_m3h + self.intake_m3h + self.duct_return_m3h)

    def air_changes_per_h(self, volume_m3: float) -> FloatArray:
        """Air changes per hour of a house of `volume_m3` (m3)."""
        within("house volume", volume_m3, 1.0, 1e6, "m3")
        return np.asarray(self.out_m3h / volume_m3)


def combined_airflow(natural_m3h: ArrayLike, supply_m3h: ArrayLike, exhaust_m3h: ArrayLike) -> FloatArray:
    """Outdoor air, m3/h, of a house with natural infiltration, fans that supply and fans that exhaust.

    ASHRAE Handbook Fundamentals (2017), chapter 16: Q = Q_balanced + sqrt(Q_unbalanced2 + Q_natural2), the balanced
    part being the smaller of supply and exhaust. A fan that pushes or pulls alone takes over part of the natural flow,
    hence the quadrature. Any airflows from 0 to 1e6 m3/h, arrays broadcast; ValueError outside.

    >>> float(combined_airflow(120.0, 0.0, 160.0))
    200.0
    """
    natural = within("natural airflow", natural_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h")
    supply = within("supply", supply_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h")
    exhaust = within("exhaust", exhaust_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h")
    return np.asarray(np.minimum(supply, exhaust) + np.hypot(supply - exhaust, natural))


def air_exchange(
    infiltration_m3h: ArrayLike,
    *,
    windows_m3h: ArrayLike = 0.0,
    ventilation: Ventilation | None = None,
    ducts: DuctLeakage | None = None,
    fan_on_fraction: ArrayLike = 0.0,
) -> AirExchange:
    """Every outdoor airflow of a house, from its natural flows, its ventilation and its duct leaks.

    Cracks and windows are driven by the same weather, so their natural flows add. Supply leaks act as an exhaust fan
    and return leaks as a supply fan while the central fan runs (`fan_on_fraction` of the time, 0 to 1); on and off
    are solved apart by `combined_airflow` and then averaged. Airflows in m3/h, 0 to 1e6, arrays broadcast together.
    Raises ValueError outside.
    """
    ventilation = ventilation or Ventilation()
    ducts = ducts or DuctLeakage()
    cracks, windows, supply, exhaust, leak_out, leak_in, on = aligned(
        "airflows",
        within("infiltration", infiltration_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h"),
        within("window airflow", windows_m3h, 0.0, _LARGEST_AIRFLOW, "m3/h"),
        np.asarray(ventilation.supply_m3h, dtype=np.float64),
        np.asarray(ventilation.exhaust_m3h, dtype=np.float64),
        np.asarray(ducts.supply_m3h, dtype=np.float64),
        np.asarray(ducts.return_m3h, dtype=np.float64),
        fraction("fan on fraction", fan_on_fraction),
    )
    natural = cracks + windows
    total_off = combined_airflow(natural, supply, exhaust)
    total_on = combined_airflow(natural, supply + leak_in, exhaust + leak_out)
    shell = np.maximum((1.0 - on) * (total_off - supply) + on * (total_on - supply - leak_in), 0.0)
    window_share = np.divide(windows, natural, out=np.zeros_like(natural), where=natural > 0.0)
    return AirExchange(
        infiltration_m3h=np.asarray(shell * (1.0 - window_share)),
        windows_m3h=np.asarray(shell * window_share),
        intake_m3h=np.array(supply),
        duct_return_m3h=np.asarray(on * leak_in),
        duct_supply_m3h=np.asarray(on * leak_out),
        duct_extra_m3h=np.asarray(on * (total_on - total_off)),
    )
