"""The periodic work: the newest assessment from what the store holds."""

import logging
from collections.abc import Callable
from datetime import date, datetime, timedelta
from threading import Lock
from time import perf_counter

from ..settings import House
from ..signals import OUTDOOR_FORECAST
from ..store import Store, StoreError, to_us
from .assess import assess
from .assessment import Assessment, FanAdvice
from .boot_clock import boot_id, since_boot_s
from .day_books import keep_days
from .fan_control import FanControl
from .fan_least_times import LeastTimes
from .filter_change import filter_changes, with_filter_since
from .filter_days import keep_filter_days
from .filter_past import FilterPast
from .forecast_age import forecast_age_h
from .grid import AssessmentError
from .heard import Heard
from .on_record import past_read, past_with_kept, readings_between

_log = logging.getLogger(__name__)

SPAN = timedelta(days=14)
"""How far back an assessment looks: long enough to tell the house's rates, short enough to follow its seasons."""

SNAPSHOT = "assessment"

_NOTHING_NEW = "no new assessment: %s"


class Engine:
    """Keeps the newest assessment of a house; `refresh` makes a new one from the store and keeps a copy there.

    A refresh that fails leaves the previous assessment standing: it carries its time, and the cards tell its age.
    Each refresh also decides on the fan (`fan`), whose answer runs out by itself when refreshes stay away.
    """

    def __init__(
        self,
        house: House,
        store: Store,
        clock: Callable[[], datetime],
        *,
        monotonic: Callable[[], float] = since_boot_s,
    ) -> None:
        self._house = house
        self._store = store
        self._clock = clock
        self._current: Assessment | None = None
        self.fan = FanControl(store, clock, monotonic=monotonic, boot=boot_id(), least=LeastTimes.of(house))
        self._heard = Heard(store, monotonic)
        self._refreshing = Lock()
        self._failed_by: type[Exception] | None = None
        self._filter_before: tuple[date, FilterPast | None] | None = None
        self.refreshes = 0
        self.last_refresh_s: float | None = None

    def current(self) -> Assessment | None:
        """The newest assessment, or None while there is none yet."""
        return self._current

    def refresh(self) -> Assessment | None:
        """Assess the last `SPAN` and return the newest assessment; safe to call from any thread."""
        with self._refreshing:
            started = perf_counter()
            self.refreshes += 1
            try:
                self._current = self._assessed()
                self._failed_by = None
            except (AssessmentError, StoreError) as error:
                # A young house cannot be assessed for its first hour; saying so every minute would drown the rest.
                _log.log(logging.INFO if self._failed_by is type(error) else logging.WARNING, _NOTHING_NEW, error)
                self._failed_by = type(error)
            except Exception as error:
                _log.exception("the assessment failed; the previous one stands")
                self._failed_by = type(error)
            self._decide()
            self.last_refresh_s = perf_counter() - started
            return self._current

    def _decide(self) -> None:
        try:
            self.fan.decide(None if self._current is None else self._as_heard(self._current.fan))
        except Exception:
            _log.exception("no decision on the fan; the last one runs out by itself")

    def _as_heard(self, advice: FanAdvice) -> FanAdvice:
        now = self._clock()
        return advice.model_copy(
            update={"based_on": tuple(self._heard.bounded(behind, now) for behind in advice.based_on)}
        )

    def _assessed(self) -> Assessment:
        end_us = to_us(self._clock()) + 1
        start_us = end_us - SPAN // timedelta(microseconds=1)
        readings = readings_between(self._store, start_us, end_us)
        house = with_filter_since(self._house, filter_changes(self._store).newest)
        before = self._before_the_span(house, start_us) if "filter.pressure_drop" in readings else None
        dwell = self.fan.dwell([speed.name for speed in house.fan.speeds])
        supplied = readings.get(OUTDOOR_FORECAST)
        age_h = None if supplied is None else forecast_age_h(self._store, supplied, end_us - 1)
        assessment = assess(house, readings, dwell=dwell, filter_before=before, forecast_age_h=age_h)
        keep_days(self._store, house, assessment)
        self._store.keep_snapshot(SNAPSHOT, to_us(assessment.period.end), assessment.model_dump_json())
        return assessment

    def _before_the_span(self, house: House, start_us: int) -> FilterPast | None:
        """The filter's past up to the span, read on once a day, whole at the start: it is long and hardly changes."""
        today = self._clock().date()
        if self._filter_before is None or self._filter_before[0] != today:
            known = None if self._filter_before is None else self._filter_before[1]
            read = past_read(self._store, house, start_us, known)
            if read is not None and house.store.keep_raw_us is not None:
                keep_filter_days(self._store, house, read)
            self._filter_before = (today, past_with_kept(self._store, house, start_us, read, known))
        return self._filter_before[1]
