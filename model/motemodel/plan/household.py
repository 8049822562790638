"""The house round a filter: when its fan runs, what is outdoors, what its people make and stir up."""

from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, finite, fraction, not_negative, within
from ..envelope import Exposure, Leakage, Ventilation
from ..filters import TYPICAL_DUST_UG_M3
from ..particles import (
    DEFAULT_GRID,
    OUTDOOR_URBAN,
    MassDistribution,
    bin_means,
    lived_in_deposition_rate,
    lived_in_penetration_factor,
)

HOURS_PER_DAY = 24
PM25_BINS = 4
"""Bins of the default grid that make up PM2.5."""


@dataclass(frozen=True)
class Runtime:
    """How much of an hour the central fan runs, by outdoor temperature.

    Cooling adds `cooling_per_k` of the hour for each K above `cooling_from_c`, heating likewise below `heating_from_c`;
    `least` is a circulation setting. 0.06 of the hour per K: Stephens, Siegel and Novoselac (2011), Building and
    Environment 46, 17 cooling systems in a hot climate; heating a third of that, since a furnace meets its coldest hour
    at 40 K where an air conditioner meets its hottest at 15 K (common practice, no source).
    """

    cooling_from_c: float = 22.0
    cooling_per_k: float = 0.06
    heating_from_c: float = 16.0
    heating_per_k: float = 0.02
    least: float = 0.0

    def __post_init__(self) -> None:
        within("cooling from", self.cooling_from_c, -30.0, 50.0, "degC")
        within("heating from", self.heating_from_c, -30.0, 50.0, "degC")
        within("cooling per K", self.cooling_per_k, 0.0, 1.0, "of the hour")
        within("heating per K", self.heating_per_k, 0.0, 1.0, "of the hour")
        fraction("least on-fraction of the fan", self.least)

    def on_fraction(self, outdoor_c: ArrayLike) -> FloatArray:
        """On-fraction of the fan, 0..1, at each outdoor temperature (degC)."""
        outdoor = finite("outdoor temperature", outdoor_c)
        cooling = self.cooling_per_k * np.maximum(outdoor - self.cooling_from_c, 0.0)
        heating = self.heating_per_k * np.maximum(self.heating_from_c - outdoor, 0.0)
        return np.asarray(np.clip(np.maximum(cooling + heating, self.least), 0.0, 1.0))


@dataclass(frozen=True)
class Outdoors:
    """Hourly weather and outdoor air, arrays (T,) of a day or more, repeated as often as a life is long.

    Temperature (degC), wind speed of the weather station (m/s), PM2.5 (ug/m3), and the mass distribution of that air.
    """

    temperature_c: FloatArray
    wind_m_s: FloatArray
    pm25_ug_m3: FloatArray
    distribution: MassDistribution = OUTDOOR_URBAN

    def __post_init__(self) -> None:
        shapes = [np.shape(values) for values in (self.temperature_c, self.wind_m_s, self.pm25_ug_m3)]
        if len(set(shapes)) != 1 or len(shapes[0]) != 1 or shapes[0][0] < HOURS_PER_DAY:
            raise ValueError(
                f"outdoors: temperature, wind and PM2.5 have shapes {shapes[0]}, {shapes[1]}, {shapes[2]}; "
                "give one value an hour of each, for a day or more"
            )
        within("outdoor PM2.5", self.pm25_ug_m3, 0.0, 1e5, "ug/m3")

    def by_size(self) -> FloatArray:
        """Concentration, ug/m3, by the bins of the default grid; shape (bins, T)."""
        return np.asarray(np.multiply.outer(per_pm25(self.distribution), self.pm25_ug_m3))


def per_pm25(distribution: MassDistribution) -> FloatArray:
    """Mass in each bin of the default grid per mass of PM2.5."""
    shares = distribution.bin_fractions(DEFAULT_GRID)
    return np.asarray(shares / shares[:PM25_BINS].sum())


@cache
def _usual_penetration() -> tuple[float, ...]:
    return tuple(bin_means(lived_in_penetration_factor, OUTDOOR_URBAN, DEFAULT_GRID).tolist())


@cache
def _usual_deposition() -> tuple[float, ...]:
    return tuple(bin_means(lived_in_deposition_rate, OUTDOOR_URBAN, DEFAULT_GRID).tolist())


@dataclass(frozen=True)
class Household:
    """The house round the filter and what its people make and stir up.

    `supply_leak` and `return_leak`: shares of the fan's airflow that its ducts lose to and draw from outside the shell.
    `penetration`, `deposition_per_h`: by the bins of the default grid; by default those of lived-in homes.
    `source_ug_h`: PM2.5 made indoors, on average; what is made has the sizes of cooking up to 10 um.
    `dust_ug_m3`: house dust in the air that reaches the filter; it is stirred up and falls again whatever the filter
    does, so it is given, not balanced.
    """

    volume_m3: float
    leakage: Leakage
    exposure: Exposure = field(default_factory=Exposure)
    ventilation: Ventilation = field(default_factory=Ventilation)
    intake_efficiency: float = 0.0
    supply_leak: float = 0.0
    return_leak: float = 0.0
    indoor_c: float = 21.0
    penetration: tuple[float, ...] = field(default_factory=_usual_penetration)
    deposition_per_h: tuple[float, ...] = field(default_factory=_usual_deposition)
    source_ug_h: float = 0.0
    dust_ug_m3: float = TYPICAL_DUST_UG_M3

    def __post_init__(self) -> None:
        within("house volume", self.volume_m3, 10.0, 1e5, "m3")
        fraction("intake efficiency", self.intake_efficiency)
        within("supply leak", self.supply_leak, 0.0, 0.9)
        within("return leak", self.return_leak, 0.0, 0.9)
        within("indoor temperature", self.indoor_c, -60.0, 60.0, "degC")
        within("indoor source", self.source_ug_h, 0.0, 1e8, "ug/h")
        within("house dust", self.dust_ug_m3, 0.0, 1e5, "ug/m3")
        fraction("penetration", self.penetration)
        not_negative("deposition rate", self.deposition_per_h)
        for place, values in (("penetration", self.penetration), ("deposition rate", self.deposition_per_h)):
            if np.shape(values) != (DEFAULT_GRID.count,):
                raise ValueError(
                    f"{place}: {np.size(values)} values; give {DEFAULT_GRID.count}, one a bin of the default grid"
                )
        if np.ndim(self.ventilation.supply_m3h) or np.ndim(self.ventilation.exhaust_m3h):
            raise ValueError("ventilation: it changes over time; give its mean airflows, single numbers")
