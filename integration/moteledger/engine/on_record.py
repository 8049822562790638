"""What a store tells of a house over a time, for whoever assesses it: its readings, its filter's past and changes."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta

from ..settings import House
from ..signals import SIGNALS
from ..store import Series, Store
from .filter_change import filter_changes
from .filter_days import filter_days_kept
from .filter_past import FILTER_SIGNALS, LONGEST_US, FilterPast, past_in_parts

_DAY_US = 24 * 3_600_000_000


@dataclass(frozen=True)
class OnRecord:
    """`readings` by signal; `filter_before`: what the filter's pressure was ahead of them; `changed_on`: the newest day
    on which somebody recorded that the filter was changed."""

    readings: Mapping[str, Series]
    filter_before: FilterPast | None = None
    changed_on: date | None = None

    @staticmethod
    def of(store: Store, house: House, end_us: int, span: timedelta) -> "OnRecord":
        """What the store tells of a span of time up to a moment; raises StoreError."""
        start_us = end_us - span // timedelta(microseconds=1)
        before = past_with_kept(store, house, start_us, past_read(store, house, start_us))
        return OnRecord(readings_between(store, start_us, end_us), before, filter_changes(store).newest)


def readings_between(store: Store, start_us: int, end_us: int) -> dict[str, Series]:
    """What an assessment of a time is made from: its readings by signal, and the forecasts of the hours after it."""
    return {
        name: store.series(name, start_us, end_us + round(SIGNALS[name].forecast_h * 3.6e9))
        for name in set(SIGNALS) & set(store.latest_all())
    }


def past_read(store: Store, house: House, end_us: int, known: FilterPast | None = None) -> FilterPast | None:
    """The filter's past up to a moment from the readings, on from what of it is known; None where nothing is measured.

    From before the filter went in, too: how the fan runs in winter is known from any winter.
    """
    extent, names = store.extent(), set(store.latest_all())
    if house.filter is None or "filter.pressure_drop" not in names or extent is None:
        return None
    first_us = max(end_us - LONGEST_US, extent[0])
    if known is not None:
        first_us = max(first_us, int(known.time_us[-1]) - _DAY_US)

    def read(start_us: int, stop_us: int) -> dict[str, Series]:
        return {name: store.series(name, start_us, stop_us) for name in names & FILTER_SIGNALS}

    return past_in_parts(house, read, first_us, end_us)


def past_with_kept(
    store: Store, house: House, end_us: int, read: FilterPast | None, known: FilterPast | None = None
) -> FilterPast | None:
    """What was read, after what is known or, where the store drops old readings, after the days kept of them."""
    if house.store.keep_raw_us is not None:
        known = filter_days_kept(store, house, end_us - LONGEST_US, end_us)
    return read if known is None else known if read is None else known.then(read)
