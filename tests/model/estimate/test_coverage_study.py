"""A tiny run of the coverage study: it prints its tables, and the houses it judges by owe nothing to the package."""

import ast
import subprocess
import sys
from pathlib import Path

STUDIES = Path(__file__).parents[2] / "studies"


def printed(*arguments: str) -> list[str]:
    command = [sys.executable, str(STUDIES / "coverage.py"), *arguments]
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stdout.splitlines()


def test_the_study_prints_coverage_by_estimate_and_length() -> None:
    header, *rows = printed("--houses", "3", "--days", "4", "--seed", "40")
    assert header.split()[:2] == ["estimate", "days"]
    by_name = {row.split()[0]: row.split() for row in rows}
    delivered = by_name["clean_air_delivered_m3h"]
    assert delivered[1:3] == ["4", "3"]
    assert float(delivered[4].rstrip("%")) < 20.0


def test_the_study_prints_how_often_a_bypass_is_told() -> None:
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
