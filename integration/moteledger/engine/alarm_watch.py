"""Keeps watch: looks once a second, keeps what changes on the disk, and tells it on."""

import logging
from collections import deque
from collections.abc import Callable, Iterable
from contextlib import suppress
from datetime import datetime
from threading import Lock

from pydantic import ValidationError

from ..store import Reading, Store, StoreError, from_us, to_us
from .alarms import FAN_SIGNALS, Alarm, Phase, Sight, Watched, stepped
from .assessment import Assessment, Document, Moment
from .newest import newest_now

HISTORY = "alarm"
_KEPT = "alarms"
_KEPT_AT_US = 0
_MOST_UNKEPT = 1000

_log = logging.getLogger(__name__)


class _Kept(Document):
    alarms: tuple[Alarm, ...]
    running_since: Moment | None = None


class AlarmWatch:
    """The alarms of one house; safe to use from many threads.

    What stands and what is pending outlives a restart. `changed` is told whenever an alarm is raised, ends or is
    acknowledged. What the disk does not take is held and kept later: the disk itself may be the alarm. `wrong_tokens`
    is asked how many tokens that open nothing were shown in the last hour.
    """

    def __init__(
        self,
        watched: Iterable[Watched],
        store: Store,
        newest: Callable[[], Assessment | None],
        clock: Callable[[], datetime],
        changed: Callable[[], None] = lambda: None,
    ) -> None:
        self._watched = tuple(watched)
        self._store, self._newest, self._clock = store, newest, clock
        self.changed = changed
        self.wrong_tokens: Callable[[], int] = int
        self._lock, self._keeping = Lock(), Lock()
        kept = self._taken_up()
        self._alarms = {alarm.name: alarm for alarm in kept.alarms}
        self._running_since = kept.running_since
        self._unkept: deque[tuple[int, str]] = deque(maxlen=_MOST_UNKEPT)
        self._saved = True

    def standing(self) -> tuple[Alarm, ...]:
        """The alarms that are raised, the latest first."""
        with self._lock:
            raised = [alarm for alarm in self._alarms.values() if alarm.phase is Phase.RAISED]
        return tuple(sorted(raised, key=lambda alarm: alarm.since, reverse=True))

    def unkept(self) -> list[tuple[int, str]]:
        """The times and the JSON of what turned and is not on the disk yet, the oldest first."""
        with self._lock:
            return list(self._unkept)

    def look(self) -> None:
        """Look once; raises StoreError when the readings cannot be read, having noted that they cannot."""
        try:
            self._look(newest_now(self._store, self._clock()), self._store_trouble())
        except StoreError as error:
            self._look({}, error.problem)
            raise

    def _store_trouble(self) -> str:
        if self._store.trouble() is not None:
            # Nobody else may be writing: then this tells when the disk is well again.
            with suppress(StoreError):
                self._store.probe()
        trouble = self._store.trouble()
        return "" if trouble is None else trouble.problem

    def _look(self, latest: dict[str, Reading], store_trouble: str) -> None:
        with self._lock:
            now = self._clock()
            self._running_since = _running_since(latest, now, self._running_since)
            sight = Sight(now, latest, self._newest(), self._running_since, store_trouble, self.wrong_tokens())
            after = {watched.name: stepped(watched, self._alarms.get(watched.name), sight) for watched in self._watched}
            before, self._alarms = self._alarms, after
            turned = [alarm for alarm in after.values() if alarm.phase is not _phase(before.get(alarm.name))]
            told = [alarm for alarm in turned if Phase.RAISED in (alarm.phase, _phase(before.get(alarm.name)))]
            self._to_keep(told, now)
        if told:
            self.changed()
        if turned or not self._saved:
            self._keep()

    def acknowledge(self, name: str) -> Alarm | None:
        """Note that a person has seen an alarm that stands; None if there is no such one."""
        with self._lock:
            alarm = self._alarms.get(name)
            if alarm is None or alarm.phase is not Phase.RAISED:
                return None
            now = self._clock()
            seen = alarm.model_copy(update={"acknowledged": now})
            self._alarms[name] = seen
            self._to_keep([seen], now)
        self.changed()
        self._keep()
        return seen

    def _to_keep(self, told: list[Alarm], now: datetime) -> None:
        self._unkept.extend((to_us(now) + offset, alarm.model_dump_json()) for offset, alarm in enumerate(told))

    def _keep(self) -> None:
        """Put what stands and what turned on the disk; what asks meanwhile need not wait for it."""
        with self._keeping:
            with self._lock:
                kept = _Kept(alarms=tuple(self._alarms.values()), running_since=self._running_since)
                waiting = list(self._unkept)
            try:
                self._store.keep_snapshot(_KEPT, _KEPT_AT_US, kept.model_dump_json())
                for turn in waiting:
                    self._store.keep_snapshot(HISTORY, *turn)
                    with self._lock, suppress(ValueError):
                        self._unkept.remove(turn)
                self._saved = True
            except StoreError as error:
                if self._saved:
                    _log.warning("the alarms are not on the disk: %s", error)
                self._saved = False

    def _taken_up(self) -> _Kept:
        try:
            found = self._store.latest_snapshot(_KEPT)
            return _Kept(alarms=()) if found is None else _Kept.model_validate_json(found[1])
        except (StoreError, ValidationError) as error:
            _log.warning("what alarms stood cannot be read, they are watched for anew: %s", error)
            return _Kept(alarms=())


def _phase(alarm: Alarm | None) -> Phase:
    return Phase.CLEAR if alarm is None else alarm.phase


def _running_since(latest: dict[str, Reading], now: datetime, before: datetime | None) -> datetime | None:
    """Since when the fan runs: the start of the reading that says so, unless it was running already."""
    sight = Sight(now, latest)
    running = [latest[name] for name in FAN_SIGNALS if (sight.fresh(name) or 0.0) > 0.5]
    if not running:
        return None
    started = from_us(min(reading.time_us for reading in running))
    return started if before is None else min(before, started)


def last_standing(store: Store) -> tuple[Alarm, ...]:
    """The alarms that stood when watch was last kept on this store; raises StoreError or ValidationError."""
    found = store.latest_snapshot(_KEPT)
    kept = _Kept(alarms=()) if found is None else _Kept.model_validate_json(found[1])
    return tuple(alarm for alarm in kept.alarms if alarm.phase is Phase.RAISED)


def history(store: Store, newest: int) -> tuple[Alarm, ...]:
    """The latest raisings, endings and acknowledgements, the newest first."""
    return tuple(Alarm.model_validate_json(document) for _, document in store.snapshots(HISTORY, newest=newest))
