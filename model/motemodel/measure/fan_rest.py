"""The filter's pressure drop and the fan's state, each checked by the other: no air moves while the fan rests.

Through a filter without airflow the drop is nought, within the sensor's offset and what the stack effect leaves, and
while the fan runs it is not. A drop that stays the same through the rests is not that of this fan, and one that comes
and goes while the fan is said to run tells that the fan does not. All thresholds are common practice, no source.
"""

from dataclasses import dataclass

import numpy as np

from ..bounds import FloatArray
from .faults import BoolArray, spans

_RUNS, _RESTS = 0.99, 0.01
"""Fractions of a step from which, and up to which, the fan ran throughout, or rested."""
_SETTLE_H = 5.0 / 60.0
"""A blower runs on after a call, and coasts."""
_FLOWING_PA = 5.0
"""A sensor's offset and a stack effect at rest do not come to this."""
_MOST = 0.75
"""Of the readings in a rest: what is told by chance reads now one thing and now the other."""
_SAME = 0.8
"""Of the drop with the fan running: a fan left at a low speed for circulation holds up less."""
_NOUGHT_PA, _NOUGHT = 3.0, 0.1
"""At rest a drop is below both this and this share of it with the fan running; the lowest speed of a fan is above."""
_BACK = 0.5
_FEWEST = 3
_LEAST_SAME_H = 24.0
"""For an evening somebody may have the fan run, past a state that tells the calls only."""
_WITHIN_H, _LEAST_REST_H = 72.0, 0.15
"""Somebody opens the blower's door, or pulls a hose, once or twice in three days, and not more often."""


@dataclass(frozen=True)
class DropAtOdds:
    """The steps, shape (steps,), in which drop and fan do not agree.

    `same_at_rest`: the drop does not fall as the fan rests; `rests_in_run`: it comes and goes while the fan is said to
    run without a pause.
    """

    same_at_rest: BoolArray
    rests_in_run: BoolArray


def drop_at_odds(drop_pa: FloatArray, fan: FloatArray, read: BoolArray, step_h: float, late_h: float) -> DropAtOdds:
    """Where a filter's drop (Pa) and the fraction run by the fan (0..1) contradict each other, step by step.

    All of shape (steps,), NaN where unknown; `read`: in which steps the drop was read, as others hold what was read
    before or after. `late_h`: by how much either may be told late (the intervals between readings, h); nothing so near
    a start or a stop of the fan is looked at. It takes three rests in a row, over at least a day, that read what
    the run does, or three falls to nought within three days of what is told as one run or several: once, it is a hose
    or a door. Neither is told where the drop never comes to 5 Pa, nor the one where the fan never rests.
    Raises ValueError for shapes that differ and for a step or a lateness that is no time.
    """
    if not (drop_pa.ndim == 1 and drop_pa.shape == fan.shape == read.shape and step_h > 0.0 and late_h >= 0.0):
        raise ValueError(
            f"drop at odds: shapes {drop_pa.shape}, {fan.shape} and {read.shape}, step {step_h:g} h, late by "
            f"{late_h:g} h; give three alike and times above zero"
        )
    runs, rests = fan > _RUNS, fan < _RESTS
    level = _running_level(drop_pa, runs, step_h)
    if level is None:
        nothing = np.zeros(drop_pa.size, dtype=np.bool_)
        return DropAtOdds(nothing, nothing)
    edge = int(np.ceil((late_h + _SETTLE_H) / step_h - 1e-9))
    seen = read & np.isfinite(drop_pa)
    return DropAtOdds(
        _same_at_rest(drop_pa, level, rests, seen & _within(rests, edge), step_h),
        _rests_in_run(drop_pa, level, runs, seen & _within(runs, edge), step_h, max(late_h, _LEAST_REST_H)),
    )


def _same_at_rest(drop: FloatArray, level: FloatArray, rests: BoolArray, seen: BoolArray, step_h: float) -> BoolArray:
    """From the last rest that shows a fall to the next one, where all those between read what the runs do."""
    found = np.zeros(drop.size, dtype=np.bool_)
    told = [(start, end) for start, end in spans(rests) if seen[start:end].any()]
    high = np.zeros(len(told), dtype=np.bool_)
    for number, (start, end) in enumerate(told):
        most_pa = float(np.quantile(drop[start:end][seen[start:end]], 1.0 - _MOST))
        high[number] = most_pa > max(_FLOWING_PA, _SAME * float(level[start]))
    for first, after in spans(high):
        begin = told[first - 1][1] if first else 0
        end = told[after][0] if after < len(told) else drop.size
        lasts_h = (told[after - 1][1] - told[first][0]) * step_h
        found[begin:end] = after - first >= _FEWEST and lasts_h >= _LEAST_SAME_H
    return found


def _rests_in_run(
    drop: FloatArray, level: FloatArray, runs: BoolArray, seen: BoolArray, step_h: float, least_h: float
) -> BoolArray:
    """The runs, as they are told, in which the drop falls to nought for `least_h` or longer, again and again."""
    found = np.zeros(drop.size, dtype=np.bool_)
    nought = np.abs(drop) < np.minimum(_NOUGHT_PA, _NOUGHT * level)
    clear = np.flatnonzero(seen & (nought | (drop > _BACK * level)))
    told = spans(runs)
    if clear.size == 0:
        return found
    of_run = np.searchsorted(told[:, 0], clear, side="right") - 1
    # Groups of readings that are alike within one run; a group at nought tells a fall if another came before it.
    new = np.flatnonzero((np.diff(nought[clear]) != 0) | (np.diff(of_run) != 0)) + 1
    first, last = np.concatenate(([0], new)), np.concatenate((new, [clear.size])) - 1
    falls = nought[clear[first]] & ((clear[last] - clear[first] + 1) * step_h >= least_h)
    falls[1:] &= of_run[first[1:]] == of_run[first[:-1]]
    falls[0] = False
    at, run = clear[first[falls]], of_run[first[falls]]
    for k in np.flatnonzero((at[_FEWEST - 1 :] - at[: 1 - _FEWEST]) * step_h <= _WITHIN_H):
        found[told[run[k], 0] : told[run[k + _FEWEST - 1], 1]] = True
    return found


def _running_level(drop: FloatArray, runs: BoolArray, step_h: float) -> FloatArray | None:
    """The drop while air moves, Pa: the medians of the days, and between them a straight line; None without any."""
    flowing = np.flatnonzero(runs & (drop > _FLOWING_PA))
    if flowing.size == 0:
        return None
    day = np.floor(flowing * step_h / 24.0)
    days, first = np.unique(day, return_index=True)
    medians = [float(np.median(drop[of_day])) for of_day in np.split(flowing, first[1:])]
    return np.asarray(np.interp(np.arange(drop.size) * step_h / 24.0, days + 0.5, medians))


def _within(mask: BoolArray, edge: int) -> BoolArray:
    """What is more than `edge` steps inside a run of True."""
    found = np.zeros(mask.size, dtype=np.bool_)
    for start, end in spans(mask):
        found[start + edge : max(end - edge, start + edge)] = True
    return found
