"""How the fan may be run: its least times, its speeds, and what is kept back of the target on a forecast."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from .quantities import Airflow, Duration, Power
from .table import Table

LeastTime = Annotated[Duration, Field(ge=1.0 / 60.0, le=2.0)]


class FanSpeed(Table):
    """A speed that an automation can ask the blower for: its name, its airflow, its power, and whether it is quiet.

    A quiet one may be asked for in quiet hours, too.
    """

    name: Annotated[str, Field(min_length=1, max_length=40)]
    airflow: Airflow
    power: Power
    quiet: bool = False


class FanSettings(Table):
    """How the fan is run for the air.

    `least_run` and `least_rest` are kept by the plan and by the answer. `margin` is the share of the target that a plan
    keeps back for what a forecast cannot know. Without `speeds` the fan has the one of the air handler.
    """

    least_run: LeastTime = 0.25
    least_rest: LeastTime = 0.25
    margin: Annotated[float, Field(ge=0, le=0.5)] = 0.03
    speeds: Annotated[tuple[FanSpeed, ...], Field(max_length=4)] = ()

    @model_validator(mode="after")
    def _distinct(self) -> Self:
        names = [speed.name for speed in self.speeds]
        if len(set(names)) != len(names):
            raise ValueError("speeds: two have the same name; give each speed a name of its own")
        return self
