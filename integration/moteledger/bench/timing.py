"""Timing of a piece of work."""

import gc
from collections.abc import Callable
from dataclasses import dataclass
from time import perf_counter, process_time


@dataclass(frozen=True)
class Timing:
    """The least time that any of some runs took, s: on the clock, and of the processor over all threads.

    Processor time is what the work takes on one core, however many it used and whatever else the machine did; where the
    machine is busy, the clock shows more.
    """

    clock_seconds: float
    processor_seconds: float
    runs: int


def best_of(work: Callable[[], object], runs: int) -> Timing:
    """Time a number of runs, after one that is not counted; garbage is not collected meanwhile.

    Raises ValueError for less than one run.
    """
    if runs < 1:
        raise ValueError(f"runs: {runs}; give one at least")
    work()
    collecting = gc.isenabled()
    gc.disable()
    try:
        clock, processor = zip(*(_timed(work) for _ in range(runs)), strict=True)
    finally:
        if collecting:
            gc.enable()
    return Timing(min(clock), min(processor), runs)


def _timed(work: Callable[[], object]) -> tuple[float, float]:
    clock, processor = perf_counter(), process_time()
    result = work()
    clock_seconds, processor_seconds = perf_counter() - clock, process_time() - processor
    del result  # freeing it is not part of the work
    return clock_seconds, processor_seconds
