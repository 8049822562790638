"""The service at rest, and its start."""

from statistics import median
from time import sleep

from .row import BenchRow
from .running import running, scratch

_STARTS = 5
_SETTLES_S = 3.0


def start_up() -> BenchRow:
    """Time from starting the process to its first answer, the median of some starts."""
    times = []
    with scratch() as folder:
        for _ in range(_STARTS):
            with running(folder) as service:
                times.append(service.ready_s)
    return BenchRow(
        name="start-up",
        work="from starting the service to its first answer",
        measured=median(times),
        aim=1.5,
        note=f"{_STARTS} starts took {min(times):.2f} to {max(times):.2f} s",
    )


def memory_at_rest() -> BenchRow:
    """Resident memory of the service a few seconds after its start, with an empty store."""
    with scratch() as folder, running(folder) as service:
        sleep(_SETTLES_S)
        resident = service.resident_mb()
    return BenchRow("memory-at-rest", "resident memory of the service, nothing asked of it", resident, 110.0, "MB")
