"""A few rounds of the study that kills the service during intake; a hundred are a command of their own."""

import runpy
import sys
from pathlib import Path

import pytest

STUDY = Path(__file__).parents[2] / "studies" / "kill_rounds.py"


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is a matter of POSIX")
def test_what_the_service_acknowledged_over_http_is_there_once_and_nothing_else(tmp_path: Path) -> None:
    told = runpy.run_path(str(STUDY))["run"](2, tmp_path)
    assert (told.lost, told.invented, told.altered, told.problems) == (0, 0, 0, ())
    assert told.acknowledged > 300
    assert told.acknowledged <= told.kept <= told.sent
