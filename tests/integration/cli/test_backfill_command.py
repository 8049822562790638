"""`backfill`: old readings into a store, told in a line."""

from collections.abc import Callable
from pathlib import Path


def test_a_recording_is_brought_in_once_and_a_bad_one_is_refused(
    run_all: Callable, recording: Path, tmp_path: Path
) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("time,indoor.pm25\n2026-03-02T00:00:00Z,many\n", encoding="utf-8")
    store = ("--store", tmp_path / "rook.sqlite")
    told = run_all({"first": ("backfill", recording, *store), "bad": ("backfill", bad, *store)})
    assert told["first"].returncode == 0, told["first"].stderr
    # 49 rows of three signals.
    assert "147 readings are new." in told["first"].stdout
    assert "now reaches from 2026-03-02 00:00 to 2026-03-02 04:00 UTC" in told["first"].stdout
    assert told["bad"].returncode == 1
    assert told["bad"].stderr.startswith("moteledger backfill: ")
    assert told["bad"].stderr.count("\n") == 1
