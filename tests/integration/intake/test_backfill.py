"""Old readings brought in: whole or not at all, gone on with after a kill, and never doubled."""

import gzip
import subprocess
import sys
import time
from pathlib import Path

import pytest

from moteledger.intake import RecordingError, accept, backfill, moment_us, text_of
from moteledger.store import Appended, Reading, Store

START_US = moment_us("2026-01-01T00:00:00Z")
NOW_US = moment_us("2026-01-31T14:05:00Z")
ROWS = 60_000


def rows(count: int) -> list[tuple[int, float]]:
    return [(START_US + 10_000_000 * number, float(number % 50)) for number in range(count)]


def written(path: Path, count: int) -> Path:
    lines = [f"{text_of(time_us)},{value:g},{number % 2}" for number, (time_us, value) in enumerate(rows(count))]
    text = "time,indoor.pm25,fan.running\n" + "\n".join(lines) + "\n"
    path.write_bytes(gzip.compress(text.encode(), 1) if path.suffix == ".gz" else text.encode())
    return path


# As the command does, without loading all that other commands need.
BRINGING_IN = """
import sys
from pathlib import Path
from moteledger.intake import backfill
from moteledger.store import Store
with Store.open(sys.argv[2]) as store:
    backfill(Path(sys.argv[1]), store, int(sys.argv[3]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is a matter of POSIX")
def test_a_backfill_that_is_killed_goes_on_and_doubles_nothing(tmp_path: Path) -> None:
    recording, path = written(tmp_path / "old.csv.gz", ROWS), tmp_path / "house.sqlite"
    with subprocess.Popen([sys.executable, "-c", BRINGING_IN, str(recording), str(path), str(NOW_US)]) as process:
        try:
            while process.poll() is None and not kept(path):  # some batches are in, others are not
                time.sleep(0.01)
        finally:
            process.kill()
    assert 0 < kept(path) < 2 * ROWS, "the kill came at no moment that tells"
    with Store.open(path) as store:
        state = backfill(recording, store, NOW_US)
        series = store.series("indoor.pm25", 0, 2**62)
        assert list(zip(series.time_us.tolist(), series.value.tolist(), strict=True)) == rows(ROWS)
        assert len(store.series("fan.running", 0, 2**62)) == ROWS
    assert state.finished
    assert state.readings == 2 * ROWS
    assert state.appended.new + state.appended.repeated == 2 * ROWS
    # Gone on with, not begun again: at most the batch of the kill was repeated.
    assert state.appended.repeated <= 60_000


def kept(path: Path) -> int:
    import sqlite3

    try:
        with sqlite3.connect(f"file:{path}?mode=ro", uri=True) as connection:
            return int(connection.execute("SELECT count(*) FROM reading").fetchone()[0])
    except sqlite3.Error:
        return 0


def test_what_is_there_already_stays_and_is_counted(store: Store, tmp_path: Path) -> None:
    (time_us, value), (other_us, other) = rows(2)
    accept(store, [Reading(time_us, "indoor.pm25", value), Reading(other_us, "indoor.pm25", other + 7.0)])
    state = backfill(written(tmp_path / "old.csv", 10), store, NOW_US)
    assert state.appended == Appended(new=18, repeated=1, differing=1)
    assert store.series("indoor.pm25", other_us, other_us + 1).value[0] == other + 7.0
    assert backfill(tmp_path / "old.csv", store, NOW_US) == state


def test_a_recording_that_has_grown_is_another_and_brings_only_what_is_new(store: Store, tmp_path: Path) -> None:
    backfill(written(tmp_path / "old.csv", 10), store, NOW_US)
    assert backfill(written(tmp_path / "old.csv", 15), store, NOW_US).appended == Appended(new=10, repeated=20)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("time,indoor.pm25\n" + "2026-01-01T00:00:00Z,8\n" * 9 + "2026-01-01T00:01:00Z,many\n", "line 11, column"),
        ("time,indoor.pm25\n2026-01-01T00:00:00Z,8\n2027-01-01T00:00:00Z,8\n", "ahead of the clock here"),
        ("time,indoor.pm25\n", "holds a header but no reading"),
        ("", "is empty"),
    ],
)
def test_a_recording_is_brought_in_whole_or_not_at_all(store: Store, tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(text)
    with pytest.raises(RecordingError, match=told):
        backfill(path, store, NOW_US)
    assert store.latest_all() == {}


def test_a_recording_that_is_not_there_is_told(store: Store, tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="no such file"):
        backfill(tmp_path / "none.csv", store, NOW_US)
    with pytest.raises(RecordingError, match="Is a directory"):
        backfill(tmp_path, store, NOW_US)


def test_progress_goes_up_to_the_whole(store: Store, tmp_path: Path) -> None:
    shares: list[float] = []
    backfill(written(tmp_path / "old.csv", 20_000), store, NOW_US, shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == pytest.approx(1.0)
