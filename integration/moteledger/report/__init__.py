"""The contractor's documents: pages that stand alone in one file, to be handed over, mailed or printed.

Every function is pure: what was found, the house and the day in, a document out. The pages ask for nothing outside
themselves and hold no script.
"""

from .amounts import Quoted, plain, quoted, unit_of
from .client import render_report_html, render_report_pdf
from .comparison import RANKED_BY, render_comparison
from .document import ClientReport
from .finding import client_report

__all__ = [
    "RANKED_BY",
    "ClientReport",
    "Quoted",
    "client_report",
    "plain",
    "quoted",
    "render_comparison",
    "render_report_html",
    "render_report_pdf",
    "unit_of",
]
