"""Writing readings as a recording."""

import csv
import gzip
import io
from collections.abc import Iterable
from pathlib import Path

from ..store import Reading, from_us


def write_recording(readings: Iterable[Reading], path: Path) -> int:
    """Write readings to `path` as a recording in long form, gzip if the name ends in .gz; returns how many.

    The file appears whole or not at all, and the same readings make the same file.
    """
    part = path.with_name(path.name + ".part")
    count = 0
    try:
        with part.open("wb") as raw:
            packed = gzip.GzipFile(filename="", fileobj=raw, mode="wb", mtime=0) if path.suffix == ".gz" else None
            with packed or raw as body, io.TextIOWrapper(body, encoding="utf-8", newline="") as text:
                table = csv.writer(text, lineterminator="\n")
                table.writerow(("time", "signal", "value"))
                for reading in readings:
                    moment = from_us(reading.time_us).isoformat().replace("+00:00", "Z")
                    table.writerow((moment, reading.signal, f"{reading.value:.10g}"))
                    count += 1
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return count
