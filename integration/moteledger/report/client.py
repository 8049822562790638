"""The report as a page that stands alone, and as a PDF: the same words, numbers and pictures."""

import json
from dataclasses import asdict
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment

from ..cards import STATIC_FILES
from ..cards.templating import templates_of
from ..settings import House, Units
from .blocks import Contents, Picture
from .contents import contents
from .document import ClientReport
from .pictures import PALETTE


def render_report_html(report: ClientReport, house: House) -> str:
    """The report as one HTML document, its style and pictures inside; no script, nothing asked for from outside."""
    style = STATIC_FILES["cards.css"].content.decode() + _file("static", "client.css")
    return (
        _templates()
        .get_template("client.html")
        .render(contents=contents(report, house), house=house, style=style, title=house.name)
    )


def render_report_pdf(report: ClientReport, house: House) -> bytes:
    """The report as a tagged PDF (PDF/UA-1) with its fonts inside: Letter for an inch-pound house, else A4."""
    import matplotlib as mpl  # noqa: PLC0415  only a report pays for loading them
    import typst  # noqa: PLC0415

    told = contents(report, house)
    written = {
        "title": house.name,
        "paper": "us-letter" if house.units is Units.INCH_POUND else "a4",
        "contents": _as_data(told),
    }
    sources: Any = {
        "main": _file("templates", "client.typ").encode(),
        "report.json": json.dumps(written).encode(),
    }
    for chapter in (*told.leading, *told.appendix):
        for block in chapter.blocks:
            if isinstance(block, Picture):
                sources[f"{block.name}.svg"] = block.svg.encode()
    # The plotting library brings a sans of its own; the serif is the typesetter's.
    fonts: Any = Path(mpl.get_data_path()) / "fonts" / "ttf"
    pdf: bytes = typst.compile(sources, format="pdf", font_paths=[fonts], pdf_standards="ua-1")
    return pdf


def _as_data(told: Contents) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(json.dumps(asdict(told), default=sorted))
    for part, chapters in (("leading", told.leading), ("appendix", told.appendix)):
        for place, chapter in enumerate(chapters):
            for number, block in enumerate(chapter.blocks):
                data[part][place]["blocks"][number]["block"] = type(block).__name__
                data[part][place]["blocks"][number].pop("svg", None)
    return data


def _file(folder: str, name: str) -> str:
    return (files(__package__) / folder / name).read_text("utf-8")


def _inked(svg: str) -> str:
    """A picture whose inks follow the reader's light or dark: the palette's colours by their names."""
    for name, colour in PALETTE.items():
        svg = svg.replace(colour, f"var(--{name})")
    return svg


@cache
def _templates() -> Environment:
    templates = templates_of("moteledger.report")
    templates.filters["inked"] = _inked
    templates.tests["block"] = lambda block, name: type(block).__name__ == name
    return templates
