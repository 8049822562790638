"""A tiny run of the coverage study: it prints its tables, and the houses it judges by owe nothing to the package."""

import ast
import runpy
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

STUDIES = Path(__file__).parents[2] / "studies"


@pytest.fixture
def printed(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., list[str]]:
    """The lines that the study prints when it is run as a command."""

    def lines(*arguments: str) -> list[str]:
        monkeypatch.setattr(sys, "argv", ["coverage.py", *arguments])
        monkeypatch.syspath_prepend(STUDIES)
        runpy.run_path(str(STUDIES / "coverage.py"), run_name="__main__")
        return capsys.readouterr().out.splitlines()

    return lines


def test_the_study_prints_coverage_by_estimate_and_length(printed: Callable[..., list[str]]) -> None:
    header, *rows = printed("--houses", "3", "--days", "4", "--seed", "40")
    assert header.split()[:2] == ["estimate", "days"]
    by_name = {row.split()[0]: row.split() for row in rows}
    delivered = by_name["clean_air_delivered_m3h"]
    assert delivered[1:3] == ["4", "3"]
    assert float(delivered[4].rstrip("%")) < 20.0


def test_the_study_prints_how_often_a_bypass_is_told(printed: Callable[..., list[str]]) -> None:
    header, *rows = printed("--bypass", "--houses", "1", "--seed", "40")
    assert "false alarms" in header
    assert [row.split("  ")[0] for row in rows] == ["delivery alone", "delivery with drop"] * 2
    assert ["exactly" in row for row in rows] == [True, True, False, False]


def test_the_simulated_houses_import_nothing_of_the_package() -> None:
    for node in ast.walk(ast.parse((STUDIES / "simulated_houses.py").read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert not (node.module or "").startswith("motemodel")
        elif isinstance(node, ast.Import):
            assert not any(name.name.startswith("motemodel") for name in node.names)
