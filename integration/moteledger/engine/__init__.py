"""Turns readings into estimates, the ledger and advice, and a survey into a comparison."""

from .assess import assess
from .assessment import Assessment
from .compare import compare
from .comparison import Comparison, Ranking
from .grid import AssessmentError
from .proof import WANTED_HALF_WIDTH, Proof, prove
from .proof_guide import ProofGuide, guide
from .service import Engine
from .system import ComparisonError

__all__ = [
    "WANTED_HALF_WIDTH",
    "Assessment",
    "AssessmentError",
    "Comparison",
    "ComparisonError",
    "Engine",
    "Proof",
    "ProofGuide",
    "Ranking",
    "assess",
    "compare",
    "guide",
    "prove",
]
