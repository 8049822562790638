"""How much air a system moves beside its clean filter, as the duct's static pressure tells it day by day.

What the static pressure has beyond the filter's drop is the duct's own drop, and that goes with a power of the airflow
while nothing in the duct is moved. The sensor's gain falls out of the ratio, and the blower need not be known.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from motemodel.bounds import FloatArray
from motemodel.estimate import theil_sen_line

from ..settings import House
from .airflow_fall import AirflowFall, clean_drop_at, drop_exponent
from .filter_past import FilterPast, reference_airflow

DUCT_EXPONENT = 1.9
"""Turbulent ducts and fittings go with the square, ASHRAE Handbook Fundamentals (2017), chapter 21; measured systems
with coils with 1.7 to 2 (common practice, no source)."""
_US_PER_DAY = 24 * 3_600_000_000
_LEAST_DAYS, _CLEAN_DAYS = 5, 7
_LEAST_GROWTH_PA, _LEAST_DUCT_PA = 5.0, 5.0
_WITH_FILTER = 0.1
"""Pa of static pressure by Pa of the filter's drop: as a filter loads, the air falls; what the blower makes rises then,
and that is the total external static, while the static of the ducts alone falls."""
_SIDE, _SCATTERS, _LEAST_JUMP = 3, 6.0, 0.03
"""Days looked at on either side of a moved damper, scatters that it takes, and the least worth it (common practice)."""
_LIKELY = (0.4, 1.2)
"""Airflows beyond these, beside the clean filter's, are no filter's work: the pressure is not what it is taken for."""


def airflow_by_static(house: House, past: FilterPast, since_us: float) -> FilterPast:
    """The past of this filter with the airflow that the static pressure tells, and the drop brought to the reference.

    As it was where the airflow is measured, where too little is known, and where the pressure makes no sense. The first
    week since `since_us` is taken for what the blower's family makes of the drop in it; the drop in the days round a
    damper's move tells how much that took off the airflow, and the rest of the jump is the duct's.
    """
    reference = reference_airflow(house)
    usable = (past.time_us >= since_us) & np.isfinite(past.drop_pa + past.static_pa) & (past.drop_pa > 1.0)
    if past.airflow_measured or clean_drop_at(house, reference) is None:
        return past
    day, at = np.unique(past.time_us[usable] // _US_PER_DAY, return_inverse=True)
    if day.size < _LEAST_DAYS:
        return past
    drop, static = (_medians(values[usable], at) for values in (past.drop_pa, past.static_pa))
    duct = static - drop if _has_filter_in_it(drop, static) else static
    if duct.min() < _LEAST_DUCT_PA:
        return past
    fall = AirflowFall(house, reference)
    clean = slice(0, _CLEAN_DAYS)
    at_first = float(fall.airflow_share(fall.full(np.median(drop[clean], keepdims=True)))[0])
    exponent = drop_exponent(house)
    moved = _without_dampers(np.log(duct) / DUCT_EXPONENT, np.log(drop) / exponent)
    share = at_first * np.exp(moved - np.median(moved[clean]))
    if not (_LIKELY[0] < share.min() and share.max() < _LIKELY[1]):
        return past
    since = past.time_us >= since_us
    by_quarter = np.where(since, np.interp(past.time_us // _US_PER_DAY, day, share), np.nan)
    at_reference = np.where(since, past.drop_pa / by_quarter**exponent, past.drop_pa)
    return replace(past, drop_pa=at_reference, airflow_share=by_quarter, airflow_measured=True)


def _medians(values: FloatArray, group: NDArray[np.intp]) -> FloatArray:
    """The median of each group, which are numbered by rising place."""
    order = np.argsort(group, kind="stable")
    return np.array([np.median(part) for part in np.split(values[order], np.flatnonzero(np.diff(group[order])) + 1)])


def _has_filter_in_it(drop: FloatArray, static: FloatArray) -> bool:
    """Whether the static pressure counts the filter's drop, by how it goes with it; it does while nobody can tell."""
    if float(np.ptp(drop)) < _LEAST_GROWTH_PA:
        return True
    return theil_sen_line(drop, static).slope.value > _WITH_FILTER


def _without_dampers(by_duct: FloatArray, by_filter: FloatArray) -> FloatArray:
    """The logarithm of the airflow by the duct's drop, jumps taken out but for what the filter's drop says of them."""
    scatter = 1.4826 * float(np.median(np.abs(np.diff(by_duct)))) / np.sqrt(2.0)
    needed = max(_SCATTERS * scatter, _LEAST_JUMP)

    def jumps(values: FloatArray) -> FloatArray:
        if values.size < 2 * _SIDE:
            return np.empty(0)
        middle = np.median(np.lib.stride_tricks.sliding_window_view(values, _SIDE), axis=1)
        return np.asarray(middle[_SIDE:] - middle[:-_SIDE])

    of_duct, of_filter = jumps(by_duct), jumps(by_filter)
    left, found = np.abs(of_duct), by_duct.copy()
    while left.size and float(left.max()) > needed:
        at = int(np.argmax(left))
        # Medians jump by as much a day early or late; the day itself is the one with the largest step.
        days = np.arange(max(at + _SIDE - 1, 1), min(at + _SIDE + 2, found.size))
        day = int(days[np.argmax(np.abs(by_duct[days] - by_duct[days - 1]))])
        found[day:] -= of_duct[at] - of_filter[at]
        left[max(at - 2 * _SIDE + 1, 0) : at + 2 * _SIDE] = 0.0
    return found
