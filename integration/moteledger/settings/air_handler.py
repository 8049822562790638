"""The air handler in the house file: the blower, the duct it works on, the coil and the furnace, as surveyed."""

from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from motemodel.airside import BlowerFamily

from .quantities import Airflow, Area, Fraction, Power, Pressure, Static, TemperatureRise
from .table import Table

BlowerType = BlowerFamily
DuctShare = Annotated[float, Field(ge=0, le=0.5)]


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
