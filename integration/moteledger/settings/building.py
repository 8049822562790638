"""The house itself in the house file: where it stands, what holds its air, how it leaks and how dusty it is."""

from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from motemodel import envelope
from motemodel.envelope import Tightness

from .quantities import Airflow, Altitude, Area, Emission, Length, Pressure
from .table import Table


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
