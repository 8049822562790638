"""The card of the air: is it good now, and how does the day stand against the guideline value."""

from dataclasses import dataclass

from ..engine.assessment import Air, Known
from .drawing import Reading, Scale, mark, strip
from .figures import Written, sentence
from .occasion import Occasion

# Colours of the categories of the U.S. Air Quality Index: EPA, Technical Assistance Document for the Reporting of Daily
# Air Quality (EPA-454/B-24-002, May 2024), table of category colours; from memory.
INDEX_COLOURS = {
    "Good": "#00e400",
    "Moderate": "#ffff00",
    "Unhealthy for Sensitive Groups": "#ff7e00",
    "Unhealthy": "#ff0000",
    "Very Unhealthy": "#8f3f97",
    "Hazardous": "#7e0023",
}
INDEX_NAME = "U.S. Air Quality Index for PM2.5 (EPA, breakpoints of 2024)"


@dataclass(frozen=True)
class AirCard:
    """What the card of the air shows; `colour` is the published index's own, empty where it has none."""

    lead: str
    index: int | None
    index_name: str
    category: str
    colour: str
    nowcast: Written
    readings: tuple[Reading, ...]
    scale: Scale
    against_guideline: str
    sensors: tuple[str, ...]

    @property
    def is_drawn(self) -> bool:
        """Whether any figure is known, and so drawn."""
        return any(reading.strip for reading in self.readings)


def air_card(occasion: Occasion) -> AirCard:
    """The card of the air from an assessment."""
    air = occasion.assessment.air
    figures = (air.indoor_pm25, air.indoor_day_mean_pm25, air.outdoor_pm25)
    scale = occasion.scale(
        [air.guideline_day_pm25, *(each.high for each in figures if isinstance(each, Known))], "ug/m3"
    )
    guideline = mark(scale.percent(air.guideline_day_pm25), "guideline")
    indoor, day_mean, outdoor = (occasion.figure(each) for each in figures)
    then = " at the last reading" if occasion.is_stale else " now"
    return AirCard(
        lead=_lead(occasion),
        index=air.index,
        index_name=INDEX_NAME,
        category=air.category or "",
        colour=INDEX_COLOURS.get(air.category or "", ""),
        nowcast=occasion.figure(air.nowcast_pm25),
        readings=(
            Reading("Indoors" + then, indoor, strip(indoor, scale)),
            Reading("Indoors, mean of 24 hours", day_mean, strip(day_mean, scale, guideline)),
            Reading("Outdoors" + then, outdoor, strip(outdoor, scale)),
        ),
        scale=scale,
        against_guideline=_against_guideline(air, occasion),
        sensors=_sensors(occasion),
    )


def _lead(occasion: Occasion) -> str:
    said = sentence(occasion.assessment.air.sentence)
    if occasion.is_stale:
        return f"How the air is now is not known. At the last reading: {said}"
    return said


def _sensors(occasion: Occasion) -> tuple[str, ...]:
    """What there is to know of the two particle sensors, such as that one was stuck."""
    names = {"indoor.pm25": "Indoor sensor", "outdoor.pm25": "Outdoor sensor"}
    return tuple(
        f"{names[each.signal]}: {'; '.join(each.remarks)}."
        for each in occasion.assessment.data_quality.signals
        if each.signal in names and each.remarks
    )


def _against_guideline(air: Air, occasion: Occasion) -> str:
    mean = air.indoor_day_mean_pm25
    guideline = occasion.exact(air.guideline_day_pm25, "ug/m3").first
    value = f"the 24-hour guideline value, {guideline.number}\N{NO-BREAK SPACE}{guideline.unit} (WHO, 2021)"
    if not isinstance(mean, Known):
        return f"How the day stands against {value} is not known yet."
    if mean.high <= air.guideline_day_pm25:
        return f"The mean of the last 24 hours is within {value}."
    if mean.low > air.guideline_day_pm25:
        return f"The mean of the last 24 hours is above {value}."
    return f"The mean of the last 24 hours is too close to {value} to say on which side it lies."
