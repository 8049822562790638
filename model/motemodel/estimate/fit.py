"""Robust fit of the balance to readings: Gauss-Newton on the innovations with heavy-tailed weights."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from ..bounds import FloatArray
from .recurrence import BoolArray, Noise, Run, Steering, Terms, run, steer

# Student-t with four degrees of freedom: the usual choice for heavy-tailed errors (Lange, Little & Taylor 1989, JASA
# 84: 881-896).
_TAIL = 4.0
_QUICK = (0.0, 0.001, 0.01, 0.1)
# In units of the sensor's own scatter, so a quiet sensor needs the strongest. With no more than 3 the loss came out 8 %
# too low over thirty days (median of the houses of seeds 70000 to 70023); with 30 a third too high in a house whose air
# change goes with a wind that also clears the air outdoors, with 10 within a tenth.
_LASTING = (0.3, 1.0, 3.0, 10.0)


@dataclass(frozen=True)
class Prior:
    """What is known of each parameter before any reading: mean, standard deviation, and hard bounds."""

    mean: FloatArray
    sd: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class Fit:
    """Parameters, the run that they give, and the weight of each innovation in the sum of squares."""

    theta: FloatArray
    noise: Noise
    steering: Steering
    scale: FloatArray
    run: Run
    weight: FloatArray


def fit(
    terms: Terms,
    reading: FloatArray,
    known: BoolArray,
    restart: BoolArray,
    prior: Prior,
    start: FloatArray,
    *,
    noise: Noise,
    seek_noise: bool = False,
    iterations: int = 4,
    every: int = 1,
) -> Fit:
    """Posterior mode of the parameters under Student-t innovations.

    `known`, `restart`, `every`: see `steer`. `seek_noise` looks for the likeliest noise in a short list about `noise`
    after the first iteration.
    """
    theta = start
    chosen = noise

    def steering_for(tried: Noise) -> Steering:
        return steer(known, restart, tried, terms.step_h, float(np.mean(terms.loss @ theta)), every)

    for turn in range(iterations):
        if seek_noise and turn == 1:
            chosen = _likeliest(terms, theta, reading, steering_for, chosen)
        steering = steering_for(chosen)
        result = run(terms, theta, reading, steering)
        scale = noise_scale(result, steering)
        weight = _weights(result, steering, scale)
        weighted = result.slopes * weight[:, None]
        curvature = weighted.T @ result.slopes + np.diag(prior.sd**-2.0)
        pull = weighted.T @ result.innovation - (theta - prior.mean) * prior.sd**-2.0
        theta = _stepped(theta, curvature, pull, prior)
    steering = steering_for(chosen)
    result = run(terms, theta, reading, steering)
    scale = noise_scale(result, steering)
    return Fit(theta, chosen, steering, scale, result, _weights(result, steering, scale))


def _stepped(theta: FloatArray, curvature: FloatArray, pull: FloatArray, prior: Prior) -> FloatArray:
    """One Gauss-Newton step; parameters that would leave their bounds are set on them, the others follow suit."""
    free = theta + np.linalg.solve(curvature, pull)
    bound = np.clip(free, prior.low, prior.high)
    at = bound != free
    if not at.any():
        return np.asarray(free)
    inside = ~at
    given = pull[inside] - curvature[np.ix_(inside, at)] @ (bound - theta)[at]
    bound[inside] = theta[inside] + np.linalg.solve(curvature[np.ix_(inside, inside)], given)
    return np.asarray(np.clip(bound, prior.low, prior.high))


def _likeliest(
    terms: Terms, theta: FloatArray, reading: FloatArray, steering_for: Callable[[Noise], Steering], first: Noise
) -> Noise:
    """The likeliest noise of the list: first how strong the lasting part is, then the quick one."""

    def misfit(tried: Noise) -> float:
        return _misfit(terms, theta, reading, steering_for(tried))

    lasting = min((replace(first, lasting=value) for value in _near(first.lasting, _LASTING)), key=misfit)
    return min((replace(lasting, quick=value) for value in _near(first.quick, _QUICK)), key=misfit)


def _near(value: float, ladder: tuple[float, ...]) -> tuple[float, ...]:
    """The rung of the ladder at `value` and two on each side."""
    at = int(np.argmin(np.abs(np.array(ladder) - value)))
    return ladder[max(at - 2, 0) : at + 3]


def noise_scale(result: Run, steering: Steering) -> FloatArray:
    """Standard deviation of the innovations (relative variance taken out), growing with the level, per step.

    variance = floor2 + (share x level)2, from the median absolute innovation in eighths of the level's range.
    """
    used = steering.used
    level = np.abs(result.filtered)
    if np.count_nonzero(used) < 50:
        return np.full(level.size, max(1.0, float(np.std(result.innovation[used])) if used.any() else 1.0))
    size = np.abs(result.innovation[used]) / np.sqrt(steering.variance[used])
    here = level[used]
    edges = np.quantile(here, np.linspace(0.0, 1.0, 9))
    group = np.clip(np.searchsorted(edges, here, side="right") - 1, 0, 7)
    spread = np.array([1.4826 * np.median(size[group == g]) if np.any(group == g) else np.nan for g in range(8)])
    middle = np.array([np.median(here[group == g]) if np.any(group == g) else np.nan for g in range(8)])
    good = np.isfinite(spread) & (spread > 0.0)
    if np.count_nonzero(good) < 2:
        return np.full(level.size, max(0.05, float(np.sqrt(np.mean(size**2)))))
    design = np.column_stack([np.ones(np.count_nonzero(good)), middle[good] ** 2]) / spread[good, None] ** 2
    floor2, share2 = np.linalg.lstsq(design, np.ones(np.count_nonzero(good)), rcond=None)[0]
    # An eighth in which no step lies has no scatter.
    if share2 < 0.0:
        floor2, share2 = np.nanmedian(spread) ** 2, 0.0
    elif floor2 < 0.0:
        floor2, share2 = 0.05**2, np.nanmedian(spread / middle) ** 2
    return np.asarray(np.sqrt(np.maximum(floor2, 0.05**2) + share2 * level**2))


def _weights(result: Run, steering: Steering, scale: FloatArray) -> FloatArray:
    """Weight of each innovation in the sum of squares; nought where it carries no information."""
    variance = scale**2 * steering.variance
    standard2 = result.innovation**2 / variance
    return np.where(steering.used, (_TAIL + 1.0) / (_TAIL + standard2) / variance, 0.0)


def _misfit(terms: Terms, theta: FloatArray, reading: FloatArray, steering: Steering) -> float:
    """Minus twice the log likelihood per innovation, up to a constant."""
    result = run(terms, theta, reading, steering, slopes=False)
    scale = noise_scale(result, steering)
    used = steering.used
    if not used.any():
        return np.inf
    variance = (scale**2 * steering.variance)[used]
    standard2 = result.innovation[used] ** 2 / variance
    return float(np.mean(np.log(variance) + (_TAIL + 1.0) * np.log1p(standard2 / _TAIL)))


def robust_covariance(fitted: Fit, prior: Prior, block: NDArray[np.intp]) -> tuple[FloatArray, float]:
    """Covariance of the parameters from the sums of their scores over blocks of time, and its degrees of freedom.

    White (1982), Econometrica 50: 1-25, with scores summed over blocks because what the model leaves out (weather,
    habits) lasts for hours; n/(n - 1) for few blocks. It is never less than the curvature alone says. `block` numbers
    the block of each step.
    """
    weight = fitted.weight
    scores = fitted.run.slopes * (weight * fitted.run.innovation)[:, None]
    count = int(block.max()) + 1
    sums = np.stack([np.bincount(block, scores[:, p], minlength=count) for p in range(scores.shape[1])], axis=1)
    informative = np.bincount(block, weight, minlength=count) > 0.0
    n = int(np.count_nonzero(informative))
    curvature = (fitted.run.slopes * weight[:, None]).T @ fitted.run.slopes + np.diag(prior.sd**-2.0)
    inverse = np.linalg.inv(curvature)
    meat = sums.T @ sums * (n / max(n - 1, 1)) + np.diag(prior.sd**-2.0)
    sandwich = inverse @ meat @ inverse
    larger = np.maximum(np.sqrt(np.diag(sandwich) / np.diag(inverse)), 1.0)
    root = np.sqrt(np.diag(sandwich))
    grow = larger * np.sqrt(np.diag(inverse)) / np.where(root > 0.0, root, 1.0)
    return sandwich * np.outer(grow, grow), float(max(n - 1, 1))


def t_90(degrees_of_freedom: float) -> float:
    """Half width of the two-sided 90 % interval of Student's t."""
    return float(stdtrit(max(degrees_of_freedom, 1.0), 0.95))
