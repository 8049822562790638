"""Recordings: what is read is what the standard library's csv, float and datetime make of the same text."""

import csv
import gzip
import io
import math
import os
import tempfile
import threading
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moteledger.intake import Recording, RecordingError, accept, blocks, read_recording, recording_chunks
from moteledger.store import Appended, Reading, Store, from_us, to_us

LONG = """time,signal,value
2026-01-01T00:00:00Z,indoor.pm25,8.5
2026-01-01T00:00:00Z,outdoor.pm25,20
2026-01-01T01:00:00+01:00,fan.running,1
2026-01-01T00:01:00Z,indoor.pm25,8.25
"""
WIDE = """time,indoor.pm25,outdoor.pm25,fan.running
2026-01-01T00:00:00Z,8.5,20,1
2026-01-01T00:01:00Z,8.25,,
"""
MINUTE_US = 60_000_000
START_US = to_us(datetime.fromisoformat("2026-01-01T00:00:00Z"))
EXPECTED = {
    "indoor.pm25": [(START_US, 8.5), (START_US + MINUTE_US, 8.25)],
    "outdoor.pm25": [(START_US, 20.0)],
    "fan.running": [(START_US, 1.0)],
}


def contents(recording: Recording) -> dict[str, list[tuple[int, float]]]:
    return {
        signal: list(zip(series.time_us.tolist(), series.value.tolist(), strict=True))
        for signal, series in recording.series.items()
    }


@pytest.fixture
def read(tmp_path: Path):
    def read_text(text: str | bytes) -> dict[str, list[tuple[int, float]]]:
        path = tmp_path / "kitchen.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return contents(read_recording(path))

    return read_text


@pytest.fixture
def problem(tmp_path: Path):
    """The message of the refusal of a recording, without the folder; always one line, nothing half-read."""

    def told(text: str | bytes) -> str:
        path = tmp_path / "kitchen.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        with pytest.raises(RecordingError) as caught:
            read_recording(path)
        message = str(caught.value)
        assert message.startswith(str(path))
        assert "\n" not in message
        assert len(message) < 600
        return message.removeprefix(str(path)).lstrip(",: ")

    return told


@pytest.mark.parametrize("text", [LONG, WIDE], ids=["long", "wide"])
@pytest.mark.parametrize(
    "change",
    [
        str.encode,
        lambda text: text.encode("utf-8-sig"),
        lambda text: gzip.compress(text.encode()),
        lambda text: gzip.compress(text[:80].encode()) + gzip.compress(text[80:].encode()),
        lambda text: text.replace("\n", "\r\n").encode(),
        lambda text: text.removesuffix("\n").encode(),
        lambda text: ("\n\n" + text.replace("\n", "\n\n")).encode(),
        lambda text: text.replace(",", " , ").encode(),
        lambda text: "\n".join(",".join(f'"{c}"' for c in line.split(",")) for line in text.split()).encode(),
        lambda text: text.replace("T", "t").replace("Z", "z").encode(),
    ],
    ids=[
        "plain",
        "bom",
        "gzip",
        "two-gzips",
        "crlf",
        "no-final-newline",
        "blank-lines",
        "spaces",
        "quotes",
        "lower-case",
    ],
)
def test_the_same_readings_come_from_every_way_of_writing_them(read, text: str, change) -> None:
    assert read(change(text)) == EXPECTED


def test_columns_without_gaps_hold_one_time_for_them_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blocks, "_BLOCK_CHARACTERS", 200)
    rows = [(START_US + minute * MINUTE_US, minute / 2) for minute in range(60)]
    lines = [
        f"{from_us(time_us):%Y-%m-%dT%H:%M:%SZ},{value},{'' if number == 50 else value},{value},1"
        for number, (time_us, value) in enumerate(rows)
    ]
    path = tmp_path / "kitchen.csv"
    path.write_text("\n".join(["time,indoor.pm25,filter.pressure_drop,outdoor.pm25,fan.running", *lines]))
    recording = read_recording(path)
    found = contents(recording)
    assert found["indoor.pm25"] == found["outdoor.pm25"] == rows
    assert found["filter.pressure_drop"] == rows[:50] + rows[51:]
    assert found["fan.running"] == [(time_us, 1.0) for time_us, _ in rows]
    times = {signal: series.time_us for signal, series in recording.series.items()}
    assert np.shares_memory(times["indoor.pm25"], times["outdoor.pm25"])
    assert np.shares_memory(times["indoor.pm25"], times["fan.running"])
    assert not np.shares_memory(times["indoor.pm25"], times["filter.pressure_drop"])


def test_columns_may_stand_in_any_order(read) -> None:
    shuffled = "\n".join(",".join(reversed(line.split(","))) for line in LONG.split())
    assert read(shuffled) == EXPECTED


def test_units_in_brackets_and_in_a_column_are_converted(read) -> None:
    # NIST SP 811 (2008), appendix B.8: 1 inch of water (conventional) = 249.0889 Pa; 32 degF = 0 degC.
    wide = "time,filter.pressure_drop [in.w.c.],indoor.temperature [degF]\n2026-01-01T00:00:00Z,0.5,32\n"
    assert read(wide)["filter.pressure_drop"][0][1] == pytest.approx(124.54445, rel=1e-6)
    assert read(wide)["indoor.temperature"][0][1] == pytest.approx(0.0, abs=1e-12)
    long = (
        "time,signal,value,unit\n"
        "2026-01-01T00:00:00Z,filter.pressure_drop,0.5,in.w.c.\n"
        "2026-01-01T00:01:00Z,filter.pressure_drop,120,\n"
        "2026-01-01T00:02:00Z,fan.runtime,1.5,min\n"
    )
    assert [value for _, value in read(long)["filter.pressure_drop"]] == pytest.approx([124.54445, 120.0], rel=1e-6)
    assert read(long)["fan.runtime"][0][1] == pytest.approx(90.0)


def test_readings_out_of_order_are_sorted_and_of_equal_times_the_first_stays(tmp_path: Path) -> None:
    path = tmp_path / "kitchen.csv"
    rows = [(3, 1.0), (1, 2.0), (3, 1.0), (2, 3.0), (1, 9.0)]
    path.write_text(
        "time,signal,value\n" + "".join(f"2026-01-01T00:0{m}:00Z,indoor.pm25,{v}\n" for m, v in rows), encoding="utf-8"
    )
    recording = read_recording(path)
    expected = [(START_US + m * MINUTE_US, v) for m, v in ((1, 2.0), (2, 3.0), (3, 1.0))]
    assert contents(recording) == {"indoor.pm25": expected}
    assert (recording.repeated, recording.differing) == (1, 1)
    assert recording.extent == (expected[0][0], expected[-1][0])
    with Store.open(tmp_path / "house.sqlite") as store:
        assert accept(store, recording.readings()) == Appended(3)
        assert accept(store, recording.readings()) == Appended(0, 3)


def test_nothing_implausible_or_unknown_passes_the_gate(tmp_path: Path) -> None:
    with Store.open(tmp_path / "house.sqlite") as store:
        for bad, told in (("indoor.pm2", "did you mean"), ("indoor.humidity", "outside what indoor.humidity can be")):
            with pytest.raises(ValueError, match=told):
                accept(store, [Reading(1, "indoor.pm25", 1.0), Reading(1, bad, 101.0)])
        assert store.extent() is None


ROW = "2026-01-01T00:00:00Z"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "is empty; a recording starts with a line that names its columns"),
        ("\n \n", "holds only blank lines"),
        ("time,signal,value\n", "holds a header but no reading; add rows"),
        ("time,indoor.pm25\n" + ROW + ",\n", "holds a header but no reading"),
        ("date,value\n", "line 1: 'date,value' has no column 'time'; the first line names the columns"),
        ("time;signal;value\n", "line 1: the columns are separated by semicolons; save the file with commas"),
        ("time\tsignal\tvalue\n", "separated by tabs"),
        ("time\n" + ROW, "line 1: names no signal beside time"),
        ("time,signal\n", "line 1: has no column 'value'"),
        ("time,signal,value,units\n", "line 1, column 'units': is not a column of the long form; did you mean 'unit'?"),
        ("time,indoor.pm2\n", "line 1, column 'indoor.pm2': 'indoor.pm2' is not a signal; did you mean"),
        (
            "time,indoor.pm25 [Pa]\n",
            "line 1, column 'indoor.pm25 [Pa]': 'Pa' is not a unit of concentration; write one",
        ),
        ("time,indoor.pm25,indoor.pm25\n", "line 1, column 'indoor.pm25': stands twice"),
        ("time,indoor.pm25,indoor.pm25 [mg/m3]\n", "column 'indoor.pm25 [mg/m3]': indoor.pm25 has two columns"),
        ("time,indoor.pm25,\n", "line 1: column 3 has no name"),
        ("time,time,indoor.pm25\n", "column 'time': stands twice"),
        ("time,indoor.pm25 [ug/m3\n", "is no column name"),
        ("\n\ntime,indoor.pm25\n\n" + ROW + ",x\n", "line 5, column 'indoor.pm25': 'x' is not a number; write it with"),
        (LONG + ROW + ",indoor.pm25,abc\n", "line 6, column 'value': 'abc' is not a number; write it with a decimal"),
        (LONG + ROW + ",indoor.pm25,\n", "line 6, column 'value': has no value; write a number"),
        (LONG + ROW + ",fan.running,on\n", "column 'value': 'on' is not a number; write 1 for on and 0 for off"),
        (LONG + ROW + ',indoor.pm25,"8,5"\n', "column 'value': '8,5' is not a number; write it with a decimal point"),
        (LONG + ROW + ",indoor.pm25,1_000\n", "'1_000' is not a number"),
        (LONG + ROW + ",indoor.pm25,٣\n", "'٣' is not a number"),
        (LONG + ROW + ",indoor.pm25,nan\n", "column 'value': 'nan' is not a finite number; leave the reading out"),
        (LONG + ROW + ",indoor.pm25,-inf\n", "'-inf' is not a finite number"),
        (LONG + ROW + ",indoor.pm25,1e999\n", "'1e999' is not a finite number"),
        (LONG + ROW + ",indoor.pm25,-30\n", "column 'value': -30 ug/m3 is outside what indoor.pm25 can be"),
        (LONG + ROW + ",indor.pm25,3\n", "column 'signal': 'indor.pm25' is not a signal; did you mean 'indoor.pm25'?"),
        (LONG + "2026-01-01T00:00:00,indoor.pm25,3\n", "line 6, column 'time': '2026-01-01T00:00:00' has no time zone"),
        (LONG + "yesterday,indoor.pm25,3\n", "column 'time': 'yesterday' is not an RFC 3339 time"),
        (LONG + ROW + ",indoor.pm25\n", "line 6: has 2 cells under 3 headings; correct the commas"),
        (LONG + ROW + ",indoor.pm25,3,4\n", "line 6: has 4 cells under 3 headings"),
        # Two wrong widths that add up to the right number of cells.
        (LONG + ROW + ",indoor.pm25\n" + ROW + ",indoor.pm25,3,4\n", "line 6: has 2 cells under 3 headings"),
        (LONG + ROW + ',indoor.pm25,"5\n0"\n', "line 6: is not CSV (unexpected end of data); check the quotes"),
        (LONG + ROW + ',indoor.pm25,"5"0\n', "line 6: is not CSV"),
        (
            "time,signal,value,unit\n" + ROW + ",indoor.pm25,3,Pa\n",
            "line 2, column 'unit': 'Pa' is not a unit of concentration; write one of ug/m3",
        ),
        (LONG + "\n" * 3 + ROW + ",x,1\n" + ROW + ",indoor.pm25,x\n", "(the first of 2 bad rows)"),
        (LONG + ROW + ",indoor.pm25,x\n", "(the only bad row)"),
        (LONG + "rubbish\n" * 5000, "(the first of 1000 bad rows or more)"),
        (LONG.encode("utf-16"), "is UTF-16 text; save it as UTF-8"),
        (LONG.encode() + b"2026\xb5", "line 6: byte 0xb5 at position 5 is not UTF-8; save the file as UTF-8 text"),
        (b"time,indoor.pm25 [\xb5g/m3]\n", "line 1: byte 0xb5 at position 19 is not UTF-8"),
        (gzip.compress(LONG.encode(), mtime=0)[:-9], "the gzip file is cut short; copy it again"),
        (gzip.compress(LONG.encode(), mtime=0)[:-1], "the gzip file is cut short"),
        (gzip.compress(LONG.encode(), mtime=0)[:-8] + b"\0" * 8, "the gzip file is damaged"),
        (b"\x1f\x8b" + b"no gzip at all", "the gzip file is damaged"),
        (b"PK\x03\x04....", "is a ZIP archive or a spreadsheet"),
        ("time,signal,value\n" + "x" * 3_000_000, "line 2: is longer than a million characters"),
        (("time,signal,value,unit\n" + ROW + ",indoor.pm25,3," + "x" * 5000), "column 'unit': 'xxx"),
    ],
)
def test_an_unusable_recording_is_refused_with_place_value_and_fix(problem, text: str | bytes, told: str) -> None:
    assert told in problem(text)


def test_a_file_that_is_missing_or_no_file_is_told(tmp_path: Path) -> None:
    for path, told in (
        (tmp_path / "nowhere.csv", "no such file; check the path"),
        (tmp_path, "is a folder; name a recording in it"),
        (tmp_path / ("x" * 300), "cannot be read"),
    ):
        with pytest.raises(RecordingError, match=told):
            read_recording(path)


def test_a_recording_may_come_through_a_pipe(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=pipe.write_bytes, args=(gzip.compress(LONG.encode()),), daemon=True)
    writer.start()
    shares: list[float] = []
    assert contents(read_recording(pipe, shares.append)) == EXPECTED
    assert shares == [], "nobody knows how long a pipe is"
    writer.join()


def test_progress_goes_from_something_to_all(tmp_path: Path) -> None:
    path = tmp_path / "kitchen.csv"
    path.write_text(LONG + "".join(f"{ROW},indoor.pm25,{i % 100}\n" for i in range(50_000)), encoding="utf-8")
    shares: list[float] = []
    read_recording(path, shares.append)
    assert shares == sorted(shares)
    assert 0 < shares[0] < shares[-1] == 1.0


def test_no_chunk_is_given_from_the_first_bad_row_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(blocks, "_BLOCK_CHARACTERS", 40)
    path = tmp_path / "kitchen.csv"
    path.write_text(LONG + ROW + ",indoor.pm25,bad\n" + LONG.split("\n", 1)[1], encoding="utf-8")
    given_before = []
    with pytest.raises(RecordingError, match="line 6"):
        given_before.extend(recording_chunks(path))
    assert sum(len(chunk.time_us) for chunk in given_before) == 4


names = st.sampled_from(["indoor.pm25", "outdoor.pm25", "fan.running", "filter.pressure_drop", "room:den 2.pm25"])
numbers = st.sampled_from(["0", "1", "0.5", " 1", "1e-3", "+1.0", "", "x", "nan", "1_0", "99999", "-1", "-11"])
times = st.sampled_from([*(f"2026-01-01T00:0{i}:00Z" for i in range(6)), "2026-01-01T00:00:00.25+01:00", "noon", ""])
good_numbers = st.sampled_from(["0", "1", "0.5", " 1", "1e-3", "+1.0"])
good_times = st.sampled_from([*(f"2026-01-01T00:0{i}:00Z" for i in range(6)), "2026-01-01T00:00:00.25+01:00"])


def plainly_read(text: str) -> dict[str, dict[int, float]] | None:
    """An independent reader for the texts generated here: one row at a time, None if any is bad."""
    kept: dict[str, dict[int, float]] = {}
    header, *rows = csv.reader(io.StringIO(text))
    for row in rows:
        for name, written in [(row[1], row[2])] if "signal" in header else list(zip(header, row, strict=True))[1:]:
            try:
                moment = datetime.fromisoformat(row[0])
                value = float(written.replace("_", "x")) if written.strip() or "signal" in header else None
            except ValueError:
                return None
            low, high = {"fan.running": (0, 1), "filter.pressure_drop": (-100, 2500)}.get(name, (-10, 20_000))
            if value is None:
                continue
            if not low <= value <= high:
                return None
            kept.setdefault(name, {}).setdefault(to_us(moment), value)
    return kept or None


def written_and_read(text: str, block: int, compress: bool) -> dict[str, dict[int, float]] | None:
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(blocks, "_BLOCK_CHARACTERS", block)
        path = Path(folder) / "r.csv"
        path.write_bytes(gzip.compress(text.encode()) if compress else text.encode())
        try:
            recording = read_recording(path)
        except RecordingError:
            return None
    for series in recording.series.values():
        assert (np.diff(series.time_us) > 0).all()
    return {signal: dict(some) for signal, some in contents(recording).items()}


@settings(max_examples=200, deadline=None)
@given(
    rows=st.lists(st.tuples(good_times, names, good_numbers), max_size=15),
    odd=st.lists(st.tuples(times, names, numbers), max_size=1),
    at=st.integers(0, 15),
    block=st.integers(1, 400),
    compress=st.booleans(),
)
def test_long_form_reads_as_an_independent_reader_does(rows, odd, at, block, compress) -> None:
    rows = rows[:at] + odd + rows[at:]
    text = "time,signal,value\n" + "".join(",".join(row) + "\n" for row in rows)
    assert written_and_read(text, block, compress) == plainly_read(text)


@settings(max_examples=200, deadline=None)
@given(
    columns=st.lists(names, min_size=1, max_size=4, unique=True),
    rows=st.lists(st.tuples(good_times, st.lists(good_numbers | st.just(""), min_size=4, max_size=4)), max_size=12),
    odd=st.lists(st.tuples(times, st.lists(numbers, min_size=4, max_size=4)), max_size=1),
    block=st.integers(1, 400),
)
def test_wide_form_reads_as_an_independent_reader_does(columns, rows, odd, block) -> None:
    width = len(columns)
    lines = [["time", *columns], *([time, *cells[:width]] for time, cells in rows + odd)]
    text = "".join(",".join(line) + "\n" for line in lines)
    kept = written_and_read(text, block, compress=False)
    # A bad time in a row of empty cells is still a bad row.
    bad_time = any(time in ("noon", "") for time, _ in odd)
    assert kept == (None if bad_time else plainly_read(text))


@settings(max_examples=300, deadline=None)
@given(
    start=st.sampled_from([LONG, WIDE]),
    edits=st.lists(st.tuples(st.integers(0, 200), st.integers(0, 5), st.binary(max_size=4)), max_size=5),
    compress=st.sampled_from(["no", "before", "after"]),
    block=st.integers(1, 300),
)
def test_no_damage_to_a_file_raises_anything_but_a_recording_error(start, edits, compress, block) -> None:
    content = gzip.compress(start.encode(), mtime=0) if compress == "before" else start.encode()
    for at, length, inserted in edits:
        content = content[:at] + inserted + content[at + length :]
    content = gzip.compress(content) if compress == "after" else content
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setattr(blocks, "_BLOCK_CHARACTERS", block)
        path = Path(folder) / "r.csv"
        path.write_bytes(content)
        try:
            recording = read_recording(path)
        except RecordingError as error:
            assert "\n" not in str(error).replace(folder, "")
            return
    for reading in recording.readings():
        assert math.isfinite(reading.value)
        assert 1989 < from_us(reading.time_us).year < 2102
