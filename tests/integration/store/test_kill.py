"""A process killed while it appends: what it acknowledged is there once, and nothing is there that it did not send."""

import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from moteledger.store import Store

ROUNDS = 8

# Appends from several threads and writes each acknowledged number to standard output, whole lines at a time.
APPENDING = """
import os, sys, threading
from moteledger.store import Reading, Store
store = Store.open(sys.argv[1])
first = int(sys.argv[2])
def run(thread):
    for i in range(10**9):
        number = first + 1000 * (4 * i + thread)
        batch = [Reading(number + k, "indoor.pm25", float(number + k)) for k in range(1 + i % 7)]
        store.append(batch)
        os.write(1, b"".join(b"%d\\n" % reading.time_us for reading in batch))
for thread in range(4):
    threading.Thread(target=run, args=(thread,)).start()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is a matter of POSIX")
def test_every_acknowledged_reading_survives_kill_9_once_and_none_is_invented(tmp_path: Path) -> None:
    path = tmp_path / "house.sqlite"
    moments = random.Random(20)
    acknowledged: set[int] = set()
    for round_number in range(ROUNDS):
        first = round_number * 10**9
        command = [sys.executable, "-c", APPENDING, str(path), str(first)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, bufsize=0) as process:
            try:
                assert process.stdout is not None
                seen = process.stdout.read(1)
                time.sleep(moments.uniform(0.0, 0.15))
            finally:
                process.kill()
            seen += process.stdout.read()
        complete = seen[: seen.rfind(b"\n") + 1]
        acknowledged.update(int(line) for line in complete.split())

        with Store.open(path) as store:
            series = store.series("indoor.pm25", 0, 2**62)
        kept = set(series.time_us.tolist())
        assert len(kept) == len(series)
        assert acknowledged <= kept
        assert (series.value == series.time_us).all(), "a reading holds a value that was never sent"
        assert len(kept - acknowledged) <= 7 * 4 * (round_number + 1), (
            "more unacknowledged readings than were under way"
        )
    assert len(acknowledged) > 100
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()
