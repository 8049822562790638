"""How the fan may be run: its least times, its speeds, what it costs beside energy, and what may be spent on it."""

from typing import Annotated, Self

from pydantic import Field, model_validator

from .daily_span import DailySpan
from .quantities import Airflow, Duration, Energy, Power
from .table import Table

LeastTime = Annotated[Duration, Field(ge=1.0 / 60.0, le=2.0)]
Money = Annotated[float, Field(ge=0, le=1000)]


class FanSpeed(Table):
    """A speed that an automation can ask the blower for: its name, its airflow, its power, and whether it is quiet.

    A quiet one may be asked for in quiet hours, too.
    """

    name: Annotated[str, Field(min_length=1, max_length=40)]
    airflow: Airflow
    power: Power
    quiet: bool = False


class NoiseHours(DailySpan):
    """A daily span, local time, in which an hour of hearing the fan is as bad as paying `per_h` of the tariff's money.

    Quiet hours forbid; these weigh. Where two of them overlap, both count.
    """

    per_h: Annotated[Money, Field(gt=0)]


class FanSettings(Table):
    """How the fan is run for the air.

    `least_run` and `least_rest` are kept by the plan and by the answer. `margin` is the share of the target that a plan
    keeps back for what a forecast cannot know. Without `speeds` the fan has the one of the air handler. `noise`,
    `wear_per_h` and `wear_per_start` are weighed with the energy, in the tariff's money; without `wear_per_start` a
    start weighs as much as three minutes of running. A budget of a day, `energy_per_day` or `money_per_day`, buys the
    cleanest air that it can, beyond the thermostat's calls, in place of the least cost that holds the target.
    A supplied forecast that has told nothing new for longer than `forecast_stands` is left aside.
    """

    least_run: LeastTime = 0.25
    least_rest: LeastTime = 0.25
    margin: Annotated[float, Field(ge=0, le=0.5)] = 0.03
    speeds: Annotated[tuple[FanSpeed, ...], Field(max_length=4)] = ()
    noise: Annotated[tuple[NoiseHours, ...], Field(max_length=8)] = ()
    wear_per_h: Money = 0.0
    wear_per_start: Money | None = None
    energy_per_day: Energy | None = None
    money_per_day: Money | None = None
    forecast_stands: Annotated[Duration, Field(ge=1.0, le=72.0)] = 24.0

    @model_validator(mode="after")
    def _distinct(self) -> Self:
        names = [speed.name for speed in self.speeds]
        if len(set(names)) != len(names):
            raise ValueError("speeds: two have the same name; give each speed a name of its own")
        return self

    @model_validator(mode="after")
    def _one_aim(self) -> Self:
        if self.energy_per_day is not None and self.money_per_day is not None:
            raise ValueError("energy_per_day and money_per_day are two budgets for the same; leave out one of them")
        if self.has_budget and (self.noise or self.wear_per_h or self.wear_per_start):
            raise ValueError(
                "noise and wear are weighed by the cheapest schedule and not by a budget of a day; "
                "leave out one of the two, and keep the fan still at night by quiet_hours"
            )
        return self

    @property
    def has_budget(self) -> bool:
        """Whether a budget, and not the target, tells how much the fan runs."""
        return self.energy_per_day is not None or self.money_per_day is not None

    @property
    def needs_tariff(self) -> bool:
        """Whether something is given in money, which only a tariff makes comparable with energy."""
        return bool(self.noise or self.wear_per_h or self.wear_per_start or self.money_per_day is not None)
