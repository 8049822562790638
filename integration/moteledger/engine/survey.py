"""What the house file alone leads one to expect: the house's rates, size by size, with honest spreads.

Spreads are 90 % intervals, as ratios around the value. They say how far single houses lie from what a survey of this
kind predicts, and are wide on purpose.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from motemodel.envelope import Exposure, Leakage, Tightness, enhanced_infiltration, exposed_area_m2
from motemodel.particles import (
    INDOOR_COOKING,
    OUTDOOR_URBAN,
    SizeGrid,
    bin_means,
    deposition_rate,
    penetration_factor,
)

from ..settings import House
from .grid import GriddedHouse

FloatArray = NDArray[np.float64]

PM25_GRID = SizeGrid((0.01, 0.1, 0.3, 1.0, 2.5))
"""The bins of the model's default grid that make up PM2.5."""

PM25_DEPOSITION_PER_H = 0.39
"""Loss of PM2.5 to surfaces in lived-in homes, 1/h: Ozkaynak et al. (1996), J. Expo. Anal. Environ. Epidemiol. 6:
57-78, the PTEAM study (from memory). Smooth-surface theory gives the shape over size, this study the level."""

PM25_PENETRATION = 0.8
"""Share of outdoor PM2.5 that passes an ordinary shell: between 0.72 of Williams et al. (2003), Atmos. Environ. 37:
5365-5378, and 1.0 of the PTEAM study (both from memory). Crack theory gives the shape over size."""

_STORM_WIND_M_S = 60.0
_USUAL_WIND_M_S = 3.0


@dataclass(frozen=True)
class Survey:
    """Rates that the house file and the weather lead one to expect; B bins of `PM25_GRID`, T steps.

    `infiltration_m3h` (T,) follows the weather; `penetration`, `deposition_per_h`, `outdoor_shares`, `indoor_shares`
    (B,). The spreads are ratios: the 90 % interval of a value reaches from value / spread to value * spread.
    """

    volume_m3: float
    infiltration_m3h: FloatArray
    penetration: FloatArray
    deposition_per_h: FloatArray
    outdoor_shares: FloatArray
    indoor_shares: FloatArray
    infiltration_spread: float
    infiltration_basis: str

    @property
    def air_change_per_h(self) -> float:
        """Mean air change by infiltration over the period, 1/h."""
        return float(self.infiltration_m3h.mean()) / self.volume_m3

    @property
    def pm25_penetration(self) -> float:
        """Penetration factor of outdoor PM2.5."""
        return float(self.outdoor_shares @ self.penetration)

    @property
    def pm25_deposition_per_h(self) -> float:
        """Loss of indoor PM2.5 to surfaces, 1/h."""
        return float(self.indoor_shares @ self.deposition_per_h)


def survey(house: House, gridded: GriddedHouse) -> Survey:
    """Work out a house's expected rates over the period of its readings."""
    outdoor_shares = OUTDOOR_URBAN.bin_fractions(PM25_GRID)
    penetration = bin_means(penetration_factor, OUTDOOR_URBAN, PM25_GRID)
    deposition = bin_means(deposition_rate, OUTDOOR_URBAN, PM25_GRID)
    # Indoors the outdoor mixture arrives thinned by the shell; it is what deposits and what the filter sees.
    indoor = outdoor_shares * penetration
    indoor_shares = indoor / indoor.sum()
    penetration_level = PM25_PENETRATION / float(outdoor_shares @ penetration)
    deposition_level = PM25_DEPOSITION_PER_H / float(indoor_shares @ deposition)
    infiltration, spread, basis = _infiltration(house, gridded)
    return Survey(
        volume_m3=house.house.volume_m3,
        infiltration_m3h=infiltration,
        penetration=np.minimum(penetration * penetration_level, 1.0),
        deposition_per_h=deposition * deposition_level,
        outdoor_shares=outdoor_shares,
        indoor_shares=indoor_shares,
        infiltration_spread=spread,
        infiltration_basis=basis,
    )


COOKING_SHARES = INDOOR_COOKING.bin_fractions(PM25_GRID)
"""Shares of the bins in what is made indoors."""


def leakage_of(house: House) -> tuple[Leakage, float, str]:
    """The shell's leakage, the spread of infiltration worked out from it, and what it rests on."""
    told, building = house.house.leakage, house.house
    height = building.ceiling_height * house.site.storeys
    if told is None or told.tightness is not None:
        tightness = Tightness.AVERAGE if told is None else told.tightness or Tightness.AVERAGE
        area = exposed_area_m2(building.floor_area, house.site.storeys, building.ceiling_height)
        assumed = "an average house is assumed" if told is None else f"the house is described as {tightness.value}"
        return Leakage.from_tightness(tightness, area), 2.5, assumed
    if told.air_changes_50 is not None:
        leakage = Leakage.from_air_changes(told.air_changes_50, building.volume_m3, exponent=told.exponent)
    elif told.airflow_50 is not None:
        leakage = Leakage.from_airflow(told.airflow_50, exponent=told.exponent)
    elif told.flow_coefficient is not None:
        leakage = Leakage(told.flow_coefficient, told.exponent)
    elif told.effective_leakage_area is not None:
        leakage = Leakage.from_effective_area(told.effective_leakage_area, told.exponent)
    elif told.readings is not None:
        leakage = Leakage.from_readings(
            [reading.pressure for reading in told.readings], [reading.airflow for reading in told.readings]
        )
    else:
        leakage = Leakage.from_leakage_class(told.leakage_class or "E", building.floor_area, height, told.exponent)
        return leakage, 2.0, f"leakage class {told.leakage_class}"
    return leakage, 1.6, f"blower door, {leakage.air_changes_per_h(building.volume_m3):.2g} air changes at 50 Pa"


def _infiltration(house: House, gridded: GriddedHouse) -> tuple[FloatArray, float, str]:
    """Infiltration (T,), m3/h, its spread and its basis."""
    leakage, spread, basis = leakage_of(house)
    exposure = Exposure(
        storeys=house.site.storeys, shelter_class=house.site.shelter_class, altitude_m=house.site.altitude
    )
    outdoor = gridded.values("outdoor.temperature")
    if outdoor is None:
        # The rule of thumb of one twentieth of the air changes at 50 Pa (common practice, no source).
        twentieth = float(leakage.airflow_m3h(50.0)) / 20.0
        return (
            np.full(gridded.grid.count, twentieth),
            max(spread, 2.0),
            f"{basis}; no outdoor temperature, so one twentieth of the leakage at 50 Pa is taken",
        )
    indoor = gridded.values("indoor.temperature")
    wind = gridded.values("outdoor.wind_speed")
    if wind is None:
        basis += f"; no wind measured, {_USUAL_WIND_M_S:g} m/s taken"
    infiltration = enhanced_infiltration(
        leakage,
        exposure,
        house.indoor_temperature if indoor is None else _filled(indoor),
        _filled(outdoor),
        _USUAL_WIND_M_S if wind is None else np.clip(_filled(wind), 0.0, _STORM_WIND_M_S),
    )
    return infiltration, spread, basis


def _filled(values: FloatArray) -> FloatArray:
    """Gaps bridged by straight lines, ends held; `values` has at least one known step."""
    known = np.isfinite(values)
    steps = np.arange(values.size)
    return np.interp(steps, steps[known], values[known])
