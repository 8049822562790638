"""A few rounds of the study that kills the service during intake; a hundred are a command of their own."""

import importlib.util
import sys
from pathlib import Path

import pytest

STUDY = Path(__file__).parents[2] / "studies" / "kill_rounds.py"


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is a matter of POSIX")
def test_what_the_service_acknowledged_over_http_is_there_once_and_nothing_else(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("kill_rounds", STUDY)
    assert spec is not None and spec.loader is not None
    study = importlib.util.module_from_spec(spec)
    sys.modules["kill_rounds"] = study
    spec.loader.exec_module(study)
    told = study.run(3, tmp_path)
    assert (told.lost, told.invented, told.altered, told.problems) == (0, 0, 0, ())
    assert told.acknowledged > 500
    assert told.acknowledged <= told.kept <= told.sent
