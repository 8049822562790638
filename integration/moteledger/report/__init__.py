"""The contractor's documents: pages that stand alone in one file, to be handed over, mailed or printed.

Every function is pure: what was found, the house and the day in, a string out. The pages ask for nothing outside
themselves and hold no script.
"""

from .amounts import Quoted, plain, quoted, unit_of
from .comparison import RANKED_BY, render_comparison

__all__ = ["RANKED_BY", "Quoted", "plain", "quoted", "render_comparison", "unit_of"]
