"""What the store takes and gives: readings, series of one signal, thinned series, and the count of what was taken.

Outside the store a moment is an aware datetime; inside it is an integer number of microseconds since 1970 UTC, which
sorts, compares and stores exactly.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def to_us(moment: datetime) -> int:
    """An aware datetime as microseconds since 1970 UTC, exactly; raises ValueError if it has no time zone."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment.isoformat()} has no time zone; give an aware datetime")
    return (moment - _EPOCH) // _MICROSECOND


def from_us(time_us: int) -> datetime:
    """Microseconds since 1970 UTC as an aware datetime in UTC, exactly."""
    return _EPOCH + timedelta(microseconds=int(time_us))


class Reading(NamedTuple):
    """One reading: time in microseconds since 1970 UTC, the signal's name, the value in the signal's own unit."""

    time_us: int
    signal: str
    value: float


class Appended(NamedTuple):
    """What became of a batch: kept as new, there already with the same value or with another one, too late.

    The first value of a signal at a time stays; a reading that differs from it is counted and not kept. Only a forecast
    takes the place of one that differs, and then counts as new. A reading is too late when those of its hour have been
    thinned to the hour's figures: whether it is among them already cannot be told any more, so it is counted and not
    kept.
    """

    new: int = 0
    repeated: int = 0
    differing: int = 0
    too_late: int = 0

    def and_also(self, other: "Appended") -> "Appended":
        """The counts of two batches together."""
        return Appended(*(mine + theirs for mine, theirs in zip(self, other, strict=True)))


@dataclass(frozen=True, eq=False)
class Series:
    """The readings of one signal: times in microseconds since 1970 UTC, strictly increasing, and values."""

    time_us: NDArray[np.int64]
    value: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.time_us)


@dataclass(frozen=True, eq=False)
class Thinned:
    """A series in intervals of equal length; an interval without a reading is left out.

    `start_us` is where each interval starts, a whole multiple of `interval_us` since 1970 UTC; `mean`, `low` and `high`
    are those of its `count` readings.
    """

    interval_us: int
    start_us: NDArray[np.int64]
    mean: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    count: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.start_us)


@dataclass(frozen=True, eq=False)
class Held:
    """A state in intervals of equal length, each value standing until the next reading, but no longer than it holds.

    `mean` is that over the part of the interval for which the state is `known` (a fraction, above nought; an interval
    in which it is never known is left out), and so weighted by time, however many readings there were.
    """

    interval_us: int
    start_us: NDArray[np.int64]
    mean: NDArray[np.float64]
    known: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.start_us)
