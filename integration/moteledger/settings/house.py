"""The house file: what a survey knows of a house, its air handler, its filter, its sensors and its people's wishes.

Only `name`, `[house]` with a floor area, and nothing else is required; what is missing is answered with a usual value
(stated where it is used) or with "cannot tell" and the key that would make it tell. Values here are in inside units.
"""

from datetime import date, datetime
from enum import StrEnum
from itertools import pairwise
from typing import Annotated, Literal, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, Field, model_validator

from motemodel import envelope
from motemodel.airside import BlowerFamily
from motemodel.envelope import Tightness
from motemodel.filters import face_velocity_m_s
from motemodel.measure import Stamp
from motemodel.units import Quantity

from ..signals import Kind, signal_named
from .addresses import distinct_names
from .alarms import BUILT_IN_ALARMS, AlarmRule
from .collector import Collector
from .daily_span import DailySpan
from .fan import FanSettings
from .hub import Hub
from .mqtt import Mqtt
from .network import Network
from .quantities import (
    Airflow,
    Altitude,
    Area,
    Concentration,
    Duration,
    Emission,
    Fraction,
    Length,
    Mass,
    Power,
    Pressure,
    Static,
    Temperature,
    TemperatureRise,
    Velocity,
)
from .storage import Storage
from .table import Table
from .webhooks import Webhook

BlowerType = BlowerFamily
DuctShare = Annotated[float, Field(ge=0, le=0.5)]
Price = Annotated[float, Field(ge=0, le=100_000)]


class Units(StrEnum):
    """The system in which pages, reports and commands speak first."""

    SI = "si"
    INCH_POUND = "inch-pound"


class Clock(StrEnum):
    """How pages write the time of day."""

    H24 = "24 h"
    H12 = "12 h"


class Site(Table):
    """Where the house stands. Shelter classes 1 (no obstruction) to 5 (dense city), ASHRAE Fundamentals."""

    altitude: Altitude = 0.0
    shelter_class: Annotated[int, Field(ge=1, le=5)] = 4
    storeys: Annotated[int, Field(ge=1, le=3)] = 1


class DoorReading(Table):
    """One point of a multi-point blower-door test."""

    pressure: Annotated[Pressure, Field(ge=1, le=100)]
    airflow: Airflow


class Leakage(Table):
    """The blower-door result in one of its usual forms, or the house's tightness in words.

    `flow_coefficient` is m3/(h Pa^n); `effective_leakage_area` is at 4 Pa; `readings` are those of a multi-point test;
    `tightness` is one of the words of ASHRAE Handbook Fundamentals (tight, good, average, leaky, very leaky);
    `leakage_class` a letter A to J of ASHRAE Standard 119.
    """

    air_changes_50: Annotated[float, Field(ge=0.01, le=50)] | None = None
    airflow_50: Airflow | None = None
    flow_coefficient: Annotated[float, Field(ge=0.01, le=100_000)] | None = None
    effective_leakage_area: Annotated[Area, Field(ge=1e-4, le=10)] | None = None
    exponent: Annotated[float, Field(ge=0.5, le=1.0)] = 0.65
    readings: tuple[DoorReading, ...] | None = None
    tightness: Tightness | None = None
    leakage_class: Annotated[str, Field(pattern="^[A-J]$")] | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        forms = tuple(name for name in type(self).model_fields if name != "exponent")
        given = [form for form in forms if getattr(self, form) is not None]
        if len(given) != 1:
            raise ValueError(f"give exactly one of {', '.join(forms)}; {', '.join(given) or 'none'} given")
        return self

    @model_validator(mode="after")
    def _readings_fit(self) -> Self:
        if self.readings is not None:
            envelope.Leakage.from_readings(
                [point.pressure for point in self.readings], [point.airflow for point in self.readings]
            )
        return self


class Dust(StrEnum):
    """How dusty a house is, in words: no pets, shoes off and carpets few; as most are; animals, open doors, building.

    They stand for 30, 90 and 270 ug/m3 in the air that reaches the filter: the median of 21 homes, and a factor of
    three to either side (common practice, no source), of the 2.9 to 824 found by Mahdavi & Siegel (2021).
    """

    CLEAN = "clean"
    ORDINARY = "ordinary"
    DUSTY = "dusty"


class Building(Table):
    """The house itself: what holds the air, how dusty it is and what its people make on average.

    `indoor_source` is the PM2.5 made indoors, averaged over the day: by default half an hour of cooking at 1.7 mg/min
    and 1.1 mg/h of all else, Ozkaynak et al. (1996), J. Expo. Anal. Environ. Epidemiol. 6: 57-78 (from memory).
    """

    floor_area: Annotated[Area, Field(ge=10, le=2000)]
    ceiling_height: Annotated[Length, Field(ge=1.5, le=10)] = 2.44
    leakage: Leakage | None = None
    dust: Dust | None = None
    indoor_source: Emission = 3200.0

    @property
    def volume_m3(self) -> float:
        """Air volume, m3."""
        return self.floor_area * self.ceiling_height


class BlowerPoint(Table):
    """One row of a blower's table: the airflow, and the fan's power, at an external static pressure."""

    static: Static
    airflow: Airflow
    power: Power | None = None


class Coil(Table):
    """The cooling coil in the path of the external static: its face, its drop when free, the part covered today.

    0.2 in.w.c. is a usual drop of a wet coil at its rated airflow (common practice, no source).
    """

    face_area: Area
    drop: Pressure = 50.0
    covered: Annotated[float, Field(ge=0, le=0.9)] = 0.0


class AirHandler(Table):
    """The blower and the duct it works on, as surveyed.

    `external_static` is the total across the blower's cabinet, the filter in place included; `filter_drop` what that
    filter dropped in the same survey. `blower_table` is the maker's or the surveyor's own, lowest static first.
    `rated_static`: the most that the nameplate allows. `heating_output` and `most_temperature_rise`: the furnace's.
    `supply_leakage`, `return_leakage`: shares of the airflow that ducts lose to and draw from outside the shell.
    `fan_runtime`: share of the year's hours in which heating and cooling run the fan; else the climate tells.
    """

    blower: BlowerType = BlowerType.PERMANENT_SPLIT_CAPACITOR
    blower_table: tuple[BlowerPoint, ...] = ()
    cooling_capacity: Power | None = None
    airflow: Airflow | None = None
    airflow_known_by: Literal["measured", "nominal"] = "nominal"
    external_static: Pressure | None = None
    rated_static: Pressure | None = None
    filter_drop: Pressure | None = None
    fan_power: Power | None = None
    coil: Coil | None = None
    heating_output: Annotated[Power, Field(ge=100, le=100_000)] | None = None
    most_temperature_rise: TemperatureRise | None = None
    supply_leakage: DuctShare = 0.0
    return_leakage: DuctShare = 0.0
    fan_runtime: Fraction | None = None

    @model_validator(mode="after")
    def _rising_table(self) -> Self:
        statics = [point.static for point in self.blower_table]
        powers = {point.power is None for point in self.blower_table}
        if len(statics) == 1 or any(later <= earlier for earlier, later in pairwise(statics)):
            raise ValueError("blower_table: give two or more rows, each with a higher static than the one before")
        if len(powers) > 1:
            raise ValueError("blower_table: power is given in some rows only; give it in all rows or in none")
        return self

    @model_validator(mode="after")
    def _filter_within_total(self) -> Self:
        if self.filter_drop and self.external_static and self.filter_drop >= self.external_static:
            raise ValueError(
                f"filter_drop: {self.filter_drop:.3g} Pa leaves nothing of the external static of "
                f"{self.external_static:.3g} Pa for the ducts; external_static includes the filter, measure both again"
            )
        return self

    @property
    def airflow_uncertainty(self) -> float:
        """Half-width of the 90 % interval of the airflow as a fraction.

        7 % for a flow plate or grid in the field, 20 % for a nameplate figure (common practice, no source).
        """
        return 0.07 if self.airflow_known_by == "measured" else 0.20


class RatedDrop(Table):
    """One point of the clean filter's resistance."""

    airflow: Airflow
    drop: Annotated[Pressure, Field(ge=1)]


class Ranges(Table):
    """Efficiency in the three size ranges of ASHRAE 52.2: 0.3-1, 1-3 and 3-10 um, fractions."""

    e1: Fraction
    e2: Fraction
    e3: Fraction


class Gap(Table):
    """A gap beside the filter: its length along the frame, its width, its depth in flow direction, its bends."""

    length: Annotated[Length, Field(le=100)]
    width: Annotated[Length, Field(ge=1e-5, le=0.5)]
    depth: Annotated[Length, Field(ge=1e-3, le=2)] = 0.025
    bends: Annotated[int, Field(ge=0, le=4)] = 0


class FilterSettings(Table):
    """The filter assembly in place."""

    merv: Annotated[int, Field(ge=1, le=16)] | None = None
    efficiency: Ranges | None = None
    face_area: Annotated[Area, Field(ge=1e-3, le=100)] | None = None
    media_area: Annotated[Area, Field(ge=1e-3, le=1000)] | None = None
    rated_drop: tuple[RatedDrop, ...] = ()
    final_drop: Pressure | None = None
    dust_capacity: Annotated[Mass, Field(ge=1)] | None = None
    charged: bool = False
    conditioned_efficiency: Ranges | None = None
    gaps: tuple[Gap, ...] = ()
    installed: date | None = None
    longest_use: Duration = 8760.0
    price: Price | None = None

    @model_validator(mode="after")
    def _one_rating(self) -> Self:
        if (self.merv is None) == (self.efficiency is None):
            raise ValueError("give the rating once: either merv or efficiency = { e1 = , e2 = , e3 = }")
        if self.conditioned_efficiency is not None and not self.charged:
            raise ValueError("conditioned_efficiency is that of charged media; add charged = true or leave it out")
        return self

    @model_validator(mode="after")
    def _sound_drops(self) -> Self:
        points = sorted(self.rated_drop, key=lambda point: point.airflow)
        if any(more.drop <= less.drop for less, more in pairwise(points)):
            raise ValueError("rated_drop: the drop must rise with the airflow; give each airflow once, with its drop")
        if self.final_drop is not None and points and self.final_drop <= self.rated_drop[0].drop:
            raise ValueError(
                f"final_drop: {self.final_drop:.3g} Pa is not above the first rated_drop of "
                f"{self.rated_drop[0].drop:.3g} Pa; give the drop at which the loaded filter is changed"
            )
        if self.face_area and self.media_area and self.media_area < self.face_area:
            raise ValueError(
                f"media_area: {self.media_area:.3g} m2 is below the face of {self.face_area:.3g} m2; "
                "give the area of the unfolded pleats"
            )
        return self

    @model_validator(mode="after")
    def _possible_face_velocity(self) -> Self:
        if self.face_area is not None:
            for point in self.rated_drop:
                velocity = float(face_velocity_m_s(point.airflow, self.face_area))
                if not 0.02 <= velocity <= 20.0:
                    raise ValueError(
                        f"rated_drop: {point.airflow:.4g} m3/h through a face of {self.face_area:.3g} m2 is "
                        f"{velocity:.2g} m/s, and filters are rated at 0.5 to 4; check both and their units"
                    )
        return self


def _known_signal(name: str) -> str:
    signal_named(name)
    return name


class Sensor(Table):
    """What one sensor is and how it must be corrected: corrected = gain * reading + offset.

    `humidity_growth` is kappa of Crilley et al. (2018): readings are divided by 1 + kappa/1.65 / (100/RH - 1).
    `beside_outdoors`: from when to when the indoor particle sensor hung beside the outdoor one, so that the two can be
    compared; without an offset these are local times.
    """

    signal: Annotated[str, AfterValidator(_known_signal)]
    where: str = ""
    gain: Annotated[float, Field(gt=0, le=20)] = 1.0
    offset: Annotated[float, Field(ge=-1000, le=1000)] = 0.0
    humidity_growth: Annotated[float, Field(ge=0, le=2)] = 0.0
    stamp: Stamp = Stamp.END
    hold: Duration | None = None
    beside_outdoors: tuple[datetime, datetime] | None = None

    @model_validator(mode="after")
    def _compared(self) -> Self:
        if self.beside_outdoors is None:
            return self
        if self.signal != "indoor.pm25":
            raise ValueError(f"{self.signal} has no outdoor sensor to hang beside; beside_outdoors is for indoor.pm25")
        begin, end = self.beside_outdoors
        if (begin.tzinfo is None) != (end.tzinfo is None) or begin >= end:
            raise ValueError(
                f"beside_outdoors = [{begin.isoformat()}, {end.isoformat()}] is no spell; give its start and its later "
                "end, both with an offset or both without"
            )
        return self

    @model_validator(mode="after")
    def _corrections_that_apply(self) -> Self:
        if signal_named(self.signal).kind is not Kind.LEVEL and (self.gain, self.offset) != (1.0, 0.0):
            raise ValueError(f"{self.signal} is a state or a counter; gain and offset belong to levels only")
        if self.humidity_growth > 0.0 and signal_named(self.signal).quantity is not Quantity.CONCENTRATION:
            raise ValueError(f"{self.signal} reads no particles; humidity_growth belongs to particle sensors only")
        return self


class Targets(Table):
    """The air that the people in the house want. The default is the WHO 2021 24-hour guideline value."""

    pm25: Annotated[Concentration, Field(ge=1)] = 15.0


class Outdoors(Table):
    """The year round the house: mean temperatures of its coldest and warmest month, its wind, its fine particles.

    The defaults are a temperate climate with 8 ug/m3, near the mean of measured US counties (common practice, no
    source); a smoke day is one of the worst of the year, and `smoke_days` is how many of them a year has.
    """

    coldest_month: Temperature = 0.0
    warmest_month: Temperature = 24.0
    wind: Velocity = 3.0
    ordinary_pm25: Annotated[Concentration, Field(gt=0)] = 8.0
    smoke_pm25: Annotated[Concentration, Field(gt=0)] = 150.0
    smoke_days: Annotated[int, Field(ge=0, le=200)] = 0

    @model_validator(mode="after")
    def _seasons(self) -> Self:
        if self.warmest_month < self.coldest_month:
            raise ValueError("warmest_month is colder than coldest_month; exchange the two")
        return self


class MechanicalVentilation(Table):
    """Outdoor air that fans bring in and throw out all day, and the MERV of the filter in the intake, if any."""

    supply: Airflow | None = None
    exhaust: Airflow | None = None
    intake_merv: Annotated[int, Field(ge=1, le=16)] | None = None


class Tariff(Table):
    """What electricity costs, in the house's own currency."""

    per_kwh: Annotated[float, Field(ge=0, le=100)] | None = None
    currency: Annotated[str, Field(max_length=8)] = ""


class QuietHours(DailySpan):
    """A daily span, local time, in which the fan should not be started for the air alone."""


def known_zone(name: str) -> str:
    """A name of the IANA time zone database; raises ValueError for any other."""
    if name not in available_timezones():
        raise ValueError(f"{name!r} is not a time zone of the IANA database; write for example 'UTC' or 'Etc/GMT+7'")
    return name


def _distinct_alarms(rules: tuple[AlarmRule, ...]) -> tuple[AlarmRule, ...]:
    names = [rule.name for rule in rules]
    twice = {name for name in names if names.count(name) > 1 or name in BUILT_IN_ALARMS}
    if twice:
        raise ValueError(f"{', '.join(sorted(twice))}: this name is taken; give each alarm a name of its own")
    return rules


class House(Table):
    """A whole house file."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    units: Units = Units.SI
    clock: Clock = Clock.H24
    time_zone: Annotated[str, AfterValidator(known_zone)] = "UTC"
    site: Site = Site()
    house: Building
    air_handler: AirHandler = AirHandler()
    ventilation: MechanicalVentilation = MechanicalVentilation()
    outdoors: Outdoors = Outdoors()
    filter: FilterSettings | None = None
    sensors: tuple[Sensor, ...] = ()
    targets: Targets = Targets()
    tariff: Tariff = Tariff()
    fan: FanSettings = FanSettings()
    quiet_hours: tuple[QuietHours, ...] = ()
    indoor_temperature: Temperature = 21.0
    hub: Annotated[tuple[Hub, ...], AfterValidator(distinct_names("hubs"))] = ()
    mqtt: Mqtt | None = None
    alarm: Annotated[tuple[AlarmRule, ...], Field(max_length=100), AfterValidator(_distinct_alarms)] = ()
    webhook: Annotated[tuple[Webhook, ...], Field(max_length=20), AfterValidator(distinct_names("webhooks"))] = ()
    collector: Collector | None = None
    store: Storage = Storage()
    network: Network = Network()

    @model_validator(mode="after")
    def _one_entry_a_signal(self) -> Self:
        names = [sensor.signal for sensor in self.sensors]
        twice = {name for name in names if names.count(name) > 1}
        if twice:
            raise ValueError(f"sensors: {', '.join(sorted(twice))} listed more than once; keep one entry a signal")
        return self

    @model_validator(mode="after")
    def _money_has_a_tariff(self) -> Self:
        if self.fan.needs_tariff and not self.tariff.per_kwh:
            raise ValueError(
                "fan: noise, wear and money_per_day are in money, which is weighed against energy by the tariff; "
                "add tariff.per_kwh, or give energy_per_day"
            )
        return self

    @property
    def zone(self) -> ZoneInfo:
        """The house's time zone."""
        return ZoneInfo(self.time_zone)

    def sensor(self, signal: str) -> Sensor:
        """The declared sensor of a signal, or one without correction."""
        return next((sensor for sensor in self.sensors if sensor.signal == signal), Sensor(signal=signal))
