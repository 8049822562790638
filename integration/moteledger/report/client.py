"""The report as a page that stands alone, and as a PDF: the same words, numbers and pictures."""

import json
from dataclasses import fields
from importlib.resources import files
from pathlib import Path
from typing import Any

from ..settings import House, Units
from .blocks import Picture
from .contents import contents
from .document import ClientReport
from .drawing import WIDE_IN
from .templating import document_templates, style_of


def render_report_html(report: ClientReport, house: House) -> str:
    """The report as one HTML document, its style and pictures inside; no script, nothing asked for from outside."""
    return (
        document_templates()
        .get_template("client.html")
        .render(contents=contents(report, house), house=house, style=style_of("client.css"), title=house.name)
    )


def render_report_pdf(report: ClientReport, house: House) -> bytes:
    """The report as a tagged PDF (PDF/UA-1) with its fonts inside: Letter for an inch-pound house, else A4."""
    import matplotlib as mpl  # noqa: PLC0415  only a report pays for loading them
    import typst  # noqa: PLC0415

    told = contents(report, house)
    written = {
        "title": house.name,
        "paper": "us-letter" if house.units is Units.INCH_POUND else "a4",
        "contents": told,
    }
    sources: Any = {
        "main": (files(__package__) / "templates" / "client.typ").read_bytes(),
        "report.json": json.dumps(written, default=_as_data).encode(),
    }
    for chapter in (*told.leading, *told.appendix):
        for block in chapter.blocks:
            if isinstance(block, Picture):
                sources[f"{block.name}.svg"] = block.draw(WIDE_IN).encode()
    # The plotting library brings a sans of its own; the serif is the typesetter's.
    fonts: Any = Path(mpl.get_data_path()) / "fonts" / "ttf"
    pdf: bytes = typst.compile(sources, format="pdf", font_paths=[fonts], pdf_standards="ua-1")
    return pdf


def _as_data(value: Any) -> Any:
    """A part of the contents for the typesetter, with its kind; pictures come as files of their own."""
    if isinstance(value, frozenset):
        return sorted(value)
    if callable(value):
        return None
    return {"block": type(value).__name__, **{each.name: getattr(value, each.name) for each in fields(value)}}
