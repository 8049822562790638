"""What the filter's present drop makes of the fan: the airflow ahead and the power, at the operating point.

The clean air that the plan reckons with was found over the past weeks, or at the survey; the filter has loaded since,
or been changed. The trend over the two days of a plan is left out: a filter whose drop doubles in a month of running
adds 5 % to it in two days, which takes less than half a percent off the airflow, far within what is known of it.
"""

from dataclasses import dataclass

import numpy as np

from motemodel.airside import DuctCurve, NoOperatingPointError

from ..settings import House
from .airflow_fall import drop_exponent
from .assessment import FilterAdvice
from .filter_past import steady_drop
from .grid import GriddedHouse
from .system import ComparisonError, surveyed_system

_RUNNING_LATELY_H = 2.0
_WORTH_TELLING = 0.005


@dataclass(frozen=True)
class FilterLoad:
    """The airflow now over that behind the known clean air, the fan's power now over that at the survey, and the words.

    Both are one, there are no words and `airflow_m3h`, the airflow now, is not known, where no pressure is known or the
    survey does not tell the operating point.
    """

    airflow_share: float = 1.0
    power_share: float = 1.0
    told: str = ""
    airflow_m3h: float | None = None


def filter_load(house: House, gridded: GriddedHouse, filter_: FilterAdvice, *, delivery_identified: bool) -> FilterLoad:
    """The operating point at the filter's present drop, beside the one that the clean air stands for.

    With `delivery_identified` that is the mean of the period's readings, else the survey.
    """
    drop, reference = filter_.drop_at_reference_pa, filter_.reference_airflow_m3h
    if drop.value is None or drop.value <= 0.0 or reference is None:
        return FilterLoad()
    try:
        system = surveyed_system(house)
        handler = system.with_fittings(None)
        exponent = drop_exponent(house)
        now = handler.operating_point(DuctCurve(reference, drop.value, exponent))
        before = system.airflow_m3h
        if delivery_identified:
            mean = drop.value * _mean_over_now(house, gridded)
            before = handler.operating_point(DuctCurve(reference, mean, exponent)).airflow_m3h
    except (ComparisonError, NoOperatingPointError):
        return FilterLoad()
    share = now.airflow_m3h / before
    surveyed_w = float(system.blower.power_w(system.external_static_pa))
    told = ""
    if abs(share - 1.0) > _WORTH_TELLING:
        side, since = "less" if share < 1.0 else "more", "in these weeks" if delivery_identified else "at the survey"
        at = f"at the filter's drop now, {drop.value:.0f} Pa"
        told = f"{at}, the fan moves {abs(share - 1.0):.1%} {side} air than {since}"
    power_share = now.fan_power_w / surveyed_w if surveyed_w > 0.0 else 1.0
    return FilterLoad(share, power_share, told, now.airflow_m3h)


def _mean_over_now(house: House, gridded: GriddedHouse) -> float:
    """The mean drop over the period's running time over that of its last hours of it; one where nothing is known."""
    steady = steady_drop(house, gridded)
    known = np.empty(0) if steady is None else steady[np.isfinite(steady)]
    lately = known[-round(_RUNNING_LATELY_H / gridded.grid.step_h) :]
    middle = float(np.median(lately)) if lately.size else 0.0
    return float(known.mean()) / middle if middle > 0.0 else 1.0
