"""A round of the study that kills a house and its collector over a failing line; many are a command of their own."""

import runpy
import sys
from pathlib import Path

import pytest

STUDY = Path(__file__).parents[2] / "studies" / "link_rounds.py"


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is a matter of POSIX")
def test_two_services_killed_over_a_failing_line_lose_nothing_and_invent_nothing(tmp_path: Path) -> None:
    told = runpy.run_path(str(STUDY))["run"](1, tmp_path, longest_s=0.3)
    assert (told.lost, told.invented, told.altered, told.differs_from_house) == (0, 0, 0, 0)
    assert (told.of_the_rooms, told.put_aside, told.problems) == (0, 0, ())
    assert told.collected >= told.acknowledged > 600
    assert told.kills == (1, 1)
