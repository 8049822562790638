"""What identification works on: the gridded signals of one house, one array each, NaN where nothing is known."""

from dataclasses import dataclass, replace

import numpy as np

from ..bounds import FloatArray
from ..measure import clock_lag, shifted

# The balance loses nothing by one-minute means: no house clears its air faster than in several minutes.
_FINEST_STEP_H = 1.0 / 60.0
_LARGEST_PM25 = 1e5


@dataclass(frozen=True)
class HouseRecord:
    """Step means on an even grid, each of shape (steps,), NaN where unknown.

    `outdoor`, `indoor`: PM2.5 as read, ug/m3. `fan`: fraction of the step that the central fan ran, 0..1.
    `window`: how far windows stood open, 0..1. `indoor_temperature`, `outdoor_temperature` degC, `wind_speed` m/s.
    `volume_m3`: the air in the house. `start_h`: time of the first step's start; `step_h` its length, h.
    `indoor_interval_h`: time between two indoor readings where that is longer than a step, so that each reading spans
    several steps; nought where it is not.
    """

    step_h: float
    volume_m3: float
    outdoor: FloatArray
    indoor: FloatArray
    fan: FloatArray
    window: FloatArray | None = None
    indoor_temperature: FloatArray | None = None
    outdoor_temperature: FloatArray | None = None
    wind_speed: FloatArray | None = None
    start_h: float = 0.0
    indoor_interval_h: float = 0.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.step_h) and 0.0 < self.step_h <= 1.0):
            raise ValueError(f"house record: step {self.step_h:g} h is outside 0..1 h; grid the readings more finely")
        if not 1.0 <= self.volume_m3 <= 1e6:
            raise ValueError(f"house record: volume {self.volume_m3:g} m3 is outside 1..1e6; give floor area x height")
        if not 0.0 <= self.indoor_interval_h <= 1.0:
            raise ValueError(
                f"house record: indoor interval {self.indoor_interval_h:g} h is outside 0..1 h; use a quicker sensor"
            )
        for name, values in self._signals().items():
            if values.ndim != 1 or values.shape != np.shape(self.indoor):
                raise ValueError(
                    f"house record: {name} has shape {values.shape}, indoor {np.shape(self.indoor)}; "
                    "grid all signals alike"
                )
        for name, low, high in (
            ("outdoor", -_LARGEST_PM25, _LARGEST_PM25),
            ("indoor", -_LARGEST_PM25, _LARGEST_PM25),
            ("fan", 0.0, 1.0),
            ("window", 0.0, 1.0),
        ):
            given = self._signals().get(name)
            if given is None:
                continue
            wrong = (given < low) | (given > high)
            if wrong.any():
                raise ValueError(
                    f"house record: {name} {given[wrong][0]:g} is outside {low:g}..{high:g}; check its unit"
                )

    def _signals(self) -> dict[str, FloatArray]:
        names = ("outdoor", "indoor", "fan", "window", "indoor_temperature", "outdoor_temperature", "wind_speed")
        given = {name: getattr(self, name) for name in names}
        return {name: values for name, values in given.items() if values is not None}

    @property
    def count(self) -> int:
        """Number of steps."""
        return int(self.indoor.size)

    @property
    def midpoints_h(self) -> FloatArray:
        """The middle of each step, h."""
        return self.start_h + self.step_h * (np.arange(self.count, dtype=np.float64) + 0.5)

    def coarsened(self, most_steps: int = 25_000) -> "HouseRecord":
        """The same record in steps of a minute or more, of two where that leaves more than `most_steps`.

        Finer steps are averaged, what is unknown left out. Readings that span several steps are not mixed.
        """
        factor = max(int(np.floor(_FINEST_STEP_H / self.step_h + 1e-6)), 1)
        whole_readings = self.indoor_interval_h <= self.step_h * factor
        if self.count > most_steps * factor and self.step_h * factor < 1.5 * _FINEST_STEP_H and whole_readings:
            factor *= 2
        return self._in_steps_of(factor)

    def by_reading(self) -> "HouseRecord":
        """The same record in steps as long as a reading, so that each counts once."""
        return replace(self._in_steps_of(round(self.indoor_interval_h / self.step_h)), indoor_interval_h=0.0)

    def _in_steps_of(self, factor: int) -> "HouseRecord":
        if factor < 2 or self.count < 2 * factor:
            return self
        means = {name: _means_of(values, factor) for name, values in self._signals().items()}
        return self._with(means, step_h=self.step_h * factor)

    def last_days(self, days: float) -> "HouseRecord":
        """The end of the record, no longer than `days`."""
        steps = round(days * 24.0 / self.step_h)
        if steps >= self.count:
            return self
        later = self.start_h + (self.count - steps) * self.step_h
        return self._with({name: values[-steps:] for name, values in self._signals().items()}, start_h=later)

    def with_fan_in_time(self) -> "HouseRecord":
        """The same record with the fan's times moved to the air's, where it shows that the fan's clock is wrong."""
        lag = clock_lag(self.indoor, self.fan, self.step_h)
        return replace(self, fan=shifted(self.fan, round(lag.lag_h / self.step_h))) if lag.told else self

    def _with(
        self, signals: dict[str, FloatArray], *, step_h: float | None = None, start_h: float | None = None
    ) -> "HouseRecord":
        return replace(
            self,
            step_h=self.step_h if step_h is None else step_h,
            start_h=self.start_h if start_h is None else start_h,
            outdoor=signals["outdoor"],
            indoor=signals["indoor"],
            fan=signals["fan"],
            window=signals.get("window"),
            indoor_temperature=signals.get("indoor_temperature"),
            outdoor_temperature=signals.get("outdoor_temperature"),
            wind_speed=signals.get("wind_speed"),
        )


def _means_of(values: FloatArray, factor: int) -> FloatArray:
    rows = values[: values.size // factor * factor].reshape(-1, factor)
    known = np.isfinite(rows)
    count = known.sum(axis=1)
    mean = np.full(count.size, np.nan)
    np.divide(np.where(known, rows, 0.0).sum(axis=1), count, out=mean, where=2 * count >= factor)
    return mean
