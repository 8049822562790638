"""The candidates file: filter assemblies that a system might be given, each with what fitting it takes.

A candidate is written with the keys of the house file's `[filter]`, and with what stands between it and the blower:
fittings and transitions by loss coefficients, a round duct to a cabinet further off, a coil it leaves partly covered.
"""

from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from .filter import FilterSettings, Price
from .quantities import Area, Length
from .table import Table

LossCoefficient = Annotated[float, Field(ge=0, le=100)]


class FittingLoss(Table):
    """An elbow, grille or the like: its loss coefficient, and the area whose velocity the coefficient refers to."""

    loss_coefficient: LossCoefficient
    area: Area


class Transition(Table):
    """A sudden step from duct to cabinet and back: the narrow and the wide area; the air widens and narrows again.

    A gradual transition loses less: write it among the fittings, with the coefficient of its table.
    """

    narrow_area: Area
    wide_area: Area

    @model_validator(mode="after")
    def _narrow_first(self) -> Self:
        if self.narrow_area > self.wide_area:
            raise ValueError("narrow_area is above wide_area; exchange the two")
        return self


class DuctKind(StrEnum):
    """The wall of a round duct."""

    SMOOTH = "smooth"
    FLEXIBLE = "flexible"
    SLACK_FLEXIBLE = "slack flexible"


class RemoteDuct(Table):
    """Round duct to a cabinet that stands apart: length there and back, `runs` of them side by side, their fittings."""

    diameter: Annotated[Length, Field(ge=0.05, le=2)]
    length: Annotated[Length, Field(le=200)]
    kind: DuctKind = DuctKind.SMOOTH
    runs: Annotated[int, Field(ge=1, le=8)] = 1
    loss_coefficient: LossCoefficient = 0.0


class Candidate(FilterSettings):
    """A filter assembly that might be fitted.

    The keys of the filter (areas, rated drops, capacity, gaps, price) are those of one of `parallel` equal ones, which
    share the air. `price` is that of a filter or set of media, paid at each change; `assembly_price` that of the
    cabinet and its fitting, paid once. `coil_covered`: share of the cooling coil's face that its transition covers.
    """

    name: Annotated[str, Field(min_length=1, max_length=60)]
    parallel: Annotated[int, Field(ge=1, le=8)] = 1
    fittings: tuple[FittingLoss, ...] = ()
    transition: Transition | None = None
    duct: RemoteDuct | None = None
    coil_covered: Annotated[float, Field(ge=0, le=0.9)] | None = None
    assembly_price: Price | None = None

    @model_validator(mode="after")
    def _can_be_placed(self) -> Self:
        if self.face_area is None or not self.rated_drop:
            missing = [key for key in ("face_area", "rated_drop") if not getattr(self, key)]
            raise ValueError(
                f"{' and '.join(missing)} not given; without face and clean drop the airflow cannot be told: add "
                'face_area = "3.5 ft2" and rated_drop = [{ airflow = "1200 cfm", drop = "0.2 in.w.c." }]'
            )
        return self

    def as_one(self) -> FilterSettings:
        """The equal filters of this candidate as one of the same drop, with their areas, airflows and gaps together."""
        times = self.parallel
        return self.model_copy(
            update={
                "face_area": self.face_area and self.face_area * times,
                "media_area": self.media_area and self.media_area * times,
                "dust_capacity": self.dust_capacity and self.dust_capacity * times,
                "rated_drop": tuple(
                    point.model_copy(update={"airflow": point.airflow * times}) for point in self.rated_drop
                ),
                "gaps": self.gaps * times,
            }
        )


class CandidatesFile(Table):
    """A whole candidates file: `[[candidates]]`, one or more, no two of one name."""

    candidates: Annotated[tuple[Candidate, ...], Field(min_length=1, max_length=26)]

    @model_validator(mode="after")
    def _distinct_names(self) -> Self:
        names = [candidate.name for candidate in self.candidates]
        twice = {name for name in names if names.count(name) > 1}
        if twice:
            raise ValueError(f"candidates: {', '.join(sorted(twice))} named more than once; give each its own name")
        return self
