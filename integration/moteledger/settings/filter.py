"""The filter assembly in the house file: its rating, its resistance, its media and the gaps beside it."""

from datetime import date
from itertools import pairwise
from typing import Annotated, Self

from pydantic import BeforeValidator, Field, model_validator

from motemodel.filters import face_velocity_m_s

from .quantities import Airflow, Area, Duration, Fraction, Length, Mass, Pressure
from .table import Table


def _of_percent(value: object) -> object:
    """A share written in per cent, such as "60 %", as the fraction that it is; fractions stay as they are."""
    if isinstance(value, str) and value.strip().endswith("%"):
        try:
            return float(value.strip()[:-1]) / 100.0
        except ValueError:
            pass
    elif not isinstance(value, str) and (not isinstance(value, int | float) or value <= 1.0):
        return value
    raise ValueError(f'{value!r} is no share; write per cent such as "60 %", or a fraction such as 0.6')


LeastEfficiency = Annotated[float, BeforeValidator(_of_percent), Field(ge=0.05, le=0.99)]
Price = Annotated[float, Field(ge=0, le=100_000)]


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
    """The filter assembly in place.

    `least_efficiency`: the share of PM2.5 that it has to take as installed, gaps included; below it, it is changed.
    """

    merv: Annotated[int, Field(ge=1, le=16)] | None = None
    efficiency: Ranges | None = None
    face_area: Annotated[Area, Field(ge=1e-3, le=100)] | None = None
    media_area: Annotated[Area, Field(ge=1e-3, le=1000)] | None = None
    rated_drop: tuple[RatedDrop, ...] = ()
    final_drop: Pressure | None = None
    dust_capacity: Annotated[Mass, Field(ge=1)] | None = None
    charged: bool = False
    conditioned_efficiency: Ranges | None = None
    least_efficiency: LeastEfficiency | None = None
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
