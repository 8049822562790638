"""The list of signals: what a house can tell, in which unit, within which range, and for how long a reading holds.

A signal is named `place.quantity`; a room adds `room:NAME.pm25`.
"""

import re
from dataclasses import dataclass, replace
from difflib import get_close_matches
from enum import StrEnum

from motemodel.indices import LOWEST_UG_M3
from motemodel.units import INSIDE_UNIT, Number, Quantity, to_inside


class Kind(StrEnum):
    """How a signal behaves between two readings."""

    LEVEL = "level"
    STATE = "state"
    RUNTIME = "runtime"
    """Seconds run since the reading before."""
    TOTAL = "total"
    """Seconds run since a counter's start, which may come again at any time."""


@dataclass(frozen=True)
class Signal:
    """One signal; `low` and `high` bound what is physically plausible, `hold_h` is how long a reading stands in.

    A forecast may be stamped up to `forecast_h` ahead, and a newer one of the same moment takes its place; all other
    signals (0) are measured, and their first reading of a moment stays.
    """

    name: str
    quantity: Quantity
    low: float
    high: float
    hold_h: float
    kind: Kind = Kind.LEVEL
    unit: str = ""
    forecast_h: float = 0.0

    def __post_init__(self) -> None:
        if not self.unit:
            object.__setattr__(self, "unit", INSIDE_UNIT[self.quantity])

    def value_from(self, value: float, unit: str | None) -> float:
        """Convert a written value to the signal's own unit and check that it is plausible.

        Raises ValueError, naming the value, the accepted range and the likely fix, for a value out of range or a unit
        that does not measure the signal's quantity.
        """
        converted = self.converted(value, unit)
        if not self.low <= converted <= self.high:
            raise ValueError(
                f"{value:g} {unit or self.unit} is outside what {self.name} can be "
                f"({self.low:g} to {self.high:g} {self.unit}); check the unit or the sensor"
            )
        return converted

    def converted(self, value: Number, unit: str | None) -> Number:
        """Convert a written value (scalar or array) to the signal's own unit, plausible or not."""
        if unit is None or unit == self.unit:
            return value
        inside = to_inside(value, unit, self.quantity)
        return inside * 3600.0 if self.kind in (Kind.RUNTIME, Kind.TOTAL) else inside


class UnknownSignalError(ValueError):
    """A name that is no signal; the message offers the nearest one."""


OUTDOOR_FORECAST = "outdoor.pm25_forecast"
_MONTH_H = 30.0 * 24.0
_LONGEST_COUNT_S = 50.0 * 8766.0 * 3600.0
_ALL = (
    Signal("indoor.pm25", Quantity.CONCENTRATION, LOWEST_UG_M3, 20_000.0, 0.25),
    Signal("outdoor.pm25", Quantity.CONCENTRATION, LOWEST_UG_M3, 20_000.0, 3.0),
    Signal(OUTDOOR_FORECAST, Quantity.CONCENTRATION, LOWEST_UG_M3, 20_000.0, 3.0, forecast_h=72.0),
    Signal("indoor.pm10", Quantity.CONCENTRATION, LOWEST_UG_M3, 50_000.0, 0.25),
    Signal("outdoor.pm10", Quantity.CONCENTRATION, LOWEST_UG_M3, 50_000.0, 3.0),
    Signal("indoor.temperature", Quantity.TEMPERATURE, -40.0, 60.0, 2.0),
    Signal("outdoor.temperature", Quantity.TEMPERATURE, -70.0, 65.0, 3.0),
    Signal("indoor.humidity", Quantity.HUMIDITY, 0.0, 100.0, 2.0),
    Signal("outdoor.humidity", Quantity.HUMIDITY, 0.0, 100.0, 3.0),
    Signal("outdoor.wind_speed", Quantity.VELOCITY, 0.0, 115.0, 3.0),
    Signal("indoor.co2", Quantity.CARBON_DIOXIDE, 0.0, 40_000.0, 0.5),
    Signal("fan.running", Quantity.STATE, 0.0, 1.0, 24.0, Kind.STATE),
    Signal("fan.runtime", Quantity.DURATION, 0.0, _MONTH_H * 3600.0, 24.0, Kind.RUNTIME, unit="s"),
    Signal("fan.runtime_total", Quantity.DURATION, 0.0, _LONGEST_COUNT_S, 24.0, Kind.TOTAL, unit="s"),
    Signal("fan.power", Quantity.POWER, 0.0, 10_000.0, 1.0),
    Signal("cooling.running", Quantity.STATE, 0.0, 1.0, 24.0, Kind.STATE),
    Signal("heating.running", Quantity.STATE, 0.0, 1.0, 24.0, Kind.STATE),
    Signal("filter.pressure_drop", Quantity.PRESSURE, -100.0, 2_500.0, 0.5),
    Signal("duct.static_pressure", Quantity.PRESSURE, -2_500.0, 2_500.0, 0.5),
    Signal("duct.airflow", Quantity.AIRFLOW, 0.0, 20_000.0, 0.5),
    Signal("window.open", Quantity.STATE, 0.0, 1.0, 24.0, Kind.STATE),
)
SIGNALS = {signal.name: signal for signal in _ALL}

AIR_HANDLER_SIGNALS = frozenset(
    {
        "duct.airflow",
        "duct.static_pressure",
        "fan.power",
        "fan.running",
        "fan.runtime",
        "fan.runtime_total",
        "filter.pressure_drop",
    }
)
"""What a contractor must know of a house to keep its air handler right, and no more.

Heating and cooling are not among them: set points tell when people are out.
"""
_ROOM = re.compile(r"room:[\w -]{1,40}\.pm25")


def is_room(name: str) -> bool:
    """Whether a name can be that of a room's signal."""
    return _ROOM.fullmatch(name) is not None


def signal_named(name: str) -> Signal:
    """The signal called `name`; raises UnknownSignalError offering the nearest known name."""
    if name in SIGNALS:
        return SIGNALS[name]
    if is_room(name):
        return replace(SIGNALS["indoor.pm25"], name=name)
    near = get_close_matches(name, SIGNALS, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known signals: {', '.join(SIGNALS)}, room:NAME.pm25"
    raise UnknownSignalError(f"{name!r} is not a signal; {hint}")
