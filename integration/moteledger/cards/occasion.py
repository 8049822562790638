"""What the cards are drawn from, for whom and when, and whether that is still fresh."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from ..engine.assessment import Assessment, Figure
from ..engine.fan_answer import FanAnswer
from ..settings import House, Units
from .beside import NOTHING_BESIDE, Beside
from .drawing import Scale, scale_over
from .figures import Written, clock, day_name, duration, printed_scale, when, written, written_exact
from .learning import still_learning

CLOCKS_AGREE = timedelta(minutes=5)


@dataclass(frozen=True)
class Occasion:
    """An assessment, the house it is about, the time now and how old an assessment may be, minutes.

    `answer` is what automations are told of the fan now, where there is anyone to tell; `beside` what is shown besides.
    """

    assessment: Assessment
    house: House
    now: datetime
    stale_after_min: float
    answer: FanAnswer | None = None
    beside: Beside = NOTHING_BESIDE

    @property
    def age(self) -> timedelta:
        """How long ago the last reading was taken; negative where its clock runs ahead."""
        return self.now - self.assessment.air.time

    @property
    def is_stale(self) -> bool:
        """Whether the assessment is too old to speak of now."""
        return self.age > timedelta(minutes=self.stale_after_min)

    @property
    def staleness(self) -> str:
        """What to tell about the age of the figures; empty while they are fresh."""
        if self.is_stale:
            return (
                f"Not current: the last reading came {duration(self.age)} ago, "
                f"at {self.when(self.assessment.air.time)}."
            )
        if self.age < -CLOCKS_AGREE:
            return (
                f"The last reading is stamped {duration(-self.age)} in the future. "
                "Check the clock of the sensor and of this computer."
            )
        return ""

    @property
    def learning(self) -> str:
        """What a young account still lacks, and until when; empty once it is old enough to tell the house's figures."""
        return still_learning(self.assessment.period, self.house)

    @property
    def units(self) -> Units:
        """The system to speak first."""
        return self.house.units

    def figure(self, figure: Figure, *, percent: bool = False) -> Written:
        """A figure of the document, written for this house."""
        return written(figure, self.units, percent=percent)

    def exact(self, value: float, unit: str) -> Written:
        """A number without interval, written for this house."""
        return written_exact(value, unit, self.units)

    def scale(self, values: Iterable[float | None], unit: str) -> Scale:
        """The scale over values in a unit of the document, lettered in the unit that this house speaks first."""
        return scale_over(values, *printed_scale(unit, self.units))

    def when(self, moment: datetime) -> str:
        """Local time as people say it near now."""
        return when(moment, self.now, self.house.zone, self.house.clock)

    def clock(self, moment: datetime) -> str:
        """Local time of day as this house writes it."""
        return clock(moment, self.house.zone, self.house.clock)

    def moment(self, moment: datetime) -> str:
        """Local date and time in full, for example "Tue 4 Mar, 18:10"."""
        return f"{day_name(moment.astimezone(self.house.zone).date())}, {self.clock(moment)}"

    @property
    def period(self) -> str:
        """The period of the account in local time."""
        period = self.assessment.period
        return f"{self.moment(period.start)} to {self.moment(period.end)}"
