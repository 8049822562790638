"""The surveyed house as the model sees it: blower, ducts, household, climate, and what was assumed."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from motemodel.airside import (
    NOMINAL_AIRFLOW_M3H_PER_TON,
    RATED_STATIC_PA,
    AirHandler,
    Blower,
    BlowerFamily,
    DuctCurve,
    FamilyCurve,
    Fitting,
    PartlyCoveredCoil,
    Resistance,
    RoundDuct,
    contraction_loss,
    density_ratio,
    expansion_loss,
    series,
)
from motemodel.envelope import Exposure, Ventilation
from motemodel.estimate import Estimate
from motemodel.filters import curve_from_merv, drop_pa, pm25_efficiency
from motemodel.particles import Air
from motemodel.plan import Household, Outdoors, Runtime
from motemodel.units import W_PER_TON

from ..settings import Candidate, DuctKind, House
from .figures import spread
from .survey import assembly, dust_of, leakage_of

_RUNTIME_SPREAD_TOLD, _RUNTIME_SPREAD_UNTOLD = 1.15, 1.5
"""Of the fan's hours, as told and by the climate alone (common practice, no source)."""

_FILTER_SHARE = 0.2
"""Of the external static, where neither the filter's drop nor the filter is known (common practice, no source)."""

_ROUGHNESS_M = {DuctKind.SMOOTH: 9e-5, DuctKind.FLEXIBLE: 9e-4, DuctKind.SLACK_FLEXIBLE: 3e-3}
_HOURS_PER_YEAR = 8760
_HOURS_PER_DAY = 24
_DAILY_SWING_C = 5.0
"""Half of what the outdoor temperature moves in a day (common practice, no source)."""


class ComparisonError(ValueError):
    """The files are well written but cannot be compared with; the message names the key, the value and the fix."""


@dataclass(frozen=True)
class System:
    """A surveyed system without its filter, the house round it, and the assumptions made where the survey is silent.

    `duct` leaves out filter and coil; `runtime` is the share of the year's hours in which the fan runs.
    """

    house: House
    blower: Blower
    duct: DuctCurve
    airflow_m3h: float
    external_static_pa: float
    air: Air
    household: Household
    leakage_spread: float
    outdoors: Outdoors
    runtime: Estimate
    dust_spread: float
    assumptions: tuple[str, ...]

    @property
    def tons(self) -> float | None:
        """Cooling capacity, tons of refrigeration."""
        capacity = self.house.air_handler.cooling_capacity
        return None if capacity is None else capacity / W_PER_TON

    def coil(self, covered: float | None = None) -> Resistance:
        """The cooling coil, as covered today or as `covered` says; none drops nothing."""
        coil = self.house.air_handler.coil
        if coil is None:
            return DuctCurve(self.airflow_m3h, 0.0)
        covered = coil.covered if covered is None else covered
        return PartlyCoveredCoil(self.airflow_m3h, coil.drop, coil.face_area, covered, air=self.air)

    def with_fittings(self, candidate: Candidate | None) -> AirHandler:
        """Blower and all that it works against except the filter itself."""
        if candidate is None:
            return AirHandler(self.blower, series(self.duct, self.coil()))
        coil = self.coil(candidate.coil_covered)
        return AirHandler(self.blower, series(self.duct, coil, *_fittings(candidate, self.air)))


def surveyed_system(house: House) -> System:
    """Blower, ducts, household and climate of a house file; raises ComparisonError where it does not say enough."""
    assumptions: list[str] = []
    handler = house.air_handler
    air = Air.at_altitude(house.site.altitude, temperature_c=house.indoor_temperature)
    static = handler.external_static
    if static is None:
        static = RATED_STATIC_PA
        assumptions.append("air_handler.external_static is not given: 125 Pa (0.5 in. w.c.) is taken.")
    blower, airflow = _blower(house, static, air, assumptions)
    of_filter = _filter_drop(house, airflow, static, assumptions)
    coil = handler.coil
    of_coil = 0.0
    if coil is not None:
        surveyed = PartlyCoveredCoil(airflow, coil.drop, coil.face_area, coil.covered, air=air)
        of_coil = float(surveyed(airflow))
    left = static - of_filter - of_coil
    if left <= 0.0:
        raise ComparisonError(
            f"air_handler.external_static: {static:.3g} Pa in all, but the filter ({of_filter:.3g} Pa) and the "
            f"coil ({of_coil:.3g} Pa) leave nothing of it for the ducts; measure external_static with the filter in, "
            "or correct filter_drop, filter.rated_drop or coil.drop"
        )
    household, leakage_spread = _household(house, assumptions)
    outdoors = _outdoors(house)
    dust = dust_of(house)
    return System(
        house=house,
        blower=blower,
        duct=DuctCurve(airflow, left),
        airflow_m3h=airflow,
        external_static_pa=static,
        air=air,
        household=household,
        leakage_spread=leakage_spread,
        outdoors=outdoors,
        runtime=_runtime(house, outdoors, assumptions),
        dust_spread=dust.high / dust.value,
        assumptions=tuple(assumptions),
    )


def _blower(house: House, static: float, air: Air, assumptions: list[str]) -> tuple[Blower, float]:
    """The blower and the airflow it moves at the surveyed static."""
    handler = house.air_handler
    family = BlowerFamily(handler.blower.value)
    if handler.blower_table:
        blower = _from_table(house, family, static, assumptions).at_density(density_ratio(air))
        _within_range(blower, static)
        if handler.airflow is None:
            return _powered(blower, handler.fan_power, static), float(blower.airflow_m3h(static))
        ratio = handler.airflow / float(blower.airflow_m3h(static))
        scaled = replace(blower, airflow_scale=blower.airflow_scale * ratio, power_scale=blower.power_scale * ratio)
        return _powered(scaled, handler.fan_power, static), handler.airflow
    airflow, tons = handler.airflow, None
    if handler.cooling_capacity is not None:
        tons = float(np.clip(handler.cooling_capacity / W_PER_TON, 2.0, 5.0))
    if airflow is None:
        if handler.cooling_capacity is None:
            raise ComparisonError(
                "air_handler: neither airflow, nor cooling_capacity, nor blower_table is given, so the airflow is not "
                'known; measure it and add airflow = "1200 cfm" and airflow_known_by = "measured"'
            )
        airflow = NOMINAL_AIRFLOW_M3H_PER_TON * handler.cooling_capacity / W_PER_TON
        assumptions.append("air_handler.airflow is not given: 400 cfm per ton of cooling is taken (common practice).")
    _within_range(Blower(FamilyCurve(family), family), static)
    if not 100.0 <= airflow <= 20_000.0:
        raise ComparisonError(
            f"air_handler.airflow: {airflow:.4g} m3/h is not that of a house's blower; give 100 to 20,000 m3/h"
        )
    if handler.fan_power is None:
        assumptions.append(f"air_handler.fan_power is not given: the usual power of a {family.value} blower is taken.")
    blower = Blower.surveyed(family, airflow, static, capacity_tons=tons)
    return _powered(blower, handler.fan_power, static), airflow


def _powered(blower: Blower, fan_power: float | None, static: float) -> Blower:
    if fan_power is None:
        return blower
    if not 10.0 <= fan_power <= 5000.0:
        raise ComparisonError(f"air_handler.fan_power: {fan_power:.4g} W is not that of a blower; give 10 to 5000 W")
    return blower.with_power(fan_power, static)


def _from_table(house: House, family: BlowerFamily, static: float, assumptions: list[str]) -> Blower:
    rows = house.air_handler.blower_table
    statics, airflows = [row.static for row in rows], [row.airflow for row in rows]
    powers = [row.power for row in rows if row.power is not None]
    if not powers:
        usual = Blower(FamilyCurve(family), family)
        at = np.clip(statics, *usual.static_range_pa)
        powers = list(usual.power_w(at) / usual.airflow_m3h(at) * airflows)
        assumptions.append(f"air_handler.blower_table gives no power: that of a usual {family.value} blower is taken.")
    try:
        return Blower.from_table(statics, airflows, powers, family)
    except ValueError as error:
        raise ComparisonError(f"air_handler.blower_table: {error}") from None


def _within_range(blower: Blower, static: float) -> None:
    low, high = blower.static_range_pa
    if not low <= static <= high:
        raise ComparisonError(
            f"air_handler.external_static: {static:.3g} Pa is outside the {low:.0f} to {high:.0f} Pa for which this "
            "blower's curve is known; give the maker's blower_table as far as that, or measure again"
        )


def _filter_drop(house: House, airflow: float, static: float, assumptions: list[str]) -> float:
    """Drop of the filter in place at the time of the survey, Pa."""
    if house.air_handler.filter_drop is not None:
        return house.air_handler.filter_drop
    fitted = None if house.filter is None else assembly(house.filter)
    if fitted is not None:
        assumptions.append("air_handler.filter_drop is not given: the filter in place is taken as clean at the survey.")
        return float(drop_pa(fitted, airflow))
    assumptions.append(
        "Neither air_handler.filter_drop nor the filter in place is given: a fifth of the external static is taken to "
        "have been the filter's (common practice)."
    )
    return _FILTER_SHARE * static


def _fittings(candidate: Candidate, air: Air) -> Sequence[Resistance]:
    parts: list[Resistance] = [Fitting(one.loss_coefficient, one.area, air) for one in candidate.fittings]
    if candidate.transition is not None:
        narrow, ratio = (
            candidate.transition.narrow_area,
            candidate.transition.narrow_area / candidate.transition.wide_area,
        )
        parts.append(Fitting(expansion_loss(ratio) + contraction_loss(ratio), narrow, air))
    if candidate.duct is not None:
        told = candidate.duct
        one = RoundDuct(told.length, told.diameter, _ROUGHNESS_M[told.kind], told.loss_coefficient, air)
        parts.append(lambda airflow_m3h: one(np.asarray(airflow_m3h) / told.runs))
    return parts


def _household(house: House, assumptions: list[str]) -> tuple[Household, float]:
    leakage, leakage_spread, basis = leakage_of(house)
    assumptions.append(f"Leakage of the shell: {basis}.")
    told = house.ventilation
    if house.house.dust is None:
        assumptions.append("house.dust is not given: a home of median dust is taken.")
    intake = 0.0 if told.intake_merv is None else pm25_efficiency(curve_from_merv(told.intake_merv))
    household = Household(
        house.house.volume_m3,
        leakage,
        Exposure(storeys=house.site.storeys, shelter_class=house.site.shelter_class, altitude_m=house.site.altitude),
        ventilation=Ventilation(told.supply or 0.0, told.exhaust or 0.0),
        intake_efficiency=intake,
        supply_leak=house.air_handler.supply_leakage,
        return_leak=house.air_handler.return_leakage,
        indoor_c=house.indoor_temperature,
        source_ug_h=house.house.indoor_source,
        dust_ug_m3=dust_of(house).value,
    )
    return household, leakage_spread


def _outdoors(house: House) -> Outdoors:
    """A year of hours, coldest first; the smoke days are spread evenly, so that no filter meets them by its season."""
    told = house.outdoors
    hours = np.arange(float(_HOURS_PER_YEAR))
    season = -np.cos(2.0 * np.pi * hours / _HOURS_PER_YEAR)
    daily = -np.cos(2.0 * np.pi * (hours - 3.0) / _HOURS_PER_DAY)
    mean, half = (told.warmest_month + told.coldest_month) / 2.0, (told.warmest_month - told.coldest_month) / 2.0
    days = _HOURS_PER_YEAR // _HOURS_PER_DAY
    smoke = np.zeros(days, dtype=bool)
    smoke[((np.arange(told.smoke_days) + 0.5) * days / max(told.smoke_days, 1)).astype(int)] = True
    return Outdoors(
        temperature_c=mean + half * season + _DAILY_SWING_C * daily,
        wind_m_s=np.full(_HOURS_PER_YEAR, told.wind),
        pm25_ug_m3=np.repeat(np.where(smoke, told.smoke_pm25, told.ordinary_pm25), _HOURS_PER_DAY),
    )


def _runtime(house: House, outdoors: Outdoors, assumptions: list[str]) -> Estimate:
    """Share of the year's hours in which heating and cooling run the fan."""
    told = house.air_handler.fan_runtime
    ratio, share = _RUNTIME_SPREAD_TOLD, told
    if share is None:
        ratio, share = _RUNTIME_SPREAD_UNTOLD, float(Runtime().on_fraction(outdoors.temperature_c).mean())
        assumptions.append(
            "air_handler.fan_runtime is not given: the fan's hours follow the outdoor temperature as measured in homes."
        )
    told_spread = spread(share, ratio)
    return Estimate(share, told_spread.low, min(told_spread.high, 1.0))
