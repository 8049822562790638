"""How the documents are filled in: the templates, the style that they carry inside, the pictures in it."""

from functools import cache, partial
from importlib.resources import files

from jinja2 import Environment

from ..cards import STATIC_FILES
from ..cards.templating import templates_of
from .drawing import NARROW_IN, WIDE_IN, inked


@cache
def document_templates() -> Environment:
    """The templates of the documents; `wide` and `narrow` draw a picture, `is block("NAME")` tells blocks apart."""
    templates = templates_of("moteledger.report", "moteledger.cards")
    templates.filters |= {"wide": partial(inked, width_in=WIDE_IN), "narrow": partial(inked, width_in=NARROW_IN)}
    templates.tests["block"] = lambda block, name: type(block).__name__ == name
    return templates


def style_of(name: str) -> str:
    """The style of a document: that of the cards, of pictures, and its own."""
    return STATIC_FILES["cards.css"].content.decode() + _static("pictures.css") + _static(name)


def _static(name: str) -> str:
    return (files(__package__) / "static" / name).read_text("utf-8")
