"""The particle balance of a house, exact at any step, and the ledger of the mass that moved.

Parts: `step` (one step in closed form), `single` (a whole series of one well-mixed house), `ledger` (the account),
`zones` (several rooms coupled by the air between them).
"""

from .ledger import Ledger, ledger
from .single import Cleaner, Inputs, Series, solve
from .step import StepFactors, exact_step, steady_state, step_factors
from .zones import AirHandler, FlowPattern, ZoneInputs, ZoneSeries, solve_zones, zone_ledger

__all__ = [
    "AirHandler",
    "Cleaner",
    "FlowPattern",
    "Inputs",
    "Ledger",
    "Series",
    "StepFactors",
    "ZoneInputs",
    "ZoneSeries",
    "exact_step",
    "ledger",
    "solve",
    "solve_zones",
    "steady_state",
    "step_factors",
    "zone_ledger",
]
