"""A schedule that leaves itself a way back: today's target is still within reach if the air turns out as feared.

A plan on expected air rests as long as it may, and can come too late when the air turns. So its next hour is tried in
air as feared: could running throughout from then on still hold the target? Where it could not, the day is planned for
the feared air at once. A day that is not at risk costs nothing more by it.
"""

from dataclasses import replace

import numpy as np

from ..bounds import FloatArray, not_negative
from .fan import HouseRates, Outlook
from .fan_schedule import Schedule, best_schedule, only_speed, with_choice
from .fan_steps import AirTarget, Choice, Costs, Dwell, FanSteps, Speed, fan_steps

_LOOK_AGAIN_H = 1.0


def wary_schedule(
    outlook: Outlook,
    feared_ug_m3: FloatArray,
    rates: HouseRates,
    target: AirTarget,
    *,
    costs: Costs | None = None,
    dwell: Dwell | None = None,
    speeds: tuple[Speed, ...] = (),
) -> Schedule:
    """As `best_schedule`, but so that the first averaging period can be held in feared outdoor air, too.

    `feared_ug_m3` (T,) is such as `Forecast.feared`. Where carrying out the best schedule for an hour and then running
    wherever the fan may would not hold the first period in it, that period is planned for the feared air; if it cannot
    be held there, all is done for it that the fan can do. What is told of the schedule is told in the air of `outlook`,
    and its `least_cost` is that of holding the target in it. Raises ValueError where the feared air does not fit.
    """
    feared = replace(outlook, outdoor_ug_m3=not_negative("feared_ug_m3", feared_ug_m3))
    best = best_schedule(outlook, rates, target, costs=costs, dwell=dwell, speeds=speeds)
    first = target.periods(outlook.steps) == 0
    if not best.held[0] or not (feared.outdoor_ug_m3 > outlook.outdoor_ug_m3)[first].any():
        return best
    steps = fan_steps(feared, rates, speeds or only_speed(rates), Costs())
    begun = best.choice[: max(int(_LOOK_AGAIN_H / outlook.step_h + 1e-9), 1)]
    if _least_exposure(steps, begun, int(first.sum())) <= target.allowances(outlook.steps, outlook.step_h)[0]:
        return best
    uneasy = replace(outlook, outdoor_ug_m3=np.where(first, feared.outdoor_ug_m3, outlook.outdoor_ug_m3))
    safe = best_schedule(uneasy, rates, target, costs=costs, dwell=dwell, speeds=speeds, left_undone=0.0)
    return with_choice(best, safe.choice, outlook, rates, target, costs=costs, dwell=dwell, speeds=speeds)


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
