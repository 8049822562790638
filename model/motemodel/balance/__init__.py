"""The particle balance of a house, exact at any step, and the ledger of the mass that moved.

Parts: `step` (one step in closed form), `single` (a whole series of one well-mixed house), `ledger` (the account).
"""

from .ledger import Ledger, ledger
from .single import Cleaner, Inputs, Series, solve
from .step import StepFactors, exact_step, steady_state, step_factors

__all__ = [
    "Cleaner",
    "Inputs",
    "Ledger",
    "Series",
    "StepFactors",
    "exact_step",
    "ledger",
    "solve",
    "steady_state",
    "step_factors",
]
