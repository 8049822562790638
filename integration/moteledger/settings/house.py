"""The house file: what a survey knows of a house, its air handler, its filter, its sensors and its people's wishes.

Only `name`, `[house]` with a floor area, and nothing else is required; what is missing is answered with a usual value
(stated where it is used) or with "cannot tell" and the key that would make it tell. Values here are in inside units.
"""

from enum import StrEnum
from functools import cache
from typing import Annotated, Self
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, Field, model_validator

from .addresses import distinct_names
from .air_handler import AirHandler
from .alarms import BUILT_IN_ALARMS, AlarmRule
from .building import Building, Site
from .collector import Collector
from .daily_span import DailySpan
from .fan import FanSettings
from .filter import FilterSettings
from .hub import Hub
from .mqtt import Mqtt
from .network import Network
from .quantities import Airflow, Concentration, Temperature, Velocity
from .sensor import Sensor
from .storage import Storage
from .table import Table
from .webhooks import Webhook


class Units(StrEnum):
    """The system in which pages, reports and commands speak first."""

    SI = "si"
    INCH_POUND = "inch-pound"


class Clock(StrEnum):
    """How pages write the time of day."""

    H24 = "24 h"
    H12 = "12 h"


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


@cache
def _zones() -> frozenset[str]:
    """The names of all time zones; to list them, every file of the database is looked at."""
    return frozenset(available_timezones())


def known_zone(name: str) -> str:
    """A name of the IANA time zone database; raises ValueError for any other."""
    if name not in _zones():
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
