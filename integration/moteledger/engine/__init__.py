"""Turns readings into estimates, the ledger and advice, and a survey into a comparison."""

from .assess import assess
from .assessment import Assessment
from .compare import compare
from .comparison import Comparison, Ranking
from .grid import AssessmentError
from .service import Engine
from .system import ComparisonError

__all__ = ["Assessment", "AssessmentError", "Comparison", "ComparisonError", "Engine", "Ranking", "assess", "compare"]
