"""What a fitted filter does over its life in this house: how long it lasts, what it delivers, what the air comes to."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from motemodel.airside import OperatingPoint
from motemodel.bounds import FloatArray
from motemodel.envelope import enhanced_infiltration
from motemodel.estimate import Answer, Estimate, Unknown
from motemodel.filters import Deposit, clogging_weight, drop_pa
from motemodel.particles import DEFAULT_GRID, OUTDOOR_URBAN, WILDFIRE_SMOKE, MassDistribution
from motemodel.plan import PM25_BINS, Household, Life, Runtime, simulate_life, steady_air

from .assessment import Known
from .comparison import Cost, IndoorAir, LifePoint, Outcome
from .comparison import Life as LifeFigures
from .figures import figure, product, total
from .fitted import Fitted, least_airflow_m3h
from .survey import PM25_DEPOSITION_PER_H, PM25_PENETRATION
from .system import System

DAYS_PER_MONTH = 365.25 / 12.0
_DAYS_PER_YEAR = 365.25
_USUAL_FINAL_RATIO = 2.0
_PERIODS_OF_A_LIFE, _PERIODS_OF_A_BOUND = 20, 10
_LONGEST_PERIOD_DAYS = 91
_COURSE_POINTS = 25
_HOURS_PER_YEAR = 8766.0
_NEXT_TO_NOTHING = 1e-12
_WARM_DAYS = 30
_SOURCE_SPREAD = 2.0
"""Of what people make indoors, between homes (common practice, no source)."""

_CLOGGING_OF_AIR = float(OUTDOOR_URBAN.bin_fractions(DEFAULT_GRID) @ clogging_weight(DEFAULT_GRID.midpoints_um))
"""Of the particles of the balance, per mass, relative to house dust of median size."""

ENDED_BY = {
    "pressure": "its resistance reaches its final drop",
    "efficiency": "it takes too few of the fine particles",
    "airflow": "the airflow falls to the least that coil and furnace bear",
    "static": "the external static reaches what the blower is rated for",
    "blower": "the blower's curve ends",
    "age": "it has been in use as long as it should",
}


@dataclass(frozen=True)
class Day:
    """A day outdoors: air by size (bins,), infiltration with fans at rest, the thermostat's share of fan hours."""

    outdoor_ug_m3: FloatArray
    distribution: MassDistribution
    infiltration_m3h: float
    fan_on_fraction: Estimate

    def indoors(
        self,
        household: Household,
        airflow_m3h: float = 0.0,
        efficiency: FloatArray | float = 0.0,
        on: float = 0.0,
        infiltration_ratio: float = 1.0,
    ) -> FloatArray:
        """Steady indoor air by size, ug/m3."""
        return steady_air(
            household,
            self.outdoor_ug_m3,
            self.infiltration_m3h * infiltration_ratio,
            airflow_m3h=airflow_m3h,
            fan_on_fraction=on,
            efficiency=efficiency,
        )


def ordinary_day(system: System) -> Day:
    """The mean of the year's weather, with the outdoor air of an ordinary day."""
    hours = np.ones(system.outdoors.temperature_c.size, dtype=bool)
    return _day(system, hours, system.house.outdoors.ordinary_pm25, OUTDOOR_URBAN)


def smoke_day(system: System) -> Day:
    """The mean weather of the warmest month, with the outdoor air of a smoke day."""
    temperature = system.outdoors.temperature_c
    daily = temperature.reshape(-1, 24).mean(axis=1)
    warm = np.zeros(daily.size, dtype=bool)
    warm[np.argsort(daily)[-_WARM_DAYS:]] = True
    return _day(system, np.repeat(warm, 24), system.house.outdoors.smoke_pm25, WILDFIRE_SMOKE)


def _day(system: System, hours: NDArray[np.bool_], pm25_ug_m3: float, distribution: MassDistribution) -> Day:
    temperature, wind = system.outdoors.temperature_c[hours], system.outdoors.wind_m_s[hours]
    household, on = system.household, system.runtime
    infiltration = enhanced_infiltration(household.leakage, household.exposure, household.indoor_c, temperature, wind)
    if system.house.air_handler.fan_runtime is None and on.value > 0.0:
        share = float(Runtime().on_fraction(temperature).mean())
        on = Estimate(share, share * on.low / on.value, max(share, min(share * on.high / on.value, 1.0)))
    shares = distribution.bin_fractions(DEFAULT_GRID)
    return Day(pm25_ug_m3 * shares / shares[:PM25_BINS].sum(), distribution, float(infiltration.mean()), on)


@dataclass(frozen=True)
class _Lived:
    """A simulated life and the day it ended, by which limit."""

    life: Life
    end: float
    ended_by: str

    def at(self, values: FloatArray, day: float) -> float:
        """A column of the life on a day, by a straight line between periods."""
        return float(np.interp(day, self.life.day, values))

    def point(self, day: float) -> OperatingPoint[float]:
        """The operating point on a day."""
        life = self.life
        return OperatingPoint(
            airflow_m3h=self.at(life.airflow_m3h, day),
            external_static_pa=self.at(life.external_static_pa, day),
            filter_drop_pa=self.at(life.filter_drop_pa, day),
            duct_drop_pa=self.at(life.external_static_pa - life.filter_drop_pa, day),
            fan_power_w=self.at(life.fan_power_w, day),
        )


def outcome(
    fitted: Fitted, ordinary: Day, smoke: Day, filters: int = 1, assembly_price: float | None = None
) -> Outcome:
    """Run a fitted filter through its life and say what it does; `filters` are paid for at each change."""
    system = fitted.system
    lived = _lived(fitted)
    days = _days(fitted, lived)
    course = _course(lived, system)
    clean_air = np.array([point.clean_air_m3h for point in course])
    mean_clean = float(np.trapezoid(clean_air, [point.day for point in course]) / max(course[-1].day, 1e-9))
    half_way = lived.end / 2.0
    deposits = {day: _deposit(fitted, lived, day) for day in (half_way, lived.end)}
    air = ordinary.indoors(
        system.household,
        lived.at(lived.life.airflow_m3h, half_way),
        lived.at(lived.life.pm25_efficiency, half_way),
        system.runtime.value,
    )
    middle = fitted.stage(lived.point(half_way), half_way, air, deposits[half_way])
    always = _scaled(middle.clean_air_m3h, mean_clean)
    return Outcome(
        end=fitted.stage(lived.point(lived.end), lived.end, air, deposits[lived.end]),
        clean_air_typical_m3h=figure(_typical(always, system.runtime), "m3/h"),
        clean_air_always_on_m3h=figure(always, "m3/h"),
        indoor=_indoor(fitted, lived.point(half_way).airflow_m3h, deposits[half_way], ordinary, smoke),
        life=LifeFigures(
            months=figure(days.scaled(1.0 / DAYS_PER_MONTH), "months"),
            ended_by=lived.ended_by,
            reason=ENDED_BY[lived.ended_by],
        ),
        cost=_cost(fitted, lived, days, filters, assembly_price),
        course=course,
    )


def _days(fitted: Fitted, lived: _Lived) -> Estimate:
    """How long the filter lasts, from a dustier house of its kind to a cleaner one.

    A limit that dust has brought about comes sooner or later as the dust does, the particles of the balance aside. Of a
    life that age has ended nobody knows yet what dust would have ended it, so the dustier house is lived through.
    """
    spread = fitted.system.dust_spread
    if lived.ended_by == "age":
        dustier = _lived(fitted, dust_ratio=spread, within_days=lived.end, periods=_PERIODS_OF_A_BOUND).end
        return Estimate(lived.end, min(dustier, lived.end), lived.end)
    cleaner = min(_days_at(lived, 1.0 / spread), fitted.settings.longest_use / 24.0)
    return Estimate(lived.end, _days_at(lived, spread), max(cleaner, lived.end))


def _days_at(lived: _Lived, dust_ratio: float) -> float:
    """The days in which the filter of a life would be filled alike with so many times the dust."""
    life = lived.life
    dust = life.dust_caught_mg * float(Deposit.of_house_dust(1.0).clogging_mg)
    fine = life.filtered_mg * _CLOGGING_OF_AIR
    pace = (dust_ratio * dust + fine) / (dust + fine)
    lengths = np.diff(np.minimum(np.append(life.day, np.inf), lived.end))
    return float((lengths / pace).sum())


def _lived(
    fitted: Fitted, *, dust_ratio: float = 1.0, within_days: float = math.inf, periods: int = _PERIODS_OF_A_LIFE
) -> _Lived:
    """The life in a house of so many times the dust, known to end within some days."""
    system, settings = fitted.system, fitted.settings
    longest = min(settings.longest_use / 24.0, within_days)
    period = int(np.clip(longest / periods, 1, _LONGEST_PERIOD_DAYS))
    runtime = Runtime(cooling_per_k=0.0, heating_per_k=0.0, least=system.runtime.value)
    life = simulate_life(
        replace(system.household, dust_ug_m3=system.household.dust_ug_m3 * dust_ratio),
        fitted.handler,
        fitted.middle,
        system.outdoors,
        runtime,
        days=int(np.ceil(longest)) + 2 * period,
        period_days=period,
    )
    reached = {"age": longest}
    growth = life.filter_drop_pa / drop_pa(fitted.middle, life.airflow_m3h)
    final = _USUAL_FINAL_RATIO if settings.final_drop is None else settings.final_drop / float(life.filter_drop_pa[0])
    if final > 1.0:
        reached["pressure"] = life.day_when(growth, final)
    floor = least_airflow_m3h(system)
    if floor is not None and life.airflow_m3h[0] > floor:
        reached["airflow"] = life.day_when(life.airflow_m3h, floor)
    asked = settings.least_efficiency
    if asked is not None and life.pm25_efficiency[0] > asked:
        reached["efficiency"] = life.day_when(life.pm25_efficiency, asked)
    rated = system.house.air_handler.rated_static
    if rated is not None and life.external_static_pa[0] < rated:
        reached["static"] = life.day_when(life.external_static_pa, rated)
    if life.outlived:
        reached["blower"] = float(life.day[-1]) + period
    ended_by = min(reached, key=lambda limit: reached[limit])
    return _Lived(life, reached[ended_by], ended_by)


def _course(lived: _Lived, system: System) -> tuple[LifePoint, ...]:
    life, drawn = lived.life, 1.0 - system.house.air_handler.return_leakage
    clean = life.airflow_m3h * drawn * life.pm25_efficiency
    return tuple(
        LifePoint(
            day=float(day),
            clean_air_m3h=lived.at(clean, day),
            airflow_m3h=lived.at(life.airflow_m3h, day),
            external_static_pa=lived.at(life.external_static_pa, day),
            filter_drop_pa=lived.at(life.filter_drop_pa, day),
        )
        for day in np.linspace(0.0, lived.end, _COURSE_POINTS)
    )


def _deposit(fitted: Fitted, lived: _Lived, day: float) -> Deposit:
    life = lived.life
    return fitted.deposit(lived.point(day), lived.at(life.deposited_g, day), lived.at(life.charge_left, day))


def _scaled(stage_figure: object, value: float) -> Estimate:
    """A mean over the life, as uncertain as the same figure half way through it."""
    if not isinstance(stage_figure, Known) or stage_figure.value <= 0.0:
        return Estimate(value, value, value)
    ratio = value / stage_figure.value
    return Estimate(value, stage_figure.low * ratio, stage_figure.high * ratio)


def _typical(always_on: Estimate, runtime: Estimate) -> Estimate:
    if runtime.value <= 0.0 or always_on.value <= 0.0:
        return Estimate(0.0, 0.0, 0.0)
    return product(always_on, runtime)


def _indoor(fitted: Fitted, airflow: float, deposit: Deposit, ordinary: Day, smoke: Day) -> IndoorAir:
    def on(day: Day, share: Estimate) -> Known:
        return _known_air(fitted, day, airflow, fitted.by_size(airflow, deposit, day.distribution), share)

    always = Estimate(1.0, 1.0, 1.0)
    return IndoorAir(
        ordinary_typical=on(ordinary, ordinary.fan_on_fraction),
        ordinary_always_on=on(ordinary, always),
        smoke_typical=on(smoke, smoke.fan_on_fraction),
        smoke_always_on=on(smoke, always),
    )


def _known_air(
    fitted: Fitted,
    day: Day,
    airflow: float,
    efficiency: tuple[FloatArray, FloatArray, FloatArray],
    on: Estimate,
) -> Known:
    """Indoor PM2.5 with what each doubtful input does to it, one at a time, added in quadrature of the logarithms."""
    system = fitted.system
    household = system.household

    def pm25(
        *,
        house: Household = household,
        infiltration: float = 1.0,
        moved: float = 1.0,
        caught: FloatArray = efficiency[1],
        running: float = on.value,
    ) -> float:
        return float(day.indoors(house, airflow * moved, caught, running, infiltration)[:PM25_BINS].sum())

    value = pm25()
    if value <= 0.0:
        return Known(value=0.0, low=0.0, high=0.0, unit="ug/m3")
    half, leak = system.house.air_handler.airflow_uncertainty, system.leakage_spread
    doubts = [
        (pm25(infiltration=1.0 / leak), pm25(infiltration=leak)),
        (pm25(moved=1.0 - half), pm25(moved=1.0 + half)),
        (pm25(caught=efficiency[0]), pm25(caught=efficiency[2])),
        (pm25(running=on.low), pm25(running=on.high)),
        *(tuple(pm25(house=house) for house in pair) for pair in _other_households(household)),
    ]
    down = math.hypot(*(max(math.log(value / max(min(pair), _NEXT_TO_NOTHING)), 0.0) for pair in doubts))
    up = math.hypot(*(max(math.log(max(pair) / value), 0.0) for pair in doubts))
    return Known(value=value, low=value * math.exp(-down), high=value * math.exp(up), unit="ug/m3")


def _other_households(household: Household) -> tuple[tuple[Household, Household], ...]:
    """The household with little and with much of what a survey does not tell: deposition, penetration, sources."""

    def times(values: tuple[float, ...], ratio: float, most: float = math.inf) -> tuple[float, ...]:
        return tuple(min(value * ratio, most) for value in values)

    settling, passing = PM25_DEPOSITION_PER_H, PM25_PENETRATION
    return (
        (
            replace(household, deposition_per_h=times(household.deposition_per_h, settling.low / settling.value)),
            replace(household, deposition_per_h=times(household.deposition_per_h, settling.high / settling.value)),
        ),
        (
            replace(household, penetration=times(household.penetration, passing.low / passing.value)),
            replace(household, penetration=times(household.penetration, passing.high / passing.value, most=1.0)),
        ),
        (
            replace(household, source_ug_h=household.source_ug_h / _SOURCE_SPREAD),
            replace(household, source_ug_h=household.source_ug_h * _SOURCE_SPREAD),
        ),
    )


def _cost(fitted: Fitted, lived: _Lived, days: Estimate, filters: int, assembly_price: float | None) -> Cost:
    system, currency = fitted.system, fitted.system.house.tariff.currency
    watts = float(
        np.mean([lived.at(lived.life.fan_power_w, day) for day in np.linspace(0.0, lived.end, _COURSE_POINTS)])
    )
    unsure = system.house.air_handler.airflow_uncertainty
    of_year = Estimate(1.0, 1.0 - unsure, 1.0 + unsure).scaled(watts * _HOURS_PER_YEAR / 1000.0)
    energy = _typical(of_year, system.runtime)
    price, tariff = fitted.settings.price, system.house.tariff.per_kwh
    media: Answer = Unknown("no price of the filter is given", "add price")
    if price is not None:
        least, value, most = (filters * price * _DAYS_PER_YEAR / day for day in (days.high, days.value, days.low))
        media = Estimate(value, least, most)
    paid: Answer = Unknown("the house file gives no tariff", "add tariff.per_kwh")
    if tariff is not None:
        paid = Estimate(energy.value * tariff, energy.low * tariff, energy.high * tariff)
    yearly: Answer = media if isinstance(media, Unknown) else paid
    if isinstance(media, Estimate) and isinstance(paid, Estimate):
        yearly = total(media, paid)
    return Cost(
        media=figure(media, currency),
        fan_energy_kwh=figure(energy, "kWh"),
        fan_energy=figure(paid, currency),
        yearly=figure(yearly, currency),
        assembly_once=assembly_price,
    )
