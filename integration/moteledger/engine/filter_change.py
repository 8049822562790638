"""That the filter was changed: as somebody recorded it, kept in the store, instead of the house file's date."""

import logging
from datetime import date
from typing import Protocol

from pydantic import ValidationError

from ..settings import House
from .assessment import Document

_log = logging.getLogger(__name__)

_KEPT = "filter_change"
_KEPT_AT_US = 0


class Snapshots(Protocol):
    """The part of a store in which changes are kept."""

    def keep_snapshot(self, kind: str, time_us: int, document: str) -> None:
        """Keep a document; returns once it is safe, raises StoreError if it cannot be."""

    def latest_snapshot(self, kind: str) -> tuple[int, str] | None:
        """The time and the document kept last of that kind."""


class FilterChanges(Document):
    """The days on which the filter was changed, as recorded, the last one recorded last."""

    changed_on: tuple[date, ...] = ()

    @property
    def newest(self) -> date | None:
        """The day of the newest change."""
        return max(self.changed_on, default=None)


def filter_changes(store: Snapshots) -> FilterChanges:
    """The changes recorded so far; raises StoreError when the store cannot be read."""
    found = store.latest_snapshot(_KEPT)
    if found is None:
        return FilterChanges()
    try:
        return FilterChanges.model_validate_json(found[1])
    except ValidationError as error:
        _log.warning("the recorded filter changes cannot be read: %s", error)
        return FilterChanges()


def record_filter_change(store: Snapshots, on: date) -> FilterChanges:
    """Record that the filter was changed on a day; recording a day twice changes nothing."""
    known = filter_changes(store).changed_on
    return _keep(store, FilterChanges(changed_on=known if on in known else (*known, on)))


def withdraw_filter_change(store: Snapshots) -> FilterChanges:
    """Take back what was recorded last."""
    return _keep(store, FilterChanges(changed_on=filter_changes(store).changed_on[:-1]))


def _keep(store: Snapshots, changes: FilterChanges) -> FilterChanges:
    store.keep_snapshot(_KEPT, _KEPT_AT_US, changes.model_dump_json())
    return changes


def with_filter_since(house: House, on: date | None) -> House:
    """The house with its filter in place since `on`, if that is later than what its file says."""
    filter_ = house.filter
    if filter_ is None or on is None or (filter_.installed is not None and filter_.installed >= on):
        return house
    return house.model_copy(update={"filter": filter_.model_copy(update={"installed": on})})
