"""Recordings: CSV files of readings, read as a stream and refused whole if any row is bad."""

from array import array
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import repeat
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..store import Reading, Series
from .blocks import Block, RecordingError, blocks
from .columns import CellError, Chunk, Form, cells, columns_of, form_of

MOST_BAD_ROWS_COUNTED = 1000
_SLICE = 10_000


@dataclass(frozen=True, eq=False)
class Recording:
    """A recording in memory: one series per signal, in order of time.

    Of readings with the same signal and time the first in the file stays; `repeated` counts the others that say the
    same, `differing` those that do not.
    """

    series: dict[str, Series]
    repeated: int = 0
    differing: int = 0

    @property
    def extent(self) -> tuple[int, int]:
        """The times of the oldest and the newest reading, microseconds since 1970 UTC."""
        return (
            min(int(series.time_us[0]) for series in self.series.values()),
            max(int(series.time_us[-1]) for series in self.series.values()),
        )

    def readings(self) -> Iterator[Reading]:
        """All readings, signal by signal, in order of time."""
        for signal, series in self.series.items():
            for start in range(0, len(series), _SLICE):
                times = series.time_us[start : start + _SLICE].tolist()
                values = series.value[start : start + _SLICE].tolist()
                yield from map(Reading, times, repeat(signal), values)


def read_recording(path: Path | str, progress: Callable[[float], None] | None = None) -> Recording:
    """Read a recording (CSV, UTF-8, plain or gzip, long or wide form), using 16 bytes of memory per reading.

    Columns of the wide form with a value in every row have one time for them all, which takes 8 bytes per reading less.
    `progress` is called with the share of the file read so far. Raises RecordingError: a recording is usable as a whole
    or not at all.
    """
    times = _Times()
    values: dict[str, array[float]] = {}
    for chunk in recording_chunks(path, progress):
        if len(chunk.time_us):
            known = values.setdefault(chunk.signal, array("d"))
            times.add(chunk, len(known))
            known.frombytes(chunk.value.tobytes())
    if not values:
        raise RecordingError(Path(path), "holds a header but no reading; add rows")
    series: dict[str, Series] = {}
    repeated = differing = 0
    for signal in list(values):
        value = np.frombuffer(values.pop(signal), np.float64)
        series[signal], same, other = _in_order(times.take(signal, len(value)), value)
        repeated += same
        differing += other
    return Recording(series, repeated, differing)


@dataclass(eq=False)
class _Line:
    """The times of one or more signals, and the chunk of them that came last."""

    times: "array[int]"
    last: NDArray[np.int64] | None = None

    def append(self, time_us: NDArray[np.int64]) -> None:
        self.times.frombytes(time_us.tobytes())
        self.last = time_us


class _Times:
    """The times of each signal so far; signals whose times were always the same hold them together."""

    def __init__(self) -> None:
        self._of_all = _Line(array("q"))
        self._lines: dict[str, _Line] = {}

    def add(self, chunk: Chunk, known: int) -> None:
        """Add the times of a chunk; so many of its signal are `known` already."""
        line = self._lines.get(chunk.signal, self._of_all)
        if len(line.times) == known:
            line.append(chunk.time_us)
        elif line.last is not chunk.time_us or len(line.times) != known + len(chunk.time_us):
            # Another signal has gone on with times of its own: here they part.
            line = _Line(line.times[:known])
            line.append(chunk.time_us)
        self._lines[chunk.signal] = line

    def take(self, signal: str, known: int) -> NDArray[np.int64]:
        """The times of a signal of which so many are `known`, not to be written to; others may have gone on since."""
        found = np.frombuffer(self._lines.pop(signal).times, np.int64)[:known]
        found.flags.writeable = False
        return found


def recording_chunks(path: Path | str, progress: Callable[[float], None] | None = None) -> Iterator[Chunk]:
    """The readings of a recording as they stand in the file, a few thousand at a time, in bounded memory.

    Raises RecordingError, possibly after chunks were given; whoever uses this drops what it made of them. From the
    first bad row on no chunk is given and the other rows are only checked, to say how many are bad (up to a thousand).
    """
    path = Path(path)
    form: Form | None = None
    first: RecordingError | None = None
    bad_rows = 0
    for whole_block in blocks(path, progress):
        block = whole_block
        if form is None:
            form, block = _header(path, block)
        if form is None or not block.text:
            continue
        chunks, errors = _read(path, form, block)
        if first is None and not errors:
            yield from chunks
        first = first or next(iter(errors), None)
        bad_rows += len(errors)
        if bad_rows >= MOST_BAD_ROWS_COUNTED:
            break
    if form is None:
        raise RecordingError(path, "holds only blank lines; a recording starts with a line that names its columns")
    if first is not None:
        raise _with_count(first, bad_rows)


def _header(path: Path, block: Block) -> tuple[Form | None, Block]:
    """Take the first line that is not blank off the block."""
    line, text = block
    while text:
        header, _, text = text.partition("\n")
        line += 1
        if header.strip():
            try:
                return form_of(header), Block(line, text)
            except CellError as error:
                raise RecordingError(path, error.problem, line=line - 1, column=error.column) from None
    return None, Block(line, "")


def _read(path: Path, form: Form, block: Block) -> tuple[list[Chunk], list[RecordingError]]:
    """The readings of a block, all at once if its rows are regular, else row by row to say which are bad."""
    columns = columns_of(block.text, len(form.headings))
    if columns is not None:
        try:
            return list(form.chunks(columns)), []
        except ValueError:
            pass
    readings: list[Reading] = []
    errors: list[RecordingError] = []
    for number, line in enumerate(block.text.split("\n"), start=block.first_line):
        if not line.strip():
            continue
        try:
            row = cells(line)
            if len(row) != len(form.headings):
                raise CellError(None, f"has {len(row)} cells under {len(form.headings)} headings; correct the commas")
            readings += form.readings(row)
        except CellError as error:
            errors.append(RecordingError(path, error.problem, line=number, column=error.column))
    return _chunks(readings), errors


def _chunks(readings: list[Reading]) -> list[Chunk]:
    by_signal: dict[str, list[Reading]] = {}
    for reading in readings:
        by_signal.setdefault(reading.signal, []).append(reading)
    return [
        Chunk(
            signal,
            np.array([reading.time_us for reading in some], dtype=np.int64),
            np.array([reading.value for reading in some], dtype=np.float64),
        )
        for signal, some in by_signal.items()
    ]


def _with_count(error: RecordingError, bad_rows: int) -> RecordingError:
    if bad_rows == 1:
        told = "the only bad row"
    elif bad_rows < MOST_BAD_ROWS_COUNTED:
        told = f"the first of {bad_rows} bad rows"
    else:
        told = f"the first of {MOST_BAD_ROWS_COUNTED} bad rows or more"
    return RecordingError(
        error.path, f"{error.problem} ({told})", line=error.line, column=error.column, bad_rows=bad_rows
    )


def _in_order(time_us: NDArray[np.int64], value: NDArray[np.float64]) -> tuple[Series, int, int]:
    """The readings in order of time, the first of each time; how many others said the same, and how many did not."""
    if (time_us[1:] > time_us[:-1]).all():
        return Series(time_us, value), 0, 0
    order = np.argsort(time_us, kind="stable")
    # One after the other, so that each unsorted array is let go before the next is copied.
    time_us = time_us[order]
    value = value[order]
    is_first = np.concatenate(([True], time_us[1:] != time_us[:-1]))
    if is_first.all():
        return Series(time_us, value), 0, 0
    kept = Series(time_us[is_first], value[is_first])
    others = np.flatnonzero(~is_first)
    first_value = kept.value[np.searchsorted(kept.time_us, time_us[others])]
    differing = int(np.count_nonzero(value[others] != first_value))
    return kept, len(others) - differing, differing
