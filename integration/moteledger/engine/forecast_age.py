"""How old a supplied forecast is: since when it has told the hours ahead as it tells them now.

A source may go on sending what it was given long ago, so that what counts is not when a forecast came but when it last
brought anything new: a value that differs, or an hour that nobody had told before.
"""

from hashlib import sha256

import numpy as np

from ..store import Series, Store
from .assessment import Document

_KIND = "forecast_seen"
_KEPT_AT_US = 0
_US_PER_H = 3_600_000_000


class _Seen(Document):
    """When a forecast was first seen as it is, and what it told of the time after that."""

    since_us: int
    digest: str


def forecast_age_h(store: Store, supplied: Series, now_us: int) -> float:
    """Hours since the forecast last brought anything new, noticed and kept in the store; nought when it has just come.

    Raises StoreError.
    """
    kept = store.latest_snapshot(_KIND)
    if kept is not None:
        seen = _Seen.model_validate_json(kept[1])
        if seen.since_us <= now_us and seen.digest == _digest(supplied, seen.since_us):
            return (now_us - seen.since_us) / _US_PER_H
    fresh = _Seen(since_us=now_us, digest=_digest(supplied, now_us))
    store.keep_snapshot(_KIND, _KEPT_AT_US, fresh.model_dump_json())
    return 0.0


def _digest(supplied: Series, since_us: int) -> str:
    """What is told of the time after a moment; what lies before it falls out of sight as time goes on."""
    later = supplied.time_us > since_us
    told = np.concatenate((supplied.time_us[later].astype(np.float64), supplied.value[later]))
    return sha256(told.tobytes()).hexdigest()
