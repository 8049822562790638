"""Cells of tables, and the notes below a table that say why a figure is not known."""

from dataclasses import dataclass

from .drawing import Strip
from .figures import Written, sentence


@dataclass(frozen=True)
class Cell:
    """A figure in a table; one that is not known points to the note that says why."""

    figure: Written
    note: int = 0
    strip: Strip | None = None


class Notes:
    """Reasons for what is not known in a table, each told once below it under a number."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def cell(self, figure: Written, drawn: Strip | None = None) -> Cell:
        """The cell of a figure, with a note if it is not known."""
        if figure.value is not None:
            return Cell(figure, strip=drawn)
        return Cell(figure, self._numbers.setdefault(figure.reason, len(self._numbers) + 1))

    @property
    def texts(self) -> tuple[tuple[int, str], ...]:
        """Number and reason of every note."""
        return tuple((note, sentence(reason)) for reason, note in self._numbers.items())
