"""The filters that were in before this one, as far as their drop was recorded: what they teach of its loading."""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np

from motemodel.estimate import DailyDrops, PressureWatch

from ..settings import House
from .airflow_static import airflow_by_static
from .filter_past import FilterPast, changed_us, watched

_LEAST_DAYS = 30
_ALIKE = 0.2
"""A filter of the same kind comes with the same drop, within this share of it (common practice, no source)."""


@dataclass(frozen=True)
class FilterBefore:
    """A filter of the same kind that was in before: its past, and its drop day by day."""

    past: FilterPast
    daily: DailyDrops


def filters_before(house: House, past: FilterPast, watch: PressureWatch, since_us: float) -> tuple[FilterBefore, ...]:
    """Those before the one that went in at `since_us` and is watched by `watch`, the newest first.

    `past` with the airflow as it was read, not told by the static pressure, which tells it of one filter. Back to the
    first that is of another kind, by the drop that it came with, or cannot be told from another.
    """
    return tuple(_before(house, past, watch.daily, since_us))


def _before(house: House, past: FilterPast, this: DailyDrops, since_us: float) -> Iterator[FilterBefore]:
    while np.isfinite(since_us) and this.drop_pa.size:
        past = _until(past, since_us)
        watch = watched(house, past, None)
        since_us = changed_us(watch)
        told = airflow_by_static(house, past, since_us)
        if told is not past:
            watch = watched(house, told, None)
        daily = watch.daily
        if daily.drop_pa.size < _LEAST_DAYS or not _is_alike(daily, this):
            return
        yield FilterBefore(told, daily)


def _is_alike(one: DailyDrops, other: DailyDrops) -> bool:
    came_with, this_one = (float(each.drop_pa[:7].mean()) for each in (one, other))
    return abs(came_with - this_one) < _ALIKE * this_one


def _until(past: FilterPast, end_us: float) -> FilterPast:
    kept = past.time_us < end_us
    columns = {each.name: getattr(past, each.name)[kept] for each in fields(past) if each.name != "airflow_measured"}
    # Its sensor may be no older than the filter that is in.
    measured = past.airflow_measured and bool(np.isfinite(columns["airflow_share"]).any())
    return replace(past, **columns, airflow_measured=measured)
