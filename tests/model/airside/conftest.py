"""The published figures of blowers, ducts and airflow."""

import json
from pathlib import Path
from typing import Any

import pytest

REFERENCE = Path(__file__).parents[2] / "reference" / "airside.json"


@pytest.fixture(scope="session")
def published() -> dict[str, dict[str, Any]]:
    return {record["id"]: record for record in json.loads(REFERENCE.read_text(encoding="utf-8"))}
