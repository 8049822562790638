"""Outdoor PM2.5 and the thermostat's calls over the hours ahead, from this house's own past alone."""

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from ..bounds import FloatArray
from ..estimate import Z_90

_HOURS_PER_DAY = 24
_LEAST_HOURS = 24
_USUAL_SPREAD = 0.8
_USUAL_PERSISTENCE = 0.95
_CHANGE_POINTS = 9
_BETTER = 1e-9
_NINE_IN_TEN = 1.2815515655446004


@dataclass(frozen=True)
class Forecast:
    """Hourly values ahead (H,), ug/m3, as likely to be passed as not, with their 90 % intervals."""

    value: FloatArray
    low: FloatArray
    high: FloatArray

    @property
    def expected(self) -> FloatArray:
        """Mean of what may come, (H,), ug/m3: the one to plan exposure with, above `value` since spread is upward.

        ln(C + 1) is taken as normal; the mean of its exponential is exp(mean + variance / 2).
        """
        return np.asarray(np.expm1(np.log1p(self.value) + self._deviation**2 / 2.0))

    @property
    def feared(self) -> FloatArray:
        """What each hour stays below nine times in ten, (H,), ug/m3, and not less than `expected`.

        All hours are seldom that poor together: the mean of a day stays below nineteen times in twenty or so.
        """
        return np.maximum(np.expm1(np.log1p(self.value) + _NINE_IN_TEN * self._deviation), self.expected)

    @property
    def _deviation(self) -> FloatArray:
        """Standard deviation of ln(C + 1), (H,)."""
        return np.asarray((np.log1p(self.high) - np.log1p(self.value)) / Z_90)


def outdoor_forecast(history_ug_m3: FloatArray, hour_of_day: NDArray[np.intp], hours_ahead: int) -> Forecast:
    """The next `hours_ahead` hours of outdoor PM2.5: persistence that fades into this place's own daily pattern.

    `history_ug_m3` (N,) hourly, oldest first, NaN where unknown; `hour_of_day` (N,) 0..23, local. With y = ln(C + 1),
    each hour of the day has its usual y, and the departure x from it is taken as a first-order autoregression with lag
    one correlation r (Box & Jenkins 1970, chapter 5): k hours ahead x is r^k x now, with variance s2 (1 - r^2k).
    With less than a day known, a usual persistence and spread are taken (common practice, no source). Raises
    ValueError when no hour is known, shapes differ or `hours_ahead` is not positive.
    """
    known = _known("outdoor PM2.5", history_ug_m3, hour_of_day, hours_ahead)
    level = np.log1p(np.maximum(np.where(known, history_ug_m3, 0.0), 0.0))
    centre, half = _fading(level, known, hour_of_day, hours_ahead)
    return Forecast(*(np.maximum(np.expm1(y), 0.0) for y in (centre, centre - half, centre + half)))


def temperature_forecast(history_c: FloatArray, hour_of_day: NDArray[np.intp], hours_ahead: int) -> FloatArray:
    """The next `hours_ahead` hours of outdoor temperature, degC, as `outdoor_forecast` but without logarithms."""
    known = _known("outdoor temperature", history_c, hour_of_day, hours_ahead)
    return _fading(np.where(known, history_c, 0.0), known, hour_of_day, hours_ahead)[0]


@dataclass(frozen=True)
class CallHabit:
    """How much of an hour heating and cooling run the fan: a base, and a share for each K beyond a change point."""

    base: float
    heating_from_c: float
    heating_per_k: float
    cooling_from_c: float
    cooling_per_k: float

    def share(self, outdoor_c: FloatArray) -> FloatArray:
        """Share of each hour at an outdoor temperature (degC), 0..1."""
        heating = self.heating_per_k * np.maximum(self.heating_from_c - outdoor_c, 0.0)
        cooling = self.cooling_per_k * np.maximum(outdoor_c - self.cooling_from_c, 0.0)
        return np.asarray(np.clip(self.base + heating + cooling, 0.0, 1.0))


def call_habit(share: FloatArray, outdoor_c: FloatArray) -> CallHabit | None:
    """The habit of this house from its own hours, (N,) each, NaN where unknown; None with less than two days of them.

    The five-parameter change-point model of Kissock, Haberl & Claridge (2003), ASHRAE Transactions 109(1): 425-434
    (from memory): least squares with slopes not below nought over a grid of change points.
    """
    if share.shape != outdoor_c.shape or share.ndim != 1:
        raise ValueError(f"calls: {share.shape} shares, {outdoor_c.shape} temperatures; give one to each")
    both = np.isfinite(share) & np.isfinite(outdoor_c)
    if np.count_nonzero(both) < 2 * _LEAST_HOURS:
        return None
    share, outdoor_c = share[both], outdoor_c[both]
    best, least = CallHabit(float(share.mean()), 0.0, 0.0, 0.0, 0.0), np.inf
    points = np.unique(np.quantile(outdoor_c, np.linspace(0.02, 0.98, _CHANGE_POINTS)))
    for k, heating_from in enumerate(points):
        for cooling_from in points[k:]:
            degrees = np.column_stack(
                (
                    np.ones_like(share),
                    np.maximum(heating_from - outdoor_c, 0.0),
                    np.maximum(outdoor_c - cooling_from, 0.0),
                )
            )
            (base, heating, cooling), misfit = scipy.optimize.nnls(degrees, share)
            if misfit < least - _BETTER:
                least, best = misfit, CallHabit(base, float(heating_from), heating, float(cooling_from), cooling)
    return best


def usual_share_by_hour(share: FloatArray, hour_of_day: NDArray[np.intp]) -> FloatArray:
    """Mean share (0..1) of each hour of the day that something ran, (24,); the overall mean for hours never seen."""
    known = np.isfinite(share)
    overall = float(share[known].mean()) if known.any() else 0.0
    counts = np.bincount(hour_of_day[known], minlength=_HOURS_PER_DAY)
    sums = np.bincount(hour_of_day[known], weights=share[known], minlength=_HOURS_PER_DAY)
    return np.where(counts > 0, sums / np.maximum(counts, 1), overall)


def _known(what: str, history: FloatArray, hour_of_day: NDArray[np.intp], hours_ahead: int) -> NDArray[np.bool_]:
    """Which hours of a history are known; refuses what no forecast can be made from."""
    if history.shape != hour_of_day.shape or history.ndim != 1:
        raise ValueError(f"history: {history.shape} values, {hour_of_day.shape} hours; give one to each")
    if hours_ahead < 1:
        raise ValueError(f"hours_ahead: {hours_ahead}; give 1 or more")
    if ((hour_of_day < 0) | (hour_of_day >= _HOURS_PER_DAY)).any():
        raise ValueError("hour_of_day: an hour is outside 0..23; give the local hour of the day")
    known = np.isfinite(history)
    if not known.any():
        raise ValueError(f"history: no hour of {what} is known; wait for the first readings")
    return known


def _fading(
    level: FloatArray, known: NDArray[np.bool_], hour_of_day: NDArray[np.intp], hours_ahead: int
) -> tuple[FloatArray, FloatArray]:
    """Centre and half width of the 90 % interval of the hours ahead, from the hours up to now."""
    usual = _usual_by_hour(level, known, hour_of_day)
    departure = np.where(known, level - usual[hour_of_day], 0.0)
    spread, persistence = _behaviour(departure, known)
    last = int(np.flatnonzero(known)[-1])
    ahead = np.arange(1, hours_ahead + 1)
    lead = ahead + (level.size - 1 - last)
    hours = (int(hour_of_day[-1]) + ahead) % _HOURS_PER_DAY
    centre = usual[hours] + persistence**lead * departure[last]
    return centre, Z_90 * spread * np.sqrt(1.0 - persistence ** (2.0 * lead))


def _usual_by_hour(level: FloatArray, known: NDArray[np.bool_], hour_of_day: NDArray[np.intp]) -> FloatArray:
    """Usual level of each hour of the day, (24,), drawn towards the overall mean where few days are known."""
    overall = float(level[known].mean())
    counts = np.bincount(hour_of_day[known], minlength=_HOURS_PER_DAY)
    sums = np.bincount(hour_of_day[known], weights=level[known] - overall, minlength=_HOURS_PER_DAY)
    return np.asarray(overall + sums / (counts + 7.0))


def _behaviour(departure: FloatArray, known: NDArray[np.bool_]) -> tuple[float, float]:
    """Standard deviation of the departures and their lag-one correlation."""
    both = known[1:] & known[:-1]
    if np.count_nonzero(both) < _LEAST_HOURS:
        return _USUAL_SPREAD, _USUAL_PERSISTENCE
    spread = float(departure[known].std())
    if spread < 1e-9:
        return 0.0, _USUAL_PERSISTENCE
    now, before = departure[1:][both], departure[:-1][both]
    power = float(before @ before)
    return spread, float(np.clip(now @ before / power, 0.0, 0.999)) if power > 0.0 else _USUAL_PERSISTENCE
