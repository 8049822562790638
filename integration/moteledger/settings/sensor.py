"""The sensors in the house file: what each reads and how it must be corrected."""

from datetime import datetime
from typing import Annotated, Self

from pydantic import AfterValidator, Field, model_validator

from motemodel.measure import Stamp
from motemodel.units import Quantity

from ..signals import Kind, signal_named
from .quantities import Duration
from .table import Table


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
