"""The cards: what people see of an assessment, as HTML and SVG drawn on the server.

Every function is pure: an assessment, the house, the time now and a few words in, a string out. The pages ask for the
files of `STATIC_FILES` under /static and for nothing else; they hold no inline script and no inline style, so they work
under a content security policy of `default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self';
img-src 'self'`.
"""

from .beside import AlarmShown, Arrived, Beside, Forms, LetterShown, Watched
from .clients import render_clients
from .pages import (
    CARDS,
    STATIC_FILES,
    Card,
    StaticFile,
    ready_templates,
    render_card,
    render_connecting,
    render_entrance,
    render_first_run,
    render_fragment,
    render_notice,
    render_page,
)
from .pressure import NAMES as WATCHED_SIGNALS
from .pressure import SHOWN_FOR as WATCHED_FOR

__all__ = [
    "CARDS",
    "STATIC_FILES",
    "WATCHED_FOR",
    "WATCHED_SIGNALS",
    "AlarmShown",
    "Arrived",
    "Beside",
    "Card",
    "Forms",
    "LetterShown",
    "StaticFile",
    "Watched",
    "ready_templates",
    "render_card",
    "render_clients",
    "render_connecting",
    "render_entrance",
    "render_first_run",
    "render_fragment",
    "render_notice",
    "render_page",
]
