"""The demo lives on: some ten seconds after it was first met there is news, and it ends when it is told to.

Named to come last in its folder, when most of those seconds have passed under other tests.
"""

import signal
import time
from typing import Any


def test_time_runs_on_and_new_readings_come_in(demo: Any) -> None:
    # The house tells its news every ten seconds.
    deadline = time.monotonic() + 60.0
    while demo.newest() <= demo.met and time.monotonic() < deadline:
        time.sleep(0.25)
    assert demo.newest() > demo.met


def test_it_ends_on_request_without_complaint(demo: Any) -> None:
    demo.process.send_signal(signal.SIGTERM)
    out, err = demo.process.communicate(timeout=60)
    assert (demo.process.returncode, out, err) == (0, "", "")
