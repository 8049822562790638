"""When a filter takes too few of the fine particles: its charge fades with what it catches, and more air goes round."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from ..bounds import FloatArray, positive, within
from ..filters import Deposit, Filter, efficiency, flow_split
from ..particles import OUTDOOR_URBAN, SizeGrid
from .change import Reach

_LONGEST_DAYS = 36_500.0
_LOOKED_AT = 48


@dataclass(frozen=True)
class Filling:
    """A filter, what it has taken since it was new, and what it takes on each day ahead."""

    filter_: Filter
    taken: Deposit
    per_day: Deposit

    def pm25_efficiency(self, airflow_m3h: float, days: FloatArray) -> FloatArray:
        """As-installed efficiency (N,) for the PM2.5 of outdoor air, 0..1, after each of `days` (N,) ahead."""
        size_um, share = _pm25_sample()
        ahead = self.taken + self.per_day.times(days[:, np.newaxis])
        through = flow_split(self.filter_, airflow_m3h, ahead).media_share[:, 0]
        return np.asarray(through * (efficiency(self.filter_, size_um, ahead) @ share))

    def days_to(self, airflow_m3h: float, least_efficiency: float) -> float:
        """Days until that efficiency is down to the least; nought where it is, infinite where not in a hundred years.

        The first time, should deposit on the fibres make up for the charge later on.
        """
        days = np.concatenate(([0.0], np.geomspace(0.1, _LONGEST_DAYS, _LOOKED_AT)))
        spent = self.pm25_efficiency(airflow_m3h, days) <= least_efficiency
        if not spent.any():
            return np.inf
        first = int(np.argmax(spent))
        if first == 0:
            return 0.0
        finer = np.linspace(days[first - 1], days[first], _LOOKED_AT)
        left = np.minimum.accumulate(self.pm25_efficiency(airflow_m3h, finer))
        return float(np.interp(-least_efficiency, -left, finer))


@cache
def _pm25_sample() -> tuple[FloatArray, FloatArray]:
    """Diameters, um, and their shares of the PM2.5 of outdoor air, each (sizes,)."""
    grid = SizeGrid(tuple(np.geomspace(0.01, 2.5, 41)))
    mass = OUTDOOR_URBAN.bin_fractions(grid)
    return grid.midpoints_um, np.asarray(mass / mass.sum())


def reach_by_fading(
    best: Filling, doubts: Sequence[tuple[Filling, Filling]], airflow_m3h: float, least_efficiency: float
) -> Reach:
    """Days until the as-installed PM2.5 efficiency is down to `least_efficiency` (0..1) at an airflow, m3/h.

    `doubts`: for each input that is doubtful, the filling with its low and its high value, 90 %; they are taken as
    independent, and what each does to the day adds in quadrature (JCGM 100:2008, 5.1.2). Raises ValueError for an
    efficiency that is none, and for no airflow.
    """
    positive("airflow_m3h", airflow_m3h)
    floor = float(within("least_efficiency", positive("least_efficiency", least_efficiency), 0.0, 1.0))
    days = best.days_to(airflow_m3h, floor)
    pairs = [sorted(each.days_to(airflow_m3h, floor) for each in pair) for pair in doubts]
    if not np.isfinite(days):
        return Reach("efficiency", np.inf, min((low for low, _ in pairs), default=np.inf), np.inf)
    early = np.hypot.reduce([max(days - low, 0.0) for low, _ in pairs] or [0.0])
    late = np.hypot.reduce([max(high - days, 0.0) for _, high in pairs] or [0.0])
    return Reach("efficiency", days, max(days - float(early), 0.0), days + float(late))
