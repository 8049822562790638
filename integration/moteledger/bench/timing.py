"""Timing of a piece of work."""

import gc
from collections.abc import Callable
from dataclasses import dataclass
from time import perf_counter, process_time


@dataclass(frozen=True)
class Timing:
    """Time of the fastest of some runs on the clock, and of the processor over all threads of this process, s."""

    seconds: float
    processor_seconds: float
    runs: int

    @property
    def cores(self) -> float:
        """How many cores were busy with it; well below one, the machine was busy with something else."""
        return self.processor_seconds / self.seconds if self.seconds > 0.0 else 0.0


def best_of(work: Callable[[], object], runs: int) -> Timing:
    """The fastest of a number of runs, after one that is not counted: what other work on the machine adds is not ours.

    The collector of garbage rests meanwhile. Raises ValueError for less than one run.
    """
    if runs < 1:
        raise ValueError(f"runs: {runs}; give one at least")
    work()
    collecting = gc.isenabled()
    gc.disable()
    try:
        seconds, processor_seconds = min(_timed(work) for _ in range(runs))
    finally:
        if collecting:
            gc.enable()
    return Timing(seconds, processor_seconds, runs)


def _timed(work: Callable[[], object]) -> tuple[float, float]:
    clock, processor = perf_counter(), process_time()
    result = work()
    seconds, processor_seconds = perf_counter() - clock, process_time() - processor
    del result  # freeing it is not part of the work
    return seconds, processor_seconds
