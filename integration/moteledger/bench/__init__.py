"""Performance figures, each measured beside the plain way to do the same work in the same run.

A new figure is a function without arguments that returns a `BenchRow`, in a module of its own, named in `BENCHES`. What
it gives it has measured when called; no figure is kept from another run.
"""

from collections.abc import Callable, Iterable, Iterator

from .fan_plan import replayed_year, two_days, two_days_within_a_budget, two_speeds, wary_two_days
from .house_year import house_year
from .identified_month import identified_month
from .intake import intake_in_batches, intake_one_by_one
from .long_recording import long_recording
from .reading import answers_with_five_million
from .row import BenchRow, Plain, table
from .service import memory_at_rest, start_up
from .timing import Timing, best_of
from .viewers import live_viewers

__all__ = [
    "BENCHES",
    "BenchRow",
    "Plain",
    "Timing",
    "answers_with_five_million",
    "best_of",
    "house_year",
    "identified_month",
    "intake_in_batches",
    "intake_one_by_one",
    "live_viewers",
    "long_recording",
    "memory_at_rest",
    "named",
    "replayed_year",
    "run_all",
    "start_up",
    "table",
    "two_days",
    "two_days_within_a_budget",
    "two_speeds",
    "wary_two_days",
]

BENCHES: tuple[Callable[[], BenchRow], ...] = (
    house_year,
    identified_month,
    two_days,
    two_speeds,
    wary_two_days,
    two_days_within_a_budget,
    replayed_year,
    start_up,
    memory_at_rest,
    intake_in_batches,
    intake_one_by_one,
    answers_with_five_million,
    live_viewers,
    long_recording,
)


def named(names: Iterable[str]) -> tuple[Callable[[], BenchRow], ...]:
    """The benches of these names, such as house-year, or all for none; raises ValueError naming those there are."""
    by_name = {bench.__name__.replace("_", "-"): bench for bench in BENCHES}
    unknown = [name for name in names if name not in by_name]
    if unknown:
        raise ValueError(f"{unknown[0]!r} is no row; there are {', '.join(by_name)}")
    return tuple(by_name[name] for name in names) or BENCHES


def run_all(benches: Iterable[Callable[[], BenchRow]] = BENCHES) -> Iterator[BenchRow]:
    """Run every bench, one after the other, and give its row as soon as it is measured."""
    return (bench() for bench in benches)
