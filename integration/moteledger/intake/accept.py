"""The one gate to the store: whatever way readings come, they end here."""

from collections.abc import Iterable
from functools import lru_cache
from itertools import islice

from pydantic import BaseModel, ConfigDict, Field

from ..signals import signal_named
from ..store import Appended, Reading, Store
from .arrivals import Source
from .documents import as_json
from .mapping import Arrived, Converted, Refused
from .records import Records, Refusal

_BATCH = 50_000
_signal = lru_cache(maxsize=256)(signal_named)


class Taken(BaseModel):
    """What became of the records of a body; what is not refused is on the disk."""

    model_config = ConfigDict(frozen=True)

    accepted: int = Field(ge=0, description="Readings that are new.")
    repeated: int = Field(ge=0, description="Readings that were there already with the same value.")
    differing: int = Field(
        ge=0, description="Readings that were there already with another value; the first value stays."
    )
    too_late: int = Field(ge=0, description="Readings of hours thinned to their figures; not kept.")
    refused: int = Field(ge=0, description="Records that could not be used.")
    refusals: list[Refusal] = Field(description="The refused records by place, the first thousand of them.")


def what_became_of(appended: Appended, records: Records) -> Taken:
    """What to answer for a body whose usable readings were kept as `appended` says."""
    return Taken(
        accepted=appended.new,
        repeated=appended.repeated,
        differing=appended.differing,
        too_late=appended.too_late,
        refused=records.refused,
        refusals=records.refusals,
    )


def accept(store: Store, readings: Iterable[Reading]) -> Appended:
    """Keep readings for good and say how many were new, repeated, or differed from what was there.

    Returns once all are safe on the disk. Each batch of 50,000 is kept whole or not at all; since repeating a reading
    changes nothing, an interrupted run is simply run again. Raises ValueError for a signal that does not exist or a
    value outside what it can be, StoreError if the store fails.
    """
    waiting = iter(readings)
    kept = Appended()
    while batch := list(islice(waiting, _BATCH)):
        for reading in batch:
            _signal(reading.signal).value_from(reading.value, None)
        kept = kept.and_also(store.append(batch))
    return kept


def accept_converted(store: Store, source: Source, found: Converted, now_us: int, *, documents: int = 1) -> None:
    """Keep what a mapping found in some documents, and only then count it for its source.

    A reading that the source has just repeated stays off the disk; one that differs from what stands at its time, or
    comes too late for the store, is refused. Returns once all are safe on the disk; raises StoreError, counting
    nothing, if the store fails.
    """
    fresh = [each for each in found.arrived if not source.knows(each.reading)]
    appended = accept(store, [each.reading for each in fresh])
    again = len(found.arrived) - len(fresh)
    refused = _not_kept(store, fresh) if appended.differing or appended.too_late else []
    others = {id(each) for each, _ in refused}
    source.took(
        appended.and_also(Appended(repeated=again)),
        now_us,
        documents=documents,
        arrived=[each for each in found.arrived if id(each) not in others],
        refused=[*found.refused, *(told for _, told in refused)],
        absent=found.absent,
    )


def _not_kept(store: Store, arrived: list[Arrived]) -> list[tuple[Arrived, Refused]]:
    """The readings that the store did not take, since another value stands at their time or since they are too late."""
    found = []
    for each in arrived:
        time_us, signal, value = each.reading
        standing = store.series(signal, time_us, time_us + 1).value
        if not len(standing):
            reason = f"{signal} is too late: the readings of that hour have been thinned to its mean"
        elif standing[0] != value and not _signal(signal).forecast_h:
            reason = f"{signal} reads {standing[0]:g} at that time already, not {value:g}; the first value stays"
        else:
            continue
        found.append((each, Refused(signal, Refusal(place="", value=as_json(value), reason=reason))))
    return found
