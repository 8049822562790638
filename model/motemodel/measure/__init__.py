"""Readings as they come, made into an even time grid: sorted, corrected, their faults marked, their gaps kept as gaps.

Parts: `readings` (order, duplicates, clock steps), `clock` (two clocks that disagree), `correction` (what is declared
about a sensor), `faults` (what betrays itself), `fan_rest` (a filter's drop and the fan's state against each other),
`grid` (step means, fractions), `quality` (the whole way, with its account).

Times are hours (float64) from any origin that the caller keeps.
"""

from .clock import ClockLag, clock_lag, shifted
from .correction import Correction, humidity_growth_factor
from .fan_rest import DropAtOdds, drop_at_odds
from .faults import FaultRule, Faults, find_faults, resolution_of, spans, suspected_scale
from .grid import Stamp, TimeGrid, level_means, runtime_fractions, state_fractions
from .quality import (
    DataQuality,
    GriddedSignal,
    checked_by_fan,
    gridded_level,
    gridded_runtime,
    gridded_state,
    gridded_total,
)
from .readings import Readings, tidy

__all__ = [
    "ClockLag",
    "Correction",
    "DataQuality",
    "DropAtOdds",
    "FaultRule",
    "Faults",
    "GriddedSignal",
    "Readings",
    "Stamp",
    "TimeGrid",
    "checked_by_fan",
    "clock_lag",
    "drop_at_odds",
    "find_faults",
    "gridded_level",
    "gridded_runtime",
    "gridded_state",
    "gridded_total",
    "humidity_growth_factor",
    "level_means",
    "resolution_of",
    "runtime_fractions",
    "shifted",
    "spans",
    "state_fractions",
    "suspected_scale",
    "tidy",
]
