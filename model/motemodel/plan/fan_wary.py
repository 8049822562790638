"""A schedule that leaves itself a way back: today's target is still within reach if the air turns out as feared.

A plan on expected air rests as long as it may, and can come too late when the air turns. So its next hour is tried in
air as feared: could running throughout from then on still hold the target? Where it could not, the day is planned for
the feared air at once. A day that is not at risk costs nothing more by it.
"""

from dataclasses import replace

import numpy as np

from ..bounds import FloatArray, not_negative
from .fan_problem import FanProblem
from .fan_schedule import Schedule, search, told_of
from .fan_search import cheapest_near, costs_nothing, opening, weighed
from .fan_steps import AirTarget, Choice, FanSteps

_LOOK_AGAIN_H = 1.0


def wary_schedule(fan: FanProblem, feared_ug_m3: FloatArray, target: AirTarget) -> Schedule:
    """As `best_schedule`, but so that the first averaging period can be held in feared outdoor air, too.

    `feared_ug_m3` (T,) is such as `Forecast.feared`. Where carrying out the best schedule for an hour and then running
    wherever the fan may would not hold the first period in it, that period is planned for the feared air; if it cannot
    be held there, all is done for it that the fan can do. What is told of the schedule is told in the air of the
    problem, and its `least_cost` is that of holding the target in it. Raises ValueError where the feared air does not
    fit.
    """
    outlook = fan.outlook
    feared = fan.under(not_negative("feared_ug_m3", feared_ug_m3))
    found = search(fan, target)
    best = told_of(found.best, found, fan, target)
    period = target.periods(outlook.steps)
    first = period == 0
    if not best.held[0] or not (feared.outlook.outdoor_ug_m3 > outlook.outdoor_ug_m3)[first].any():
        return best
    begun = best.choice[: max(int(_LOOK_AGAIN_H / outlook.step_h + 1e-9), 1)]
    if _least_exposure(feared.steps, begun, int(first.sum())) <= found.kept[0]:
        return best
    uneasy = fan.under(np.where(first, feared.outlook.outdoor_ug_m3, outlook.outdoor_ug_m3)).in_periods(period)
    if costs_nothing(uneasy):
        safe = opening(uneasy).cleanest
    else:
        safe = cheapest_near(uneasy, found.kept, found.prices, best.choice)
    if (safe.choice == best.choice).all():
        return best
    return replace(told_of(weighed(fan.in_periods(period), safe.choice), found, fan, target), bold=best)


def _least_exposure(steps: FanSteps, begun: Choice, until: int) -> float:
    """Exposure, ug h/m3, of the first `until` steps when the fan does its utmost after what is `begun`.

    Every step is rising in the concentration, so the choice that leads to the least leads to the least for good.
    """
    choice = np.zeros(steps.count, dtype=np.intp)
    choice[: begun.size] = begun
    decay = np.where(steps.allowed, steps.decay, np.inf).T.tolist()
    gain = steps.gain.T.tolist()
    level = float(steps.trajectory(choice)[begun.size])
    for t in range(begun.size, until):
        ends = [np.inf if a == np.inf else a * level + g for a, g in zip(decay[t], gain[t], strict=True)]
        level = min(ends)
        choice[t] = ends.index(level)
    return float(steps.exposure(choice, steps.trajectory(choice))[:until].sum())
