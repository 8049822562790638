"""The local HTTP service under /v1: readings in and out, the sections of the assessment, and its own description."""

from .app import create_app
from .collector import create_collector
from .connections import WatchedRunner
from .first_run import create_first_run
from .guarded import BODY_LIMIT
from .pages import add_pages
from .problems import Problem, ProblemError
from .routing import AssessmentSource

__all__ = [
    "BODY_LIMIT",
    "AssessmentSource",
    "Problem",
    "ProblemError",
    "WatchedRunner",
    "add_pages",
    "create_app",
    "create_collector",
    "create_first_run",
]
