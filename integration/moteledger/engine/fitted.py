"""One filter assembly fitted to a surveyed system: where it runs, which limits it oversteps, what it is over time."""

from dataclasses import dataclass, replace
from functools import cache
from typing import Self

import numpy as np
import scipy

from motemodel.airside import (
    AirHandler,
    Limits,
    OperatingPoint,
    PartlyCoveredCoil,
    airflow_from_temperature_rise,
    breaches,
)
from motemodel.bounds import FloatArray
from motemodel.estimate import Estimate
from motemodel.filters import (
    CLEAN,
    ChargeLoss,
    Deposit,
    Filter,
    SizeRangeEfficiency,
    as_installed_merv,
    assumed_conditioned,
    curve_from_ranges,
    drop_pa,
    efficiency,
    face_velocity_m_s,
    flow_split,
)
from motemodel.particles import DEFAULT_GRID, OUTDOOR_URBAN, MassDistribution, SizeGrid
from motemodel.plan import PM25_BINS

from ..settings import Candidate, FilterSettings
from .comparison import CurvePoint, Finding, Stage
from .figures import figure, product
from .survey import assembly, efficiency_bounds
from .system import ComparisonError, System

_MOST_CLOGGED = 500.0
_CURVE_POINTS = 41
_SIZES_A_BIN = 8
_CONSEQUENCE_OF_HEAT = "the heat exchanger overheats and the furnace trips its limit switch"
_CONSEQUENCE_OF_LOADED = "it is spent on the day it is put in"
_CONSEQUENCE_OF_STALL = "the blower cannot move air through it anywhere on its known curve"
_BASIS = {
    "airflow per ton of cooling": "350 cfm per ton, the least cooling airflow of California's Title 24; 400 is common "
    "practice",
    "face velocity": "500 fpm through a filter's face is common practice",
}
_RULES = {
    "airflow per ton of cooling": "airflow_per_ton",
    "total external static pressure": "external_static",
    "face velocity": "face_velocity",
}


@dataclass(frozen=True)
class Fitted:
    """A filter assembly in the system, its media at the least, the middle and the most that the rating leaves open."""

    system: System
    settings: FilterSettings
    handler: AirHandler
    least: Filter
    middle: Filter
    most: Filter
    coil_covered: float | None = None

    @classmethod
    def candidate(cls, system: System, candidate: Candidate) -> Self:
        """A candidate with its fittings; raises ComparisonError where the survey lacks what it needs."""
        if candidate.coil_covered is not None and system.house.air_handler.coil is None:
            raise ComparisonError(
                f"coil_covered: {candidate.coil_covered:g} given, but the house file has no [air_handler.coil]; add "
                'its face_area, for example face_area = "3 ft2", or leave coil_covered out'
            )
        settings = candidate.as_one()
        return cls(
            system, settings, system.with_fittings(candidate), *variants(settings), coil_covered=candidate.coil_covered
        )

    @classmethod
    def in_place(cls, system: System) -> Self | None:
        """The filter that the house has now; None where it is not surveyed far enough."""
        settings = system.house.filter
        if settings is None or assembly(settings) is None:
            return None
        return cls(system, settings, system.with_fittings(None), *variants(settings))

    def operating_point(self) -> OperatingPoint[float]:
        """Where the blower settles with the clean filter; raises NoOperatingPointError where it does not."""
        return self.handler.operating_point(lambda airflow: drop_pa(self.middle, airflow))

    def by_size(
        self, airflow_m3h: float, deposit: Deposit, distribution: MassDistribution
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """As-installed efficiency by the bins of the default grid: least, middle and most."""
        diameter_um, shares = _size_sample(distribution)
        through = flow_split(self.middle, airflow_m3h, deposit).media_share
        least, middle, most = (
            np.asarray((efficiency(filter_, diameter_um, deposit) * shares).sum(axis=1) * through)
            for filter_ in (self.least, self.middle, self.most)
        )
        return least, middle, most

    def deposit(self, point: OperatingPoint[float], deposited_g: float, charge_left: float) -> Deposit:
        """The deposit that gives this drop at this airflow, and this charge left."""
        return Deposit(
            np.asarray(1000.0 * deposited_g),
            np.asarray(self._clogging_mg(point)),
            np.asarray(self._surface(charge_left)),
        )

    def _clogging_mg(self, point: OperatingPoint[float]) -> float:
        loading = self.middle.loading

        def excess(factor: float) -> float:
            clogging = np.asarray(loading.clogging_at(factor))
            loaded = Deposit(clogging, clogging, np.asarray(0.0))
            return float(drop_pa(self.middle, point.airflow_m3h, loaded)) - point.filter_drop_pa

        if not np.isfinite(loading.clogging_at(_MOST_CLOGGED)) or excess(1.0) >= 0.0:
            return 0.0
        return loading.clogging_at(float(scipy.optimize.brentq(excess, 1.0, _MOST_CLOGGED, rtol=1e-9)))

    def _surface(self, charge_left: float) -> float:
        charge = self.middle.charge
        if charge is None or charge_left <= 0.0:
            return 0.0
        return -float(np.log(charge_left)) * charge.screening_m2_per_m2 * self.middle.media_area_m2

    def stage(self, point: OperatingPoint[float], day: float, air_ug_m3: FloatArray, deposit: Deposit = CLEAN) -> Stage:
        """The system at one moment; `air_ug_m3` (bins,) is the indoor air whose PM2.5 the efficiency is for."""
        handler, airflow = self.system.house.air_handler, point.airflow_m3h
        fine = air_ug_m3[:PM25_BINS] / air_ug_m3[:PM25_BINS].sum()
        bins = self.by_size(airflow, deposit, OUTDOOR_URBAN)
        least, middle, most = (float(fine @ each[:PM25_BINS]) for each in bins)
        caught, uncertain = Estimate(middle, least, most), handler.airflow_uncertainty
        drawn = Estimate(airflow, airflow * (1.0 - uncertain), airflow * (1.0 + uncertain)).scaled(
            1.0 - handler.return_leakage
        )
        tons = self.system.tons
        return Stage(
            day=day,
            airflow_m3h=airflow,
            airflow_per_ton_m3h=None if tons is None else airflow / tons,
            external_static_pa=point.external_static_pa,
            filter_drop_pa=point.filter_drop_pa,
            fan_power_w=point.fan_power_w,
            face_velocity_m_s=float(face_velocity_m_s(airflow, self.middle.face_area_m2)),
            temperature_rise_k=temperature_rise_k(self.system, airflow),
            merv=(
                as_installed_merv(self.least, airflow, deposit),
                as_installed_merv(self.most, airflow, deposit),
            ),
            pm25_efficiency=figure(caught, "1"),
            clean_air_m3h=figure(product(drawn, caught) if middle > 0.0 else Estimate(0.0, 0.0, 0.0), "m3/h"),
        )

    def findings(self, point: OperatingPoint[float]) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
        """The limits that the clean filter oversteps: those that refuse it, and those that only warn."""
        handler = self.system.house.air_handler
        limits = Limits() if handler.rated_static is None else Limits(most_external_static_pa=handler.rated_static)
        found = [
            Finding(
                rule=_RULES[breach.limit],
                name=breach.limit,
                value=breach.value,
                limit=breach.bound,
                unit=breach.unit,
                basis=_BASIS.get(breach.limit, _static_basis(self.system)),
                consequence=breach.consequence,
            )
            for breach in breaches(
                point, limits, cooling_capacity_w=handler.cooling_capacity, face_area_m2=self.middle.face_area_m2
            )
        ]
        rise = temperature_rise_k(self.system, point.airflow_m3h)
        if rise is not None and handler.most_temperature_rise is not None and rise > handler.most_temperature_rise:
            found.append(
                Finding(
                    rule="temperature_rise",
                    name="temperature rise across the furnace",
                    value=rise,
                    limit=handler.most_temperature_rise,
                    unit="K",
                    basis="the furnace's rated rise (air_handler.most_temperature_rise)",
                    consequence=_CONSEQUENCE_OF_HEAT,
                )
            )
        final = self.settings.final_drop
        if final is not None and point.filter_drop_pa >= final:
            found.append(
                Finding(
                    rule="final_drop",
                    name="drop of the clean filter",
                    value=point.filter_drop_pa,
                    limit=final,
                    unit="Pa",
                    basis="the filter's own final drop",
                    consequence=_CONSEQUENCE_OF_LOADED,
                )
            )
        only_custom = handler.rated_static is None
        warnings = [finding for finding in found if only_custom and finding.rule == "external_static"]
        return tuple(finding for finding in found if finding not in warnings), tuple(warnings)

    def stalled(self) -> Finding:
        """That the system holds back more than the blower's curve reaches; ComparisonError where it holds back less."""
        _, high = self.system.blower.static_range_pa
        airflow = float(self.system.blower.airflow_m3h(high))
        asked = float(drop_pa(self.middle, airflow) + self.handler.duct(airflow))
        if asked <= high:
            low = self.system.blower.static_range_pa[0]
            raise ComparisonError(
                f"air_handler.blower_table: it starts at {low:.0f} Pa, above what this system holds back; "
                "give a table that starts lower"
            )
        return Finding(
            rule="blower_range",
            name="static pressure needed for the least air on the blower's curve",
            value=asked,
            limit=high,
            unit="Pa",
            basis="the end of the blower's curve",
            consequence=_CONSEQUENCE_OF_STALL,
        )

    def system_curve(self) -> tuple[CurvePoint, ...]:
        """What ducts, fittings and clean filter drop together, up to a sixth beyond the blower's free airflow."""
        low, _ = self.system.blower.static_range_pa
        airflow = np.linspace(0.0, 7.0 / 6.0 * float(self.system.blower.airflow_m3h(low)), _CURVE_POINTS)
        pressure = drop_pa(self.middle, airflow) + self.handler.duct(airflow)
        return tuple(
            CurvePoint(airflow_m3h=float(at), pressure_pa=float(drop))
            for at, drop in zip(airflow, pressure, strict=True)
        )

    def gap_share(self, airflow_m3h: float) -> float:
        """Share of the air that goes round the clean filter."""
        return float(flow_split(self.middle, airflow_m3h).gap_share)

    def cooling_capacity_left(self, airflow_m3h: float) -> float | None:
        """Cooling capacity over that of today, where the assembly covers another part of the coil than today's."""
        coil = self.system.house.air_handler.coil
        if coil is None or self.coil_covered is None or self.coil_covered == coil.covered:
            return None
        surveyed = self.system.airflow_m3h
        now, then = (
            PartlyCoveredCoil(surveyed, coil.drop, coil.face_area, covered)
            for covered in (coil.covered, self.coil_covered)
        )
        return then.capacity_ratio(float(np.clip(airflow_m3h / surveyed, 0.1, 1.2))) / now.capacity_ratio()


@cache
def _size_sample(distribution: MassDistribution) -> tuple[FloatArray, FloatArray]:
    """Diameters in each bin of the default grid and their shares of its mass, arrays (bins, sizes)."""
    edges = np.log(DEFAULT_GRID.edges_um)
    steps = np.arange(_SIZES_A_BIN * DEFAULT_GRID.count + 1) / _SIZES_A_BIN
    finer = SizeGrid(tuple(np.exp(np.interp(steps, np.arange(edges.size), edges)).tolist()))
    mass = distribution.bin_fractions(finer).reshape(DEFAULT_GRID.count, _SIZES_A_BIN)
    return finer.midpoints_um.reshape(mass.shape), mass / mass.sum(axis=1, keepdims=True)


def temperature_rise_k(system: System, airflow_m3h: float) -> float | None:
    """Rise across the furnace, K, at an airflow; None where its output is not given."""
    output = system.house.air_handler.heating_output
    if output is None:
        return None
    at_ten = float(airflow_from_temperature_rise(output, 10.0, system.air.density_kg_m3))
    return 10.0 * at_ten / airflow_m3h


def least_airflow_m3h(system: System) -> float | None:
    """The airflow below which the coil ices or the furnace overheats, m3/h; None where neither is surveyed."""
    handler = system.house.air_handler
    floors = []
    if system.tons is not None:
        floors.append(Limits().least_airflow_m3h_per_ton * system.tons)
    if handler.heating_output is not None and handler.most_temperature_rise is not None:
        rise = handler.most_temperature_rise
        floors.append(float(airflow_from_temperature_rise(handler.heating_output, rise, system.air.density_kg_m3)))
    return max(floors, default=None)


def _static_basis(system: System) -> str:
    if system.house.air_handler.rated_static is None:
        return "the usual rating of a blower; its nameplate may allow more: add air_handler.rated_static"
    return "the most that the blower's nameplate allows (air_handler.rated_static)"


def variants(settings: FilterSettings) -> tuple[Filter, Filter, Filter]:
    """The assembly with media at the least, the middle and the most of its rating; ComparisonError if not surveyed."""
    base = assembly(settings)
    if base is None:
        raise ComparisonError("face_area and rated_drop are needed; without them the airflow cannot be told")
    least, most = efficiency_bounds(settings)
    ranges = (least.ranges(), most.ranges())
    middle = curve_from_ranges(
        SizeRangeEfficiency(*(sum(getattr(each, name) for each in ranges) / 2.0 for name in ("e1", "e2", "e3")))
    )
    measured = settings.conditioned_efficiency is not None
    variants = []
    for curve in (least, middle, most):
        charge = base.charge
        if charge is not None and not measured:
            charge = ChargeLoss(assumed_conditioned(curve), charge.screening_m2_per_m2)
        variants.append(replace(base, curve=curve, charge=charge))
    return variants[0], variants[1], variants[2]
