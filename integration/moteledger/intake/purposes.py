"""What each signal is wanted for, and which ones a house still lacks."""

from collections.abc import Collection, Iterator

from pydantic import BaseModel, ConfigDict

from ..settings import House


class MissingSignals(BaseModel):
    """Signals of which any one would do, whether the house file maps one of them, and what it would make known."""

    model_config = ConfigDict(frozen=True)

    any_of: tuple[str, ...]
    mapped: bool
    would_tell: str


_PURPOSES: tuple[tuple[tuple[str, ...], str], ...] = (
    (("indoor.pm25",), "the air indoors; without it there is no assessment"),
    (("outdoor.pm25",), "what comes in from outdoors; without it there is no assessment"),
    (
        ("fan.running", "fan.runtime", "fan.runtime_total", "cooling.running", "heating.running"),
        "when the fan runs, and so the clean air it delivers",
    ),
    (("filter.pressure_drop",), "how far the filter has loaded, and so when it is due"),
    (("duct.static_pressure",), "whether the blower works against more than the duct should hold back"),
    (("outdoor.temperature",), "how fast air is expected to leak in"),
    (("outdoor.wind_speed",), "the wind's part of the air that leaks in"),
    (("indoor.temperature",), "the other half of the difference that drives leakage"),
    (("window.open",), "when open windows make the account another one"),
    (("fan.power",), "the energy that running the fan takes"),
)


def mapped_signals(house: House) -> Iterator[str]:
    """The signals that the house file maps from any source."""
    for hub in house.hub:
        yield from (mapped.signal for mapped in hub.signals)
    for topic in house.mqtt.topics if house.mqtt else ():
        yield from (mapped.signal for mapped in topic.signals)


def missing_signals(house: House | None, known: Collection[str]) -> list[MissingSignals]:
    """The purposes for which no signal is `known`, the most telling first."""
    mapped = set(mapped_signals(house)) if house is not None else set()
    purposes = [*_PURPOSES, *(_corrections(house) if house is not None else ())]
    return [
        MissingSignals(any_of=any_of, mapped=not mapped.isdisjoint(any_of), would_tell=would_tell)
        for any_of, would_tell in purposes
        if set(known).isdisjoint(any_of)
    ]


def _corrections(house: House) -> Iterator[tuple[tuple[str, ...], str]]:
    for sensor in house.sensors:
        if sensor.humidity_growth > 0.0:
            place = "outdoor" if sensor.signal.startswith("outdoor.") else "indoor"
            yield (f"{place}.humidity",), f"the declared humidity correction of {sensor.signal}"
