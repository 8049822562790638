"""The sensors' gain ratio from spells in which the house stood open, though no signal told of a window.

Behind shut windows a calm house reads gain x infiltration factor of the outdoor level, and no calm night, however long,
tells the two apart: it gives a lower bound, since no more comes in than is outdoors. An open window brings outdoor air
with all its particles: it adds q C_out g to what enters and q to the loss, in the indoor sensor's scale, so the air
moves quickly, towards a level that the gain ratio g sets. Cooking rises, but dies away no quicker than before; a room
cleaner quickens the loss, but brings nothing in. With the rest of the balance known, g and q follow from one spell.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from ..bounds import FloatArray
from ..measure import spans
from .answer import Z_90, Estimate
from .decay import combined
from .fit import Fit
from .house_model import HouseModel, Seen
from .record import HouseRecord
from .recurrence import BoolArray, linear_recurrence, step_response

_LENGTHS_H = (1.0, 2.0)
_APART_H = 2.0
# A sudden change is told of some minutes early, and the first air through a window has to mix.
_MIXING_H = 0.1
# An open window changes the air more often than this, and by so many standard deviations more than none.
_LEAST_AIRING_PER_H = 2.5
_LEAST_SIGNIFICANCE = 3.0
_FIRST_LOOK = 0.5
_WORST_MISFIT = 1.5
_LEAST_READINGS = 20
# Air near an open window is not mixed: relative standard deviation of one spell's ratio beside the fit's own.
_UNEVEN = 0.04
# Gains further off than this are no gains of two working sensors, and the spell was something else.
_PLAUSIBLE = (0.5, 2.0)
# Calm: the fan at rest and nothing made indoors for so long; several times what a house takes to forget.
_CALM_AFTER_H = 3.0


@dataclass(frozen=True)
class Airing:
    """One spell from `start_h` on with the house open: outdoor air let in, 1/h, and the gain ratio that it shows."""

    start_h: float
    air_change_per_h: float
    gain_ratio: Estimate


def airings(
    record: HouseRecord, seen: Seen, model: HouseModel, fitted: Fit, burst: BoolArray, odd: BoolArray
) -> tuple[Airing, ...]:
    """Spells that look like an open window and nothing else, among those that begin with a sudden rise or fall.

    `burst`, `odd`: sudden rises, and falls too fast for the house. The spell is an hour or two from there: how long the
    window stood open is not known, and a fit across its shutting is a bad fit and left out.
    """
    starts = sorted(first for mask in (burst, odd) for first, _ in spans(mask).tolist())
    found: list[Airing] = []
    for first in starts:
        if found and (first * record.step_h + record.start_h) - found[-1].start_h < _APART_H:
            continue
        fits = (_airing(record, seen, model, fitted, first, length_h) for length_h in _LENGTHS_H)
        found += [airing for airing in fits if airing is not None][-1:]
    return tuple(found)


def gain_of(spells: Sequence[Airing]) -> Estimate | None:
    """The gain ratio of several spells together; None of fewer than two, since one may be anything."""
    answer = combined([spell.gain_ratio for spell in spells]) if len(spells) > 1 else None
    return answer if isinstance(answer, Estimate) else None


def calm_ratio(record: HouseRecord, burst: BoolArray) -> tuple[float, float]:
    """Indoor over outdoor reading in the calm hours, and how many these are; NaN where there are none.

    It is the gain ratio times the infiltration factor, which is between 0 and 1.
    """
    steps = max(1, round(_CALM_AFTER_H / record.step_h))
    shut = np.zeros(record.count, dtype=np.bool_) if record.window is None else ~(record.window <= 0.0)
    restless = burst | shut | ~(record.fan < 0.02)
    last = np.maximum.accumulate(np.where(restless, np.arange(record.count), -1))
    calm = (np.arange(record.count) - last > steps) & np.isfinite(record.indoor) & np.isfinite(record.outdoor)
    hours, outdoor = float(np.count_nonzero(calm)) * record.step_h, float(record.outdoor[calm].sum())
    return (float(record.indoor[calm].sum()) / outdoor if outdoor > 0.0 else float("nan")), hours


def _airing(
    record: HouseRecord, seen: Seen, model: HouseModel, fitted: Fit, first: int, length_h: float
) -> Airing | None:
    first += round(_MIXING_H / record.step_h)
    last = min(first + round(length_h / record.step_h), record.count)
    known, reading = seen.known[first:last], seen.reading[first:last]
    if np.count_nonzero(known) < _LEAST_READINGS:
        return None
    between = slice(first, last - 1)
    entry, loss = (terms[between] @ fitted.theta for terms in (model.terms.entry, model.terms.loss))
    outdoor = 0.5 * (seen.outdoor[first + 1 : last] + seen.outdoor[between])
    scale = fitted.scale[first:last][known]

    def misfit(parameters: FloatArray) -> FloatArray:
        begin, let_in, aired = parameters
        phi, g, _ = step_response(loss + aired, record.step_h)
        drive = np.concatenate(([begin], g * (entry + let_in * outdoor)))[:, None]
        return np.asarray((linear_recurrence(phi, drive)[known, 0] - reading[known]) / scale)

    # The balance integrated is linear in what is sought: a first look that spares the full fit in most spells.
    level = np.interp(np.arange(reading.size), np.flatnonzero(known), reading[known])
    middle = 0.5 * (level[1:] + level[:-1])
    rest, by_outdoor, by_level = (np.cumsum(rate) * record.step_h for rate in (entry - loss * middle, outdoor, middle))
    columns = np.column_stack([np.ones(rest.size), by_outdoor, -by_level])
    look = np.linalg.lstsq(columns, level[1:] - rest, rcond=None)[0]
    if look[2] < _FIRST_LOOK * _LEAST_AIRING_PER_H or look[1] <= 0.0:
        return None
    start = [float(np.clip(each, low, 50.0)) for each, low in zip(look, (0.0, 0.1, 0.1), strict=True)]
    best = scipy.optimize.least_squares(
        misfit,
        start,
        bounds=([0.0, 0.0, 0.0], [np.inf, 60.0, 60.0]),
        x_scale=[10.0, 1.0, 1.0],
        loss="soft_l1",
        max_nfev=30,
    )
    left, (_, let_in, aired) = misfit(best.x), best.x
    jacobian = np.asarray(best.jac)
    curvature = jacobian.T @ jacobian
    mean_square = float(np.mean(left**2))
    if not best.success or mean_square > _WORST_MISFIT or not np.linalg.cond(curvature) < 1e14:
        return None
    lag = float(np.corrcoef(left[:-1], left[1:])[0, 1]) if np.ptp(left) > 0.0 else 0.0
    lag = float(np.clip(lag if np.isfinite(lag) else 0.0, 0.0, 0.97))
    covariance = np.linalg.inv(curvature) * mean_square * (1.0 + lag) / (1.0 - lag)
    if aired < max(_LEAST_AIRING_PER_H, _LEAST_SIGNIFICANCE * float(np.sqrt(covariance[2, 2]))):
        return None
    ratio = float(let_in / aired)
    slope = np.array([0.0, 1.0 / aired, -ratio / aired])
    sd = float(np.sqrt(slope @ covariance @ slope))
    if not _PLAUSIBLE[0] < ratio < _PLAUSIBLE[1] or sd > 0.1 * ratio:
        return None
    half = Z_90 * float(np.hypot(sd, _UNEVEN * ratio))
    return Airing(record.start_h + first * record.step_h, float(aired), Estimate(ratio, ratio - half, ratio + half))
