"""What a report is made of: chapters of blocks, drawn as HTML and as PDF from the same words."""

from dataclasses import dataclass, field

from .drawing import Draw
from .told import Cell, Line


@dataclass(frozen=True)
class Lead:
    """The sentence that leads a chapter."""

    line: Line


@dataclass(frozen=True)
class Paragraph:
    """A paragraph."""

    line: Line


@dataclass(frozen=True)
class Subhead:
    """A heading within a chapter."""

    text: str


@dataclass(frozen=True)
class Points:
    """A list, one thing to a point."""

    items: tuple[Line, ...]


@dataclass(frozen=True)
class Table:
    """A table: the first column names its rows; `amounts` are the columns of figures; the last rows may be totals.

    `widths` are shares of the page's width. A row that is too long for one page is never needed.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    amounts: frozenset[int]
    widths: tuple[float, ...]
    totals: int = 0


@dataclass(frozen=True)
class Picture:
    """A picture: how it is drawn to a width, what it shows in words, and what stands below it."""

    name: str
    draw: Draw
    described: str
    caption: Line


@dataclass(frozen=True)
class Signatures:
    """Lines to sign on."""

    lines: tuple[tuple[str, ...], ...]


Block = Lead | Paragraph | Subhead | Points | Table | Picture | Signatures


@dataclass(frozen=True)
class Chapter:
    """A stretch of the report between two double rules."""

    name: str
    title: str
    blocks: tuple[Block, ...] = field(default=())


@dataclass(frozen=True)
class Contents:
    """The whole report: its head, the pages that lead, the appendix."""

    title: Line
    about: Line
    leading: tuple[Chapter, ...]
    appendix: tuple[Chapter, ...]
