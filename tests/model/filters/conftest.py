"""The published figures the filter room is checked against."""

import json
from pathlib import Path
from typing import Any

import pytest

REFERENCE = Path(__file__).parents[2] / "reference" / "filters.json"
RECORDS: dict[str, dict[str, Any]] = {
    record["id"]: record for record in json.loads(REFERENCE.read_text(encoding="utf-8"))
}


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run a test marked `published("a_", ...)` once per record whose id starts so, as its argument `record`."""
    marker = metafunc.definition.get_closest_marker("published")
    if marker is not None:
        found = [record for name, record in RECORDS.items() if name.startswith(marker.args)]
        assert found, f"no published record starts with {marker.args}"
        metafunc.parametrize("record", found, ids=[record["id"] for record in found])


@pytest.fixture(scope="session")
def published() -> dict[str, dict[str, Any]]:
    return RECORDS


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "published(*prefixes): run once per published record whose id starts so")
