"""The filter's past by days, kept for ever: readings may be dropped when they grow old, and a filter outlives them."""

import logging
from collections.abc import Sequence

import numpy as np
from pydantic import ValidationError

from motemodel.bounds import FloatArray

from ..settings import House
from ..store import Store
from .assessment import Document
from .filter_past import FILTER_SIGNALS, FilterPast, reference_airflow

_log = logging.getLogger(__name__)

_KIND = "filter.day"
_DAY_US = 24 * 3_600_000_000
_MOST_DAYS = 800
_WHOLE = 90
"""Quarters of an hour that make a day worth keeping."""

Column = tuple[float | None, ...]


class FilterDay(Document):
    """A day of a `FilterPast`, UTC; `basis` says by what settings its readings were understood."""

    basis: str
    time_us: tuple[int, ...]
    drop_pa: Column
    run_share: Column
    static_pa: Column
    outdoor_c: Column
    indoor_ug_m3: Column
    airflow_share: Column = ()
    airflow_measured: bool


def keep_filter_days(store: Store, house: House, past: FilterPast) -> int:
    """Keep the days that the past holds whole; returns how many. Raises StoreError."""
    number = past.time_us // _DAY_US
    basis = _basis(house)
    documents = {}
    for day in np.unique(number):
        of_day = number == day
        if np.count_nonzero(of_day) >= _WHOLE:
            documents[int(day) * _DAY_US] = _document(past, of_day, basis).model_dump_json()
    if documents:
        store.keep_snapshots(_KIND, documents)
    return len(documents)


def filter_days_kept(store: Store, house: House, first_us: int, end_us: int) -> FilterPast | None:
    """The days kept between two moments; None where there is none. Those understood by other settings are left out."""
    basis = _basis(house)
    found = []
    for time_us, document in reversed(store.snapshots(_KIND, newest=_MOST_DAYS)):
        if not first_us <= time_us < end_us:
            continue
        try:
            day = FilterDay.model_validate_json(document)
        except ValidationError as error:
            _log.warning("a kept day of the filter cannot be read: %s", error)
            continue
        if day.basis == basis:
            found.append(day)
    if not found:
        return None
    return FilterPast(
        time_us=np.concatenate([np.array(day.time_us, dtype=np.int64) for day in found]),
        drop_pa=_joined([day.drop_pa for day in found]),
        run_share=_joined([day.run_share for day in found]),
        static_pa=_joined([day.static_pa for day in found]),
        outdoor_c=_joined([day.outdoor_c for day in found]),
        indoor_ug_m3=_joined([day.indoor_ug_m3 for day in found]),
        # Days kept before the airflow was are without it.
        airflow_share=_joined([day.airflow_share or (None,) * len(day.time_us) for day in found]),
        airflow_measured=found[-1].airflow_measured,
    )


def _basis(house: House) -> str:
    """What the kept figures depend on: the airflow they are brought to, and the corrections of the sensors."""
    sensors = sorted(sensor.model_dump_json() for sensor in house.sensors if sensor.signal in FILTER_SIGNALS)
    return f"{reference_airflow(house)} {' '.join(sensors)}"


def _document(past: FilterPast, of_day: np.ndarray, basis: str) -> FilterDay:
    def column(values: FloatArray) -> Column:
        return tuple(None if np.isnan(value) else float(f"{value:.5g}") for value in values[of_day])

    return FilterDay(
        basis=basis,
        time_us=tuple(past.time_us[of_day].tolist()),
        drop_pa=column(past.drop_pa),
        run_share=column(past.run_share),
        static_pa=column(past.static_pa),
        outdoor_c=column(past.outdoor_c),
        indoor_ug_m3=column(past.indoor_ug_m3),
        airflow_share=column(past.airflow_share),
        airflow_measured=past.airflow_measured,
    )


def _joined(columns: Sequence[Column]) -> FloatArray:
    return np.array([np.nan if value is None else value for column in columns for value in column], dtype=np.float64)
