"""Performance figures, each measured beside the plain way to do the same work in the same run.

A new figure is a function without arguments that returns a `BenchRow`, in a module of its own, named in `BENCHES`. What
it gives it has measured when called; no figure is kept from another run.
"""

from collections.abc import Callable, Iterable

from .fan_plan import replayed_year, two_days
from .house_year import house_year
from .identified_month import identified_month
from .row import BenchRow, Plain, table
from .timing import Timing, best_of

__all__ = [
    "BENCHES",
    "BenchRow",
    "Plain",
    "Timing",
    "best_of",
    "house_year",
    "identified_month",
    "replayed_year",
    "run_all",
    "table",
    "two_days",
]

BENCHES: tuple[Callable[[], BenchRow], ...] = (house_year, identified_month, two_days, replayed_year)


def run_all(benches: Iterable[Callable[[], BenchRow]] = BENCHES) -> list[BenchRow]:
    """Run every bench, one after the other, and give its row."""
    return [bench() for bench in benches]
