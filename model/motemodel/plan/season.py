"""The year ahead of a house: its usual outdoor temperature, and how long the fan will run with it, months from now.

Both are told from what has been recorded together with what is known of such places and houses before anything was: a
Bayesian normal update, so a few warm weeks are not taken for the whole year.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import scipy

from ..bounds import FloatArray

YEAR_DAYS = 365.25
WEATHER_K, WEATHER_KEPT = 3.0, 0.8
"""Daily mean temperature departs from its season by 2.7 K (standard deviation), and three quarters of that are kept to
the next day: four years of daily records of a station in Seattle, 2012 to 2015; more inland."""
_COLDEST_DAY = 20.0
"""Days after New Year; fitted to the same record, 20.6. Half a year later south of the equator."""
_COLDEST_SPREAD = 0.2
_NORTH_BEFORE = 0.9
_WEATHER_WORTH_DAYS = 20.0
_WITHIN_DAY_K = 2.0
_LEAST_WEEK = 7
_STEP_WORTH = 12.0
_USUAL_NOISE, _USUAL_KEPT = 0.04, 0.5
_RESIDUALS_WORTH_DAYS = 10.0
_PEOPLE = 0.05
"""Share by which people may change the fan's running in the months ahead, standard deviation (common practice, no
source)."""
_NODES, _WEIGHTS = (
    np.array([-2.856970013872806, -1.355626179974266, 0.0, 1.355626179974266, 2.856970013872806]),
    np.array([0.011257411327721, 0.222075922005613, 0.533333333333333, 0.222075922005613, 0.011257411327721]),
)
"""Gauss-Hermite quadrature of the standard normal, five nodes: Abramowitz & Stegun (1964), table 25.10, scaled."""


@dataclass(frozen=True)
class Climate:
    """What is known of a place before it was measured: yearly mean and half the swing from coldest to warmest month.

    degC and K, each with a standard deviation.
    """

    mean_c: float
    half_swing_k: float
    mean_sd: float = 6.0
    half_swing_sd: float = 5.0


TEMPERATE = Climate(12.0, 12.0)


@dataclass(frozen=True)
class Season:
    """Usual outdoor temperature over the year, a sinusoid: `parameters` (mean, two amplitudes), their covariance."""

    parameters: FloatArray
    covariance: FloatArray
    weather_k: float

    def expected_c(self, day: FloatArray) -> FloatArray:
        """Usual mean temperature (degC) of days counted from any New Year."""
        return np.asarray(_yearly(day) @ self.parameters)


def usual_season(day: FloatArray, temperature_c: FloatArray, climate: Climate = TEMPERATE) -> Season:
    """The season of a place from its daily mean temperatures, (N,) each, NaN where unknown, N may be nought.

    `day` counts from any New Year and rises by one. Departures from the season are an autoregression of first order,
    so the regression is done on what each day adds to the day before (Prais & Winsten 1954; from memory), with the
    climate as normal prior (Gelman et al., Bayesian Data Analysis, 3rd edition, 2013, section 14.8; from memory). The
    hemisphere is the one that tells the readings better, the northern one unless they say so.

    >>> bool(usual_season(np.array([]), np.array([])).expected_c(np.array([20.0]))[0] == 0.0)
    True
    """
    if np.shape(day) != np.shape(temperature_c) or np.ndim(day) != 1:
        raise ValueError(f"season: {np.shape(day)} days, {np.shape(temperature_c)} temperatures; give one to each")
    rows, values = _whitened(day, temperature_c)
    swing = max(climate.half_swing_k, 0.0)
    spread = np.array([climate.mean_sd, climate.half_swing_sd, max(_COLDEST_SPREAD * swing, 0.5)])
    north, south = (_updated(rows, values, np.array([climate.mean_c, sign * swing, 0.0]), spread) for sign in (1, -1))
    northern = north[1] + np.log(_NORTH_BEFORE) >= south[1] + np.log(1.0 - _NORTH_BEFORE)
    return north[0] if northern else south[0]


def _yearly(day: FloatArray) -> FloatArray:
    angle = 2.0 * np.pi * (np.asarray(day) - _COLDEST_DAY) / YEAR_DAYS
    return np.stack((np.ones_like(angle), -np.cos(angle), -np.sin(angle)), axis=-1)


def _whitened(day: FloatArray, temperature_c: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Regressors and temperatures whose departures are independent, of `WEATHER_K` standard deviation."""
    known = np.isfinite(temperature_c)
    rows, values, on = _yearly(day[known]), temperature_c[known], day[known]
    kept = WEATHER_KEPT ** np.diff(on, prepend=-np.inf)
    scale = np.sqrt(1.0 - kept**2)
    before_rows, before = np.roll(rows, 1, axis=0), np.roll(values, 1)
    return (rows - kept[:, np.newaxis] * before_rows) / scale[:, np.newaxis], (values - kept * before) / scale


def _updated(rows: FloatArray, values: FloatArray, mean: FloatArray, spread: FloatArray) -> tuple[Season, float]:
    """The season after the readings, and how well it tells them: the logarithm of the evidence up to a constant."""
    precision = np.diag(spread**-2.0) + rows.T @ rows / WEATHER_K**2
    covariance = np.linalg.inv(precision)
    parameters = covariance @ (mean / spread**2 + rows.T @ values / WEATHER_K**2)
    misfit = float(np.sum((values - rows @ parameters) ** 2))
    off = float(np.sum(((parameters - mean) / spread) ** 2))
    evidence = -0.5 * (misfit / WEATHER_K**2 + off) + 0.5 * float(np.linalg.slogdet(covariance)[1])
    weather = (misfit + _WEATHER_WORTH_DAYS * WEATHER_K**2) / (values.size + _WEATHER_WORTH_DAYS)
    return Season(np.asarray(parameters), np.asarray(covariance, dtype=np.float64), float(np.sqrt(weather))), evidence


@dataclass(frozen=True)
class RunningAhead:
    """Days of fan running from now to the end of each day ahead, (N,): expected, and standard deviation."""

    run_days: FloatArray
    run_days_sd: FloatArray


@dataclass(frozen=True)
class RunningHabit:
    """How the fan's daily share follows the day's mean temperature: never below `least`, more in cold and in heat.

    `parameters`: least, heating per K, heating from degC, cooling per K, cooling from degC; `covariance` theirs; the
    daily share departs from it by `noise`, of which `kept` is left the next day.
    """

    parameters: FloatArray
    covariance: FloatArray
    noise: float
    kept: float

    def share(self, temperature_c: FloatArray, spread_k: float | FloatArray = _WITHIN_DAY_K) -> FloatArray:
        """Expected share of days, 0..1, whose temperature is known to `spread_k`."""
        return _share(self.parameters, temperature_c, spread_k)


_USUAL_HABIT = np.array([0.05, 0.02, 16.0, 0.06, 22.0])
_HABIT_SPREAD = np.array([0.3, 0.012, 3.0, 0.03, 3.0])
"""Before anything is recorded: as `household.Runtime` has it; a fan may be set to circulate for any part of the hour,
and houses differ as much as this (common practice, no source)."""


def running_habit(share: FloatArray, temperature_c: FloatArray) -> RunningHabit:
    """The habit of a house from the daily share (0..1) and mean temperature (degC) of its days, (N,), oldest first.

    NaN where unknown; N may be nought. The change-point model of Kissock, Haberl & Claridge (2003), ASHRAE Transactions
    109(1): 425-434 (from memory), drawn to usual houses where the record has not seen the cold or the heat. Where the
    least share has changed for good, as by somebody's fan setting, the newest counts.
    """
    if np.shape(share) != np.shape(temperature_c) or np.ndim(share) != 1:
        raise ValueError(f"habit: {np.shape(share)} shares, {np.shape(temperature_c)} temperatures; give one to each")
    both = np.isfinite(share) & np.isfinite(temperature_c)
    share, temperature_c = share[both], temperature_c[both]
    noise, kept = _USUAL_NOISE, _USUAL_KEPT
    parameters, covariance = _USUAL_HABIT, np.diag(_HABIT_SPREAD**2)
    changed = 0
    for _ in range(2):
        scale = noise * np.sqrt((1.0 + kept) / (1.0 - kept))
        parameters, covariance, misfit = _fitted(share, temperature_c, scale, changed)
        if changed == 0 and share.size >= 3 * _LEAST_WEEK:
            at = _likely_step(misfit)
            tried = _fitted(share, temperature_c, scale, at)
            if float(np.sum(misfit**2) - np.sum(tried[2] ** 2)) > _STEP_WORTH * scale**2:
                changed, (parameters, covariance, misfit) = at, tried
        noise, kept = _departing(misfit)
    return RunningHabit(parameters, covariance, noise, kept)


def _share(parameters: FloatArray, temperature_c: FloatArray, spread_k: float | FloatArray) -> FloatArray:
    least, heating, heating_from, cooling, cooling_from = parameters
    at = np.asarray(temperature_c)[..., np.newaxis] + np.asarray(spread_k)[..., np.newaxis] * _NODES
    called = max(heating, 0.0) * np.maximum(heating_from - at, 0.0) + max(cooling, 0.0) * np.maximum(
        at - cooling_from, 0.0
    )
    return np.asarray(np.clip(np.maximum(called, least), 0.0, 1.0) @ _WEIGHTS)


def _fitted(
    share: FloatArray, temperature_c: FloatArray, scale: float, changed: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The likeliest habit, its covariance and the misfit of each day; the least share may have changed at a day."""
    before = np.arange(share.size) < changed

    def misfit(x: FloatArray) -> FloatArray:
        found = share - _share(x[:5], temperature_c, _WITHIN_DAY_K)
        if changed:
            earlier = _share(np.append(x[5], x[1:5]), temperature_c, _WITHIN_DAY_K)
            found = np.where(before, share - earlier, found)
        return found

    usual = np.append(_USUAL_HABIT, _USUAL_HABIT[0]) if changed else _USUAL_HABIT
    spread = np.append(_HABIT_SPREAD, _HABIT_SPREAD[0]) if changed else _HABIT_SPREAD

    def cost(z: FloatArray) -> FloatArray:
        return np.concatenate((misfit(usual + spread * z) / scale, z))

    # A least share below all that is called for is not felt, so it is tried from either side.
    circulating = np.zeros(usual.size)
    if share.size:
        circulating[[0, *range(5, usual.size)]] = (float(np.quantile(share, 0.3)) - usual[0]) / spread[0]
    starts = (np.zeros(usual.size), circulating)
    tried = [scipy.optimize.least_squares(cost, start, method="lm", ftol=1e-4, xtol=1e-3) for start in starts]
    found = min(tried, key=lambda one: float(one.cost))
    slopes = np.asarray(found.jac, dtype=np.float64)
    covariance = np.linalg.inv(slopes.T @ slopes) * np.multiply.outer(spread, spread)
    parameters = usual + spread * found.x
    return parameters[:5], covariance[:5, :5], misfit(parameters)


def _likely_step(misfit: FloatArray) -> int:
    """The day at which the mean of the misfit changes most, a week from either end."""
    at = np.arange(_LEAST_WEEK, misfit.size - _LEAST_WEEK)
    total = np.cumsum(misfit)
    early, late = total[at - 1] / at, (total[-1] - total[at - 1]) / (misfit.size - at)
    return int(at[np.argmax((early - late) ** 2 * at * (misfit.size - at))])


def _departing(misfit: FloatArray) -> tuple[float, float]:
    """Standard deviation of the departures and the share kept to the next day, drawn to the usual of few days."""
    worth = _RESIDUALS_WORTH_DAYS
    power = float(np.sum(misfit**2)) + worth * _USUAL_NOISE**2
    both = float(np.sum(misfit[1:] * misfit[:-1])) + worth * _USUAL_KEPT * _USUAL_NOISE**2
    return float(np.sqrt(power / (misfit.size + worth))), float(np.clip(both / power, 0.0, 0.9))


def running_ahead(habit: RunningHabit, usual: Season, day: FloatArray, *, anomaly_k: float = 0.0) -> RunningAhead:
    """Days of running to the end of each `day` ahead, (N,), the first one being tomorrow.

    `anomaly_k` is today's departure from the season, which fades. The standard deviation adds what the weather may do,
    how else the fan may run, what is not known of season and habit (first order, JCGM 100:2008 section 5.1.2), and
    people changing something.
    """
    number = np.arange(1.0, np.size(day) + 1.0)
    spread = np.hypot(usual.weather_k, _WITHIN_DAY_K)
    faded = anomaly_k * WEATHER_KEPT**number

    def total(of: RunningHabit, year: Season) -> FloatArray:
        return np.cumsum(of.share(year.expected_c(day) + faded, spread))

    expected = total(habit, usual)
    warmer = habit.share(usual.expected_c(day) + usual.weather_k)
    colder = habit.share(usual.expected_c(day) - usual.weather_k)
    by_weather = np.cumsum(((warmer - colder) / 2.0) ** 2) * _lasting(WEATHER_KEPT)
    by_rest = habit.noise**2 * number * _lasting(habit.kept)
    of_habit = _spread_of(
        lambda moved: total(replace(habit, parameters=habit.parameters + moved), usual), habit.covariance
    )
    of_season = _spread_of(
        lambda moved: total(habit, replace(usual, parameters=usual.parameters + moved)), usual.covariance
    )
    variance = by_weather + by_rest + of_habit + of_season + (_PEOPLE * expected) ** 2
    return RunningAhead(expected, np.sqrt(variance))


def _spread_of(result: Callable[[FloatArray], FloatArray], covariance: FloatArray) -> FloatArray:
    """Variance of a result, (N,), of parameters moved about where they are, to first order."""
    step = 0.1 * np.sqrt(np.diagonal(covariance))
    slopes = np.stack([(result(move) - result(-move)) / (2.0 * move.sum()) for move in np.diag(step)])
    return np.asarray(np.einsum("kn,kl,ln->n", slopes, covariance, slopes))


def _lasting(kept: float) -> float:
    """By how much the sum of an autoregression varies more than that of independent days."""
    return (1.0 + kept) / (1.0 - kept)
