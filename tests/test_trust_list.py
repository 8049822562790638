"""The list of threats in DEVELOPERS.md: each names a test, and the test is there."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1]


def threats() -> list[tuple[str, str]]:
    """Each threat and the test named beside it."""
    section = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("\n## Trust\n")[1].split("\n## ")[0]
    rows = [line.strip("|").split("|") for line in section.splitlines() if line.startswith("|")]
    return [(row[0].strip(), row[2].strip()) for row in rows if len(row) == 3 and not set(row[0]) <= set("- ")][1:]


def existing_tests() -> set[str]:
    return {
        node.name
        for path in (ROOT / "tests").rglob("test_*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    }


def test_every_threat_names_a_test_that_exists() -> None:
    named = threats()
    assert len(named) > 20
    for threat, test in named:
        assert re.fullmatch(r"`test_\w+`", test), threat
    assert {test.strip("`") for _, test in named} <= existing_tests()


def test_every_other_test_that_is_named_exists_too() -> None:
    named = re.findall(r"`(test_\w+)`", (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))
    assert len(named) > 50
    assert set(named) <= existing_tests()


def test_every_provision_of_the_standard_has_its_answer() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    answers = dict(re.findall(r"^\| 5\.(\d+) [^|]+\| (\S.*?) \|$", text, flags=re.MULTILINE))
    # ETSI EN 303 645 has thirteen groups of cyber security provisions, 5.1 to 5.13 (from memory).
    assert sorted(map(int, answers)) == list(range(1, 14))
    for answer in answers.values():
        assert re.match(r"(met|partly|not met|not applicable)\b.*:", answer) or answer.startswith("met with"), answer
