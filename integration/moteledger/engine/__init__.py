"""Turns readings into estimates, the ledger and advice."""

from .assess import assess
from .assessment import Assessment
from .grid import AssessmentError
from .service import Engine

__all__ = ["Assessment", "AssessmentError", "Engine", "assess"]
