"""One row of the bench, and the table of them all."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Unit = Literal["s", "per s", "MB"]


@dataclass(frozen=True)
class Plain:
    """A plain way to do the same work, measured in the same run.

    `error` is its largest error as a share of the largest value, None where the work has none; `aim_times` how many
    times longer it is hoped to take. Where it ran on a part of the work, `seconds` is scaled to the whole and
    `scaled_from` names the part.
    """

    method: str
    seconds: float
    error: float | None = None
    aim_times: float | None = None
    scaled_from: str = ""


@dataclass(frozen=True)
class BenchRow:
    """What a piece of work took, in `unit`, against its aim; `error` as in `Plain`, `note` what else the run showed."""

    name: str
    work: str
    measured: float
    aim: float
    unit: Unit = "s"
    error: float | None = None
    plain: tuple[Plain, ...] = ()
    note: str = ""

    def times(self, plain: Plain) -> float:
        """How many times longer a plain way takes; the work must be measured in seconds."""
        if self.unit != "s":
            raise ValueError(f"{self.name}: measured in {self.unit}; give seconds to compare with {plain.method}")
        return plain.seconds / self.measured

    @property
    def is_met(self) -> bool:
        """Whether all aims are met: less time or memory, a higher rate, as many times faster as hoped."""
        reached = self.measured >= self.aim if self.unit == "per s" else self.measured < self.aim
        hoped = [plain for plain in self.plain if plain.aim_times is not None]
        return reached and all(self.times(plain) >= (plain.aim_times or 0.0) for plain in hoped)


def table(rows: Iterable[BenchRow]) -> str:
    """The rows as plain text: for each its figures, a line each, and whether the aims are met.

    >>> print(table([BenchRow("ten", "count to ten", 0.02, 0.01)]))
    ten: count to ten
      measured  20.0 ms
      aim       under 10.0 ms: missed
    """
    return "\n\n".join("\n".join(_lines(row)) for row in rows)


def _lines(row: BenchRow) -> list[str]:
    lines = [f"{row.name}: {row.work}", _line("measured", f"{_amount(row.measured, row.unit)}{_error(row.error)}")]
    for plain in row.plain:
        scaled = f" (scaled from {plain.scaled_from})" if plain.scaled_from else ""
        takes = f"{_amount(plain.seconds, 's')}{scaled}{_error(plain.error)}"
        lines.append(_line("beside", f"{plain.method}: {takes}; {row.times(plain):.0f} times as long"))
    if row.note:
        lines.append(_line("shown", row.note))
    bound = "at least" if row.unit == "per s" else "under"
    hoped = [f", {plain.method} {plain.aim_times:g} times as long" for plain in row.plain if plain.aim_times]
    met = "met" if row.is_met else "missed"
    return [*lines, _line("aim", f"{bound} {_amount(row.aim, row.unit)}{''.join(hoped)}: {met}")]


def _line(label: str, text: str) -> str:
    return f"  {label:10}{text}"


def _error(error: float | None) -> str:
    return "" if error is None else f", error {error:.0e}"


def _amount(amount: float, unit: Unit) -> str:
    if unit == "s":
        return f"{amount * 1e3:.1f} ms" if amount < 1.0 else f"{amount:.1f} s"
    return f"{amount:,.0f} {unit}"
