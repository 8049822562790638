"""When to change the filter: the first of several limits to be reached, with its interval."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Reach:
    """Days from now until one limit is reached: the best estimate and the 90 % interval; infinite where never."""

    reason: str
    days: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not self.low <= self.days <= self.high:
            raise ValueError(
                f"{self.reason}: low {self.low:g}, days {self.days:g}, high {self.high:g} are out of order; "
                "give low <= days <= high"
            )


def reach_by_age(used_days: float, longest_use_days: float) -> Reach:
    """Days until a filter that has been in use for `used_days` is as old as it may get; an age is exact."""
    left = max(longest_use_days - used_days, 0.0)
    return Reach("age", left, left, left)


def reach_by_growth(
    reason: str,
    now: tuple[float, float, float],
    per_day: tuple[float, float, float],
    limit: float,
) -> Reach:
    """Days until a growing quantity meets its limit.

    `now` and `per_day` are (value, low, high) with 90 % intervals, in the unit of `limit`. The two are taken as
    independent, so the interval is that of their ratio found by propagating each bound in turn and adding the two
    spreads in quadrature (first-order propagation, JCGM 100:2008 section 5.1.2); a growth that may be nil leaves the
    far end open.
    """
    if not all(np.isfinite([*now, *per_day, limit])):
        raise ValueError(f"{reason}: now {now}, per_day {per_day} and limit {limit} must be finite numbers")

    def days(value: float, growth: float) -> float:
        if value >= limit:
            return 0.0
        return (limit - value) / growth if growth > 0.0 else np.inf

    best = days(now[0], per_day[0])
    if not np.isfinite(best):
        return Reach(reason, np.inf, days(now[2], per_day[2]), np.inf)
    early = np.hypot(best - days(now[2], per_day[0]), best - days(now[0], per_day[2]))
    late = np.hypot(days(now[1], per_day[0]) - best, days(now[0], per_day[1]) - best)
    return Reach(reason, best, max(best - float(early), 0.0), best + float(late))


def reach_by_filling(reason: str, used_days: float, taken: tuple[float, float, float], capacity: float) -> Reach:
    """Days until a filter holds `capacity`, having taken `taken` (value, low, high; 90 %) in the days it has been used.

    It goes on filling as it did, so the rate that is uncertain ahead is the one that was uncertain before: the whole
    life, capacity over rate, has the interval, and the days used are taken off each end. Nothing taken is never full.
    Raises ValueError for days or a capacity that are not above zero.
    """
    if not (used_days > 0.0 and capacity > 0.0):
        raise ValueError(f"{reason}: used for {used_days} days, capacity {capacity}; give numbers above zero")
    per_day = (taken[0] / used_days, taken[1] / used_days, taken[2] / used_days)
    whole = reach_by_growth(reason, (0.0, 0.0, 0.0), per_day, capacity)
    days, low, high = (max(life - used_days, 0.0) for life in (whole.days, whole.low, whole.high))
    return Reach(reason, days, low, high)


def reach_by_cost(used_days: float, price: float, dearer_per_day: tuple[float, float, float]) -> Reach:
    """Days until keeping a filter costs more a day than a new one would, spread over the best of its lives.

    A filter of `price` costs more to keep each day than the day before by `dearer_per_day` (value, low, high; 90 %, in
    the price's currency per day and day): fan energy, or air that it no longer cleans. The mean cost of a day over a
    life of T days, price / T + dearer T / 2, is least at T = sqrt(2 price / dearer), the economic life of equipment
    that wears linearly (Terborgh 1949, Dynamic Equipment Policy; from memory). One that gets no dearer is kept always.
    Raises ValueError for numbers below nought or not finite.
    """
    if not all(np.isfinite(x) and x >= 0.0 for x in (used_days, price, *dearer_per_day)):
        raise ValueError(
            f"cost: used {used_days} days, price {price}, dearer {dearer_per_day} a day; give finite numbers, "
            "zero or more"
        )

    def days(dearer: float) -> float:
        if dearer <= 0.0:
            return np.inf
        return max(float(np.sqrt(2.0 * price / dearer)) - used_days, 0.0)

    return Reach("cost", days(dearer_per_day[0]), days(dearer_per_day[2]), days(dearer_per_day[1]))


def first_reached(reaches: Sequence[Reach]) -> Reach:
    """The limit that comes first; its interval ends no later than any other limit's.

    Raises ValueError when there is no limit to reach.
    """
    if not reaches:
        raise ValueError("no limit given; state a final drop, a dust capacity or a longest use")
    first = min(reaches, key=lambda reach: reach.days)
    low = min(reach.low for reach in reaches)
    high = min(reach.high for reach in reaches)
    return Reach(first.reason, first.days, low, high)
