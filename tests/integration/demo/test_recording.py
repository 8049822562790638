"""Readings written as a recording, read back with the standard library alone."""

import csv
import gzip
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from moteledger.demo import SimulatedHouse, write_recording
from moteledger.store import Reading, to_us

START = datetime(2026, 2, 1, 7, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def readings() -> list[Reading]:
    return SimulatedHouse(seed=4).readings(START, START + timedelta(hours=2))


@pytest.mark.parametrize("name", ["house.csv", "house.csv.gz"])
def test_a_recording_read_back_holds_the_same_readings(readings: list[Reading], tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    assert write_recording(readings, path) == len(readings)
    written = gzip.decompress(path.read_bytes()) if name.endswith(".gz") else path.read_bytes()
    rows = list(csv.DictReader(written.decode("utf-8").splitlines()))
    assert list(rows[0]) == ["time", "signal", "value"]
    assert rows[0]["time"].endswith("Z")
    assert [
        Reading(to_us(datetime.fromisoformat(row["time"])), row["signal"], float(row["value"])) for row in rows
    ] == readings
    assert [file.name for file in tmp_path.iterdir()] == [name]


def test_the_same_readings_make_the_same_file(readings: list[Reading], tmp_path: Path) -> None:
    one, other = tmp_path / "one.csv.gz", tmp_path / "other.csv.gz"
    write_recording(readings, one)
    write_recording(iter(readings), other)
    assert one.read_bytes() == other.read_bytes()


def test_a_writing_that_fails_leaves_nothing_behind_and_the_old_file_alone(tmp_path: Path) -> None:
    path = tmp_path / "house.csv"
    path.write_text("old", encoding="utf-8")

    def breaking() -> Iterator[Reading]:
        yield Reading(0, "indoor.pm25", 1.0)
        raise RuntimeError("the source broke")

    with pytest.raises(RuntimeError, match="the source broke"):
        write_recording(breaking(), path)
    assert path.read_text(encoding="utf-8") == "old"
    assert [file.name for file in tmp_path.iterdir()] == ["house.csv"]
