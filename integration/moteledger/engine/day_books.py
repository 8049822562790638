"""The ledger of each whole day, kept for ever: readings may be thinned later, the account of a day stays as it was.

A day is reckoned anew by each assessment that covers it whole; the last of them, which knows most of what came after,
stays.
"""

from collections.abc import Iterable
from datetime import datetime, time, timedelta

from ..settings import House
from ..store import Store, to_us
from .assessment import Assessment, LedgerDay

DAY_KIND = "ledger.day"
_MOST_DAYS = 100_000


def keep_days(store: Store, house: House, assessment: Assessment) -> int:
    """Keep the ledger of each local day that the assessment covers whole; returns how many. Raises StoreError."""
    start_us, end_us = to_us(assessment.period.start), to_us(assessment.period.end)
    documents = {}
    for day in assessment.ledger.by_day:
        first_us = to_us(datetime.combine(day.day, time(), house.zone))
        next_us = to_us(datetime.combine(day.day + timedelta(days=1), time(), house.zone))
        if start_us <= first_us and next_us <= end_us:
            documents[first_us] = day.model_dump_json()
    if documents:
        store.keep_snapshots(DAY_KIND, documents)
    return len(documents)


def days_kept(store: Store) -> tuple[LedgerDay, ...]:
    """The ledger of every day that was kept, the oldest first. Raises StoreError."""
    kept = store.snapshots(DAY_KIND, newest=_MOST_DAYS)
    return tuple(LedgerDay.model_validate_json(document) for _, document in reversed(kept))


def total_mg(days: Iterable[LedgerDay]) -> dict[str, float]:
    """Each entry of the ledger summed over days, mg."""
    entries = [day.model_dump(exclude={"day"}) for day in days]
    names = set(LedgerDay.model_fields) - {"day"}
    return {name: sum(entry[name] for entry in entries) for name in sorted(names)}
