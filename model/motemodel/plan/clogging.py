"""When a filter's drop meets its limit: its own trend, by laws that dust follows, over the running that lies ahead."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from ..bounds import FloatArray
from .change import Reach

_NEIGHBOURS, _LEAST_POINTS = 7, 8
_BENDS = ((-1.0, 1.0), (-0.5, 2.0), (0.0, 3.0), (0.5, 2.0), (1.0, 1.0))
"""Exponents of the Box-Cox transform in which the drop grows by equal amounts for equal dust, and how likely each is.

1 is a cake of even resistance, 0 growth by equal shares of the drop (Li et al. 2022, `filters.ExponentialLoading`); as
far beyond it as the cake lies before it is taken for as likely as the cake (common practice, no source).
"""
_RATIOS = np.geomspace(1e-3, 1e3, 9)
_WANDER_DAYS, _WANDER_FACTOR = 0.4, 3.0
"""Dust comes unevenly: its relative variance summed over the days that it lasts, and a factor for not knowing it.

Daily means of outdoor PM2.5 in Beijing (Liang et al. 2015) depart by 0.75 of their logarithm with 0.45 kept to the next
day: 1.5 days for a filter that took nothing else, a tenth of that where they are a third of its load. House dust as
such has not been measured so.
"""
_UNLIKE_BEFORE = 0.1
"""What a record of less than a year cannot tell of the months after it: dust has its seasons, and people change their
ways; standard deviation of the rate (common practice, no source)."""
_NOISE_PA, _NOISE_WORTH = 0.5, 4.0


@dataclass(frozen=True)
class DropHistory:
    """What a filter's drop at the reference airflow has been, (N,) each, oldest first, the last one newest.

    `load_days`: days of running, each counted by how dusty it was, up to then; `drop_pa` there. `load_now`: the load by
    now, which may be more. `weight`: how likely this way to count them is, beside others.
    """

    load_days: FloatArray
    drop_pa: FloatArray
    load_now: float
    weight: float = 1.0


@dataclass(frozen=True)
class LoadAhead:
    """Load to come by some days from now, (H,) each, as `DropHistory.load_days`, with its standard deviation."""

    day: FloatArray
    load_days: FloatArray
    load_days_sd: FloatArray


def reach_by_clogging(
    reason: str,
    ways: Sequence[tuple[DropHistory, LoadAhead]],
    limit_pa: float,
    limit_sd_pa: float,
    share_per_day: float,
) -> Reach | None:
    """Days until the drop meets `limit_pa`; None with fewer than four points or nothing that can be told.

    Each of `ways` to count the load and the drop keeps its weight, since the record cannot tell them apart; all of them
    look at the same days ahead. Each is taken with several laws of loading: in the Box-Cox transform of the drop (1964,
    J. R. Stat. Soc. B 26: 211-252) it is a line over the load, from which it wanders as dust comes unevenly (a random
    walk with drift; Harvey 1989, Forecasting, structural time series models, section 2.3; both from memory), and the
    readings scatter. Scatter and wander are weighed over a grid, all laws by how well they tell the past, and the
    chance to be at the limit by a day is that of all of them together. `share_per_day`: of the day that the fan runs,
    to bring the wander from days to load.
    """
    chance, weights = np.zeros(ways[0][1].day.size + 1), 0.0
    for history, ahead in ways:
        one = _chance(_thinned(history), ahead, limit_pa, limit_sd_pa, share_per_day)
        if one is not None:
            chance, weights = chance + history.weight * one, weights + history.weight
    if weights == 0.0:
        return None
    reached = np.maximum.accumulate(chance / weights)

    day = np.concatenate(([0.0], ways[0][1].day))

    def at(probability: float) -> float:
        if reached[-1] < probability:
            return np.inf
        first = int(np.argmax(reached >= probability))
        if first == 0:
            return 0.0
        share = (probability - reached[first - 1]) / (reached[first] - reached[first - 1])
        return float(day[first - 1] + share * (day[first] - day[first - 1]))

    return Reach(reason, at(0.5), at(0.05), at(0.95))


def _chance(
    history: DropHistory, ahead: LoadAhead, limit_pa: float, limit_sd_pa: float, share_per_day: float
) -> FloatArray | None:
    """The chance to be at the limit by each day, (H + 1,), of all laws by how well they tell the past."""
    laws = [_law(history, ahead, limit_pa, limit_sd_pa, bend, share_per_day, np.log(before)) for bend, before in _BENDS]
    known = [law for law in laws if law is not None]
    if not known:
        return None
    likely = np.concatenate([law[0] for law in known])
    weight = np.exp(likely - likely.max())
    return np.asarray(weight @ np.concatenate([law[1] for law in known]) / weight.sum())


def _thinned(history: DropHistory) -> DropHistory:
    """Means of a week's points each: dusty days follow one another, and a walk is of steps that do not."""
    size = history.drop_pa.size
    groups = np.array_split(np.arange(size), min(size, max(_LEAST_POINTS, size // _NEIGHBOURS)))
    load, drop = (np.array([values[g].mean() for g in groups]) for values in (history.load_days, history.drop_pa))
    return DropHistory(load, drop, history.load_now, history.weight)


def _law(
    history: DropHistory,
    ahead: LoadAhead,
    limit_pa: float,
    limit_sd_pa: float,
    bend: float,
    share_per_day: float,
    before: float,
) -> tuple[FloatArray, FloatArray] | None:
    """For each ratio of wander to scatter: the logarithm of its likelihood (K,), and the chance by each day (K, H)."""
    use = history.drop_pa > 1.0
    load, drop = history.load_days[use], history.drop_pa[use]
    count = load.size
    if count < 4 or float(np.ptp(load)) <= 0.0:
        return None
    middle = float(np.exp(np.log(drop).mean()))

    def straight(pa: FloatArray) -> FloatArray:
        # Scaled so that a Pa is a Pa at the middle of the record, whatever the bend.
        ratio = np.asarray(pa) / middle
        return np.asarray(middle * (np.log(ratio) if bend == 0.0 else (ratio**bend - 1.0) / bend))

    y, limit = straight(drop), float(straight(np.asarray(limit_pa)))
    since = load - load[0]
    span = float(since[-1])
    regressors = np.column_stack((np.ones(count), since / span))
    # Scatter of one and wander of `ratio` over the whole record, in units of a variance that is marginalised.
    shared = np.minimum.outer(since, since) / span
    covariance = np.eye(count) + _RATIOS[:, np.newaxis, np.newaxis] * shared
    factor = np.linalg.cholesky(covariance)
    x = np.linalg.solve(factor, np.broadcast_to(regressors, (_RATIOS.size, count, 2)))
    z = np.linalg.solve(factor, np.broadcast_to(y[:, np.newaxis], (_RATIOS.size, count, 1)))[..., 0]
    normal = np.linalg.inv(np.einsum("kni,knj->kij", x, x))
    line = np.einsum("kij,knj,kn->ki", normal, x, z)
    misfit = np.sum((z - np.einsum("kni,ki->kn", x, line)) ** 2, axis=1)
    free = count - 2 + _NOISE_WORTH
    variance = (misfit + _NOISE_WORTH * _NOISE_PA**2) / free
    # The line's own log determinant and that of the readings: the marginal likelihood of a linear model.
    likely = (
        -np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
        + 0.5 * np.linalg.slogdet(normal)[1]
        - 0.5 * free * np.log(variance * free)
    )
    rate = line[:, 1] / span
    wander = variance * _RATIOS / span * share_per_day / np.maximum(rate * share_per_day, 1e-9) ** 2
    likely = likely - 0.5 * (np.log(wander / _WANDER_DAYS) / np.log(_WANDER_FACTOR)) ** 2 + before
    # What is known of the level now: the line there, and where the wander has got to.
    gain = np.linalg.solve(covariance, np.broadcast_to((shared[:, -1])[:, np.newaxis], (_RATIOS.size, count, 1)))
    gain = _RATIOS[:, np.newaxis] * gain[..., 0]
    level = line.sum(axis=1) + np.einsum("kn,kn->k", gain, y - line @ regressors.T)
    left = _RATIOS * (1.0 - gain @ shared[:, -1])
    to_come = np.concatenate(([0.0], ahead.load_days)) + max(history.load_now - float(load[-1]), 0.0)
    to_come_sd = np.concatenate(([0.0], ahead.load_days_sd))
    at = np.stack((np.ones_like(to_come), 1.0 + to_come / span))
    # Coefficients of the line that are left after the wander has taken its part of them.
    weights = at[np.newaxis] - (gain @ regressors)[..., np.newaxis]
    unsure = np.einsum("kih,kij,kjh->kh", weights, normal, weights)
    spread = variance[:, np.newaxis] * (unsure + left[:, np.newaxis] + np.outer(_RATIOS, to_come / span))
    slope = (limit_pa / middle) ** (bend - 1.0)
    unlike = np.hypot(to_come_sd, _UNLIKE_BEFORE * to_come)
    spread += (rate[:, np.newaxis] * unlike) ** 2 + (slope * limit_sd_pa) ** 2
    centre = level[:, np.newaxis] + np.outer(rate, to_come)
    return likely, stdtr(free, (centre - limit) / np.sqrt(spread))
