"""A recording of ten million rows: read as a stream, and read whole."""

from pathlib import Path

import numpy as np

from .row import BenchRow
from .running import peak_mb, scratch

_ROWS = 10_000_000
_SLICE = 500_000
_STREAM = """
import sys
from moteledger.intake import recording_chunks
assert sum(len(chunk.time_us) for chunk in recording_chunks(sys.argv[1])) == int(sys.argv[2])
"""
_WHOLE = """
import sys
from moteledger.intake import read_recording
assert sum(map(len, read_recording(sys.argv[1]).series.values())) == int(sys.argv[2])
"""


def long_recording(rows: int = _ROWS) -> BenchRow:
    """Most memory held while a recording in long form is read as a stream, as a backfill reads it."""
    with scratch() as folder:
        path = folder / "recording.csv"
        _write(path, rows)
        streamed_mb, streamed_s = peak_mb(_STREAM, str(path), str(rows))
        whole_mb, whole_s = peak_mb(_WHOLE, str(path), str(rows))
        size_mb = path.stat().st_size / 1e6
    return BenchRow(
        name="long-recording",
        work=f"{rows:,} rows of one reading each ({size_mb:,.0f} MB), streamed",
        measured=streamed_mb,
        aim=300.0,
        unit="MB",
        note=f"in {streamed_s:.1f} s; read whole, as assess does, {whole_mb:,.0f} MB in {whole_s:.1f} s",
    )


def _write(path: Path, rows: int) -> None:
    """Two signals in turn, a reading each second."""
    start = np.datetime64("2026-01-01T00:00:00")
    with path.open("w", encoding="utf-8") as out:
        out.write("time,signal,value\n")
        for first in range(0, rows, _SLICE):
            numbers = np.arange(first, min(first + _SLICE, rows))
            times = np.datetime_as_string(start + numbers // 2, timezone="UTC").tolist()
            out.writelines(
                f"{time},{'indoor.pm25' if number % 2 else 'outdoor.pm25'},{number % 97}\n"
                for number, time in zip(numbers.tolist(), times, strict=True)
            )
