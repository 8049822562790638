"""When a filter's drop meets its limit: its own trend, by laws that dust follows, over the running that lies ahead."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logsumexp, softmax, stdtr

from ..bounds import FloatArray
from .change import Reach

_NEIGHBOURS, _LEAST_POINTS = 7, 8
_LAWS = (
    (-1.0, 0.0, 1.0),
    (-0.5, 0.0, 2.0),
    (0.0, 0.0, 3.0),
    (0.5, 0.0, 2.0),
    (1.0, 0.0, 1.0),
    (0.25, 0.8, 3.0),
    (0.5, 0.8, 3.0),
    (0.75, 0.8, 3.0),
    (0.33, 0.95, 1.5),
    (0.5, 0.95, 1.5),
)
"""Laws of loading: the two parameters of a Box-Cox transform of the drop in which equal dust adds equally, its exponent
and the share of the clean drop that is taken off first, and how likely each is (common practice, no source).

An exponent of 1 is a cake of even resistance, 0 growth by equal shares of the drop (Li et al. 2022,
`filters.ExponentialLoading`); as far beyond it as the cake lies before it is taken for as likely as the cake. Dust adds
to a clean medium whose own drop stays; that its part grows with a power of the dust, up to about its square, is told by
what is left once most of the clean drop is taken off. One that grows with its cube is dated late.
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
_LEAST_PA = 1.0
_LEAST_SHARE = 1e-3
"""Of the day: a fan that does not run at all has no day by which to tell how unevenly dust comes."""


@dataclass(frozen=True)
class DropHistory:
    """What a filter's drop at the reference airflow has been, (N,) each, oldest first, the last one newest.

    `load_days`: days of running, each counted by how dusty it was, up to then; `drop_pa` there. `load_now`: the load by
    now, which may be more. `weight`: how likely this way to count them is, beside others. `clean_pa`: the drop that
    such a filter comes with, nan if unknown. `earlier`: of filters of the same kind that were in before, whose law of
    loading is this one's too, and whose pace is likely much like its own.
    """

    load_days: FloatArray
    drop_pa: FloatArray
    load_now: float
    weight: float = 1.0
    clean_pa: float = float("nan")
    earlier: "tuple[DropHistory, ...]" = ()


@dataclass(frozen=True)
class LoadAhead:
    """Load to come by some days from now, (H,) each, as `DropHistory.load_days`, with its standard deviation."""

    day: FloatArray
    load_days: FloatArray
    load_days_sd: FloatArray


Way = tuple[DropHistory, LoadAhead]
"""A way to count the load, so far and to come."""


def reach_by_clogging(
    reason: str,
    ways: Sequence[Sequence[Way]],
    limit_pa: float,
    limit_sd_pa: float,
    share_per_day: float,
) -> Reach | None:
    """Days until the drop meets `limit_pa`; None with fewer than four points or nothing that can be told.

    `ways`: for each way to bring the drop to the reference, which keeps its weight, since the record cannot tell them
    apart, those to count the load, which are weighed by how well they tell that drop's past, too. All look at the same
    days ahead. Each is taken with several laws of loading: in a Box-Cox transform of the drop (1964, J. R. Stat. Soc. B
    26: 211-252) it is a line over the load, from which it wanders as dust comes unevenly (a random walk with drift;
    Harvey 1989, Forecasting, structural time series models, section 2.3; both from memory), and the readings scatter.
    Scatter and wander are weighed over a grid, all laws by how well they tell the past of this filter and of those like
    it before, whose pace is weighed with this one's. The chance to be at the limit by a day is that of all of them
    together. `share_per_day`: of the day that the fan runs, to bring the wander from days to load.
    """
    day = np.concatenate(([0.0], ways[0][0][1].day))
    chance, weights = np.zeros(day.size), 0.0
    for of_one_drop in ways:
        told = [
            (history.weight, *found)
            for history, ahead in of_one_drop
            if (found := _chance(history, ahead, limit_pa, limit_sd_pa, share_per_day)) is not None
        ]
        if told:
            weight, likely, by_day = (np.array(each) for each in zip(*told, strict=True))
            chance += weight.sum() * softmax(np.log(weight) + likely) @ by_day
            weights += float(weight.sum())
    if weights == 0.0:
        return None
    reached = np.maximum.accumulate(chance / weights)

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
) -> tuple[float, FloatArray] | None:
    """Of all laws by how well they tell the past, its log-likelihood and the chance to be at the limit, (H + 1,)."""
    if history.drop_pa.size == 0:
        return None
    this, *earlier = (_thinned(each) for each in (history, *history.earlier) if each.drop_pa.size)
    likely, chances = [], []
    for exponent, off_pa, weight in _laws(this, earlier):
        fit = _fit(_less(this, off_pa), exponent, share_per_day)
        if fit is not None:
            before = (_fit(_less(each, off_pa), exponent, share_per_day) for each in earlier)
            learned = [found for found in before if found is not None]
            for each in learned:
                fit = fit.with_rate(*each.rate_at(fit.middle_pa))
            likely.append(fit.likely + np.log(weight) + sum(logsumexp(each.likely) for each in learned))
            chances.append(fit.chance(ahead, limit_pa - off_pa, limit_sd_pa))
    if not likely:
        return None
    of_all = np.concatenate(likely)
    return float(logsumexp(of_all)), np.asarray(softmax(of_all) @ np.concatenate(chances))


def _laws(this: DropHistory, earlier: Sequence[DropHistory]) -> Iterator[tuple[float, float, float]]:
    """Exponent of each law, what it takes off the drop, Pa, and its weight; every point of the records stays in use."""
    lowest = min(float(each.drop_pa.min()) for each in (this, *earlier))
    clean = float(np.minimum(this.clean_pa, lowest))
    for exponent, off, weight in _LAWS:
        if off == 0.0 or (1.0 - off) * clean > _LEAST_PA:
            yield exponent, off * clean if off else 0.0, weight


def _less(history: DropHistory, off_pa: float) -> DropHistory:
    return replace(history, drop_pa=history.drop_pa - off_pa)


def _thinned(history: DropHistory) -> DropHistory:
    """Means of a week's points each: dusty days follow one another, and a walk is of steps that do not."""
    size = history.drop_pa.size
    groups = np.array_split(np.arange(size), min(size, max(_LEAST_POINTS, size // _NEIGHBOURS)))
    load, drop = (np.array([values[g].mean() for g in groups]) for values in (history.load_days, history.drop_pa))
    return replace(history, load_days=load, drop_pa=drop)


@dataclass(frozen=True)
class _Fit:
    """A law fitted to a record, for each of the K ratios of wander to scatter.

    `likely`: the logarithm of its likelihood (K,); `line` (K, 2) with the covariance `normal` (K, 2, 2) in units of
    `variance` (K,); `level` (K,): where the drop is now, transformed; `left` (K,): what the wander leaves unknown of
    it; `told` (K, 2): how much of the line the wander takes up there; `since_last`: load since the last point.
    """

    exponent: float
    middle_pa: float
    span: float
    since_last: float
    free: float
    likely: FloatArray
    line: FloatArray
    normal: FloatArray
    variance: FloatArray
    level: FloatArray
    left: FloatArray
    told: FloatArray

    def rate_at(self, middle_pa: float) -> tuple[float, float]:
        """The growth by a day of load, Pa at a drop of `middle_pa`, and how far another filter's may be from it."""
        weight, rate = softmax(self.likely), self.line[:, 1] / self.span
        mean = float(weight @ rate)
        off = weight @ (self.variance * self.normal[:, 1, 1] / self.span**2 + (rate - mean) ** 2)
        # The other's time may have been unlike others, and so may this one's.
        apart = float(np.sqrt(off + 2.0 * (_UNLIKE_BEFORE * mean) ** 2))
        scale = (middle_pa / self.middle_pa) ** (1.0 - self.exponent)
        return scale * mean, scale * apart

    def with_rate(self, rate: float, sd: float) -> "_Fit":
        """With a growth by a day of load that was found elsewhere, Pa at `middle_pa`, and its standard deviation."""
        with_it = self.variance[:, np.newaxis] * self.normal[:, :, 1] / self.span
        off, total = rate - self.line[:, 1] / self.span, with_it[:, 1] / self.span + sd**2
        gain = with_it / total[:, np.newaxis]
        moved = gain * off[:, np.newaxis]
        known = gain[:, :, np.newaxis] * with_it[:, np.newaxis, :] / self.variance[:, np.newaxis, np.newaxis]
        return replace(
            self,
            line=self.line + moved,
            normal=self.normal - known,
            level=self.level + np.sum((1.0 - self.told) * moved, axis=1),
            likely=self.likely - 0.5 * (off**2 / total + np.log(total)),
        )

    def chance(self, ahead: LoadAhead, limit_pa: float, limit_sd_pa: float) -> FloatArray:
        """The chance to be at the limit by each day, (K, H + 1); it is sure where there is nothing left to grow."""
        if limit_pa <= _LEAST_PA:
            return np.ones((_RATIOS.size, ahead.day.size + 1))
        limit = float(_box_cox(np.asarray(limit_pa), self.middle_pa, self.exponent))
        rate = self.line[:, 1] / self.span
        to_come = np.concatenate(([0.0], ahead.load_days)) + self.since_last
        to_come_sd = np.concatenate(([0.0], ahead.load_days_sd))
        at = np.stack((np.ones_like(to_come), 1.0 + to_come / self.span))
        # Coefficients of the line that are left after the wander has taken its part of them.
        weights = at[np.newaxis] - self.told[..., np.newaxis]
        unsure = np.einsum("kih,kij,kjh->kh", weights, self.normal, weights)
        spread = self.variance[:, np.newaxis] * (
            unsure + self.left[:, np.newaxis] + np.outer(_RATIOS, to_come / self.span)
        )
        slope = (limit_pa / self.middle_pa) ** (self.exponent - 1.0)
        unlike = np.hypot(to_come_sd, _UNLIKE_BEFORE * to_come)
        spread += (rate[:, np.newaxis] * unlike) ** 2 + (slope * limit_sd_pa) ** 2
        centre = self.level[:, np.newaxis] + np.outer(rate, to_come)
        return np.asarray(stdtr(self.free, (centre - limit) / np.sqrt(spread)))


def _box_cox(drop_pa: FloatArray, middle_pa: float, exponent: float) -> FloatArray:
    """The Box-Cox transform, scaled so that a Pa is a Pa at the middle of the record, whatever the exponent."""
    ratio = np.asarray(drop_pa) / middle_pa
    return np.asarray(middle_pa * (np.log(ratio) if exponent == 0.0 else (ratio**exponent - 1.0) / exponent))


def _fit(history: DropHistory, exponent: float, share_per_day: float) -> _Fit | None:
    """The law of an exponent, fitted; None for a record that is too short."""
    use = history.drop_pa > _LEAST_PA
    load, drop = history.load_days[use], history.drop_pa[use]
    count = load.size
    if count < 4 or float(np.ptp(load)) <= 0.0:
        return None
    middle = float(np.exp(np.log(drop).mean()))
    y = _box_cox(drop, middle, exponent)
    since = load - load[0]
    span = float(since[-1])
    # Scatter by the Pa and wander of `ratio` over the whole record, in units of a variance that is marginalised; along
    # the eigenvectors of the one beside the other both are uncorrelated, whatever the ratio.
    shared = np.minimum.outer(since, since) / span
    pa_by_unit = (drop / middle) ** (1.0 - exponent)
    shares, vectors = np.linalg.eigh(pa_by_unit[:, np.newaxis] * shared * pa_by_unit)
    weights = 1.0 / (1.0 + _RATIOS[:, np.newaxis] * shares)
    columns = np.column_stack((np.ones(count), since / span, y, shared[:, -1]))
    columns = vectors.T @ (pa_by_unit[:, np.newaxis] * columns)
    x, z, last = columns[:, :2], columns[:, 2], columns[:, 3]
    normal = np.linalg.inv(np.einsum("kn,ni,nj->kij", weights, x, x))
    line = np.einsum("kij,kn,nj,n->ki", normal, weights, x, z)
    off_line = z - line @ x.T
    misfit = np.sum(weights * off_line**2, axis=1)
    free = count - 2 + _NOISE_WORTH
    variance = (misfit + _NOISE_WORTH * _NOISE_PA**2) / free
    # The line's own log determinant and that of the readings: the marginal likelihood of a linear model. The transform
    # adds nothing to it, as the middle is the geometric mean of the readings (Box & Cox 1964).
    likely = (
        0.5 * np.log(weights).sum(axis=1) + 0.5 * np.linalg.slogdet(normal)[1] - 0.5 * free * np.log(variance * free)
    )
    rate = line[:, 1] / span
    share_per_day = max(share_per_day, _LEAST_SHARE)
    wander = variance * _RATIOS / span * share_per_day / np.maximum(rate * share_per_day, 1e-9) ** 2
    likely = likely - 0.5 * (np.log(wander / _WANDER_DAYS) / np.log(_WANDER_FACTOR)) ** 2
    # What is known of the level now: the line there, and where the wander has got to.
    gain = _RATIOS[:, np.newaxis] * weights * last
    return _Fit(
        exponent=exponent,
        middle_pa=middle,
        span=span,
        since_last=max(history.load_now - float(load[-1]), 0.0),
        free=free,
        likely=likely,
        line=line,
        normal=normal,
        variance=variance,
        level=line.sum(axis=1) + np.sum(gain * off_line, axis=1),
        left=_RATIOS * (1.0 - gain @ last),
        told=gain @ x,
    )
