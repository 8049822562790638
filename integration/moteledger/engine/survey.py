"""What the house file and the weather lead one to expect, each figure with an honest spread.

Spreads are 90 % intervals given as ratios: from value / ratio to value * ratio. They say how far single houses lie from
what a survey of this kind predicts, and are wide on purpose (common practice, no source, where none is named).
"""

from dataclasses import asdict, dataclass

import numpy as np

from motemodel.bounds import FloatArray
from motemodel.envelope import Exposure, Leakage, Tightness, enhanced_infiltration, exposed_area_m2
from motemodel.estimate import Answer, Estimate, Unknown
from motemodel.filters import (
    HIGHEST_MERV,
    LOWEST_MERV,
    TYPICAL_DUST_UG_M3,
    ChargeLoss,
    EfficiencyCurve,
    Filter,
    Gap,
    SizeRangeEfficiency,
    assumed_conditioned,
    curve_from_merv,
    curve_from_ranges,
    flow_split,
    pm25_efficiency,
)
from motemodel.particles import USUAL_PM25_DEPOSITION_PER_H, USUAL_PM25_PENETRATION

from ..settings import Dust, FilterSettings, House
from .figures import product, spread, total
from .grid import GriddedHouse

PM25_DEPOSITION_PER_H = Estimate(*USUAL_PM25_DEPOSITION_PER_H)
PM25_PENETRATION = Estimate(*USUAL_PM25_PENETRATION)

_USUAL_WIND_M_S = 3.0
_STRONGEST_WIND_M_S = 60.0
_COLDEST_C, _WARMEST_C = -60.0, 60.0
"""Where the infiltration model ends; a sensor in the sun reads more than that."""
_MEASURED_LEAKAGE_SPREAD, _CLASSED_LEAKAGE_SPREAD, _DESCRIBED_LEAKAGE_SPREAD = 1.6, 2.0, 2.5
_NO_WEATHER_SPREAD = 2.0
_PASSING_SPREAD = 1.15
_DUST_UG_M3 = {Dust.CLEAN: 30.0, Dust.ORDINARY: 90.0, Dust.DUSTY: 270.0}
_TOLD_DUST_SPREAD, _UNTOLD_DUST_SPREAD = 3.0, 5.0
"""Between homes described alike, and between all homes: 2.9 to 824 ug/m3 in 21 of them, Mahdavi & Siegel (2021)."""
_LOWEST_RATED_MERV = 5


@dataclass(frozen=True)
class Survey:
    """What to expect of a house; `infiltration_m3h` (T,) follows the weather on the grid of its readings."""

    infiltration_m3h: FloatArray
    infiltration_basis: str
    entry_per_h: Estimate
    air_change_per_h: Estimate
    loss_fan_off_per_h: Estimate
    airflow_m3h: Answer
    installed_efficiency: Answer
    clean_air_delivered_m3h: Answer
    sensor_gain_ratio: Answer


def survey(house: House, gridded: GriddedHouse) -> Survey:
    """Work out what to expect of a house over the period of its readings."""
    infiltration, ratio, basis = _infiltration(house, gridded)
    air_change = spread(float(infiltration.mean()) / house.house.volume_m3, ratio)
    airflow = _airflow(house)
    efficiency = installed_efficiency(house.filter, airflow)
    delivered: Answer
    if isinstance(airflow, Unknown):
        delivered = airflow
    elif isinstance(efficiency, Unknown):
        delivered = efficiency
    else:
        delivered = product(airflow, efficiency)
    return Survey(
        infiltration_m3h=infiltration,
        infiltration_basis=basis,
        entry_per_h=product(air_change, PM25_PENETRATION),
        air_change_per_h=air_change,
        loss_fan_off_per_h=total(air_change, PM25_DEPOSITION_PER_H),
        airflow_m3h=airflow,
        installed_efficiency=efficiency,
        clean_air_delivered_m3h=delivered,
        sensor_gain_ratio=Unknown("a survey says nothing of the sensors", "hang both side by side for a day"),
    )


def assembly(filter_: FilterSettings) -> Filter | None:
    """The filter in its cabinet, as far as surveyed; None where its face or its clean drop is not known."""
    if filter_.face_area is None or not filter_.rated_drop:
        return None
    return Filter.surveyed(
        efficiency_curve(filter_),
        filter_.face_area,
        [(point.airflow, point.drop) for point in filter_.rated_drop],
        media_area_m2=filter_.media_area,
        capacity_mg=filter_.dust_capacity,
        final_drop_pa=filter_.final_drop,
        charge=ChargeLoss(conditioned_curve(filter_)) if filter_.charged else None,
        gaps=tuple(Gap(gap.length, gap.width, gap.depth, gap.bends) for gap in filter_.gaps),
    )


def efficiency_curve(filter_: FilterSettings) -> EfficiencyCurve:
    """The efficiency of the media over size, from E1, E2, E3 or from the MERV."""
    if filter_.efficiency is not None:
        return curve_from_ranges(SizeRangeEfficiency(**filter_.efficiency.model_dump()))
    return curve_from_merv(filter_.merv or 1)


def conditioned_curve(filter_: FilterSettings) -> EfficiencyCurve:
    """The efficiency of charged media once the charge is gone: as stated, else as such media usually come to."""
    if filter_.conditioned_efficiency is None:
        return assumed_conditioned(efficiency_curve(filter_))
    return curve_from_ranges(SizeRangeEfficiency(**filter_.conditioned_efficiency.model_dump()))


def installed_efficiency(filter_: FilterSettings | None, airflow: Answer) -> Answer:
    """As-installed efficiency for PM2.5, the surveyed gaps included."""
    if filter_ is None:
        return Unknown("the house file has no [filter]", "add its MERV or its E1, E2, E3")
    fitted = assembly(filter_)
    if fitted is None or isinstance(airflow, Unknown):
        if filter_.gaps:
            return Unknown(
                "gaps pass air by the filter's drop", "add filter.face_area, filter.rated_drop and the airflow"
            )
        media_share = 1.0
    else:
        media_share = float(flow_split(fitted, airflow.value).media_share)
    least, most = (media_share * pm25_efficiency(curve) for curve in efficiency_bounds(filter_))
    return Estimate(0.5 * (least + most), least, most)


def efficiency_bounds(filter_: FilterSettings) -> tuple[EfficiencyCurve, EfficiencyCurve]:
    """The least and the most that a rating leaves open.

    A filter sold as MERV n meets the minima of n and not those of n + 1; below MERV 5 there are none, and E3 is below
    the 20 % with which MERV 5 begins (ASHRAE 52.2, table 12-1). Of what passes, measured ranges are good to 15 %
    (common practice, no source).
    """
    if filter_.efficiency is not None:
        measured = filter_.efficiency.model_dump().values()
        return (
            curve_from_ranges(
                SizeRangeEfficiency(*(max(1.0 - (1.0 - value) * _PASSING_SPREAD, 0.0) for value in measured))
            ),
            curve_from_ranges(SizeRangeEfficiency(*(1.0 - (1.0 - value) / _PASSING_SPREAD for value in measured))),
        )
    merv = filter_.merv or LOWEST_MERV
    least = curve_from_merv(merv)
    if merv == HIGHEST_MERV:
        better = (1.0 - 0.5 * (1.0 - value) for value in asdict(least.ranges()).values())
        return least, curve_from_ranges(SizeRangeEfficiency(*better))
    return least, curve_from_merv(max(merv + 1, _LOWEST_RATED_MERV))


def dust_of(house: House) -> Estimate:
    """House dust in the air that reaches the filter, ug/m3: as told in words, else that of the median home."""
    told = house.house.dust
    if told is None:
        return spread(TYPICAL_DUST_UG_M3, _UNTOLD_DUST_SPREAD)
    return spread(_DUST_UG_M3[told], _TOLD_DUST_SPREAD)


def leakage_of(house: House) -> tuple[Leakage, float, str]:
    """The shell's leakage, the spread of the infiltration worked out from it, and what it rests on."""
    told, building = house.house.leakage, house.house
    if told is None or told.tightness is not None:
        tightness = Tightness.AVERAGE if told is None or told.tightness is None else told.tightness
        area = exposed_area_m2(building.floor_area, house.site.storeys, building.ceiling_height)
        basis = (
            "no leakage is given; an average house is assumed" if told is None else f"described as {tightness.value}"
        )
        return Leakage.from_tightness(tightness, area), _DESCRIBED_LEAKAGE_SPREAD, basis
    if told.leakage_class is not None:
        height = building.ceiling_height * house.site.storeys
        leakage = Leakage.from_leakage_class(told.leakage_class, building.floor_area, height, told.exponent)
        return leakage, _CLASSED_LEAKAGE_SPREAD, f"leakage class {told.leakage_class}"
    if told.air_changes_50 is not None:
        leakage = Leakage.from_air_changes(told.air_changes_50, building.volume_m3, exponent=told.exponent)
    elif told.airflow_50 is not None:
        leakage = Leakage.from_airflow(told.airflow_50, exponent=told.exponent)
    elif told.effective_leakage_area is not None:
        leakage = Leakage.from_effective_area(told.effective_leakage_area, told.exponent)
    elif told.readings is not None:
        points = [(point.pressure, point.airflow) for point in told.readings]
        leakage = Leakage.from_readings(*zip(*points, strict=True))
    else:
        leakage = Leakage(told.flow_coefficient or 0.0, told.exponent)
    changes = leakage.air_changes_per_h(building.volume_m3)
    return leakage, _MEASURED_LEAKAGE_SPREAD, f"blower door, {changes:.2g} air changes at 50 Pa"


def filled(values: FloatArray) -> FloatArray:
    """Gaps bridged by straight lines, ends held; `values` (T,) has at least one known step."""
    known = np.isfinite(values)
    steps = np.arange(values.size)
    return np.interp(steps, steps[known], values[known])


def _airflow(house: House) -> Answer:
    handler = house.air_handler
    if handler.airflow is None:
        return Unknown("the house file gives no airflow", "measure it and add air_handler.airflow")
    uncertain = handler.airflow * handler.airflow_uncertainty
    return Estimate(handler.airflow, handler.airflow - uncertain, handler.airflow + uncertain)


def _infiltration(house: House, gridded: GriddedHouse) -> tuple[FloatArray, float, str]:
    """Infiltration (T,), m3/h, its spread and its basis."""
    leakage, ratio, basis = leakage_of(house)
    outdoor, indoor, wind = (
        gridded.values(name) for name in ("outdoor.temperature", "indoor.temperature", "outdoor.wind_speed")
    )
    if outdoor is None:
        # One twentieth of the air changes at 50 Pa (common practice, no source).
        mean = np.full(gridded.grid.count, float(leakage.airflow_m3h(50.0)) / 20.0)
        return mean, max(ratio, _NO_WEATHER_SPREAD), f"{basis}; no outdoor temperature, a twentieth of it taken"
    if wind is None:
        basis += f"; no wind measured, {_USUAL_WIND_M_S:g} m/s taken"
    exposure = Exposure(
        storeys=house.site.storeys, shelter_class=house.site.shelter_class, altitude_m=house.site.altitude
    )
    infiltration = enhanced_infiltration(
        leakage,
        exposure,
        house.indoor_temperature if indoor is None else np.clip(filled(indoor), _COLDEST_C, _WARMEST_C),
        np.clip(filled(outdoor), _COLDEST_C, _WARMEST_C),
        _USUAL_WIND_M_S if wind is None else np.minimum(filled(wind), _STRONGEST_WIND_M_S),
    )
    return infiltration, ratio, basis
