"""The published figures of the envelope, and a house solved from first principles."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

REFERENCE = Path(__file__).parents[2] / "reference" / "envelope.json"


@pytest.fixture(scope="session")
def published() -> dict[str, dict[str, Any]]:
    return {record["id"]: record for record in json.loads(REFERENCE.read_text(encoding="utf-8"))}


@pytest.fixture(scope="session")
def inflow_of_cracked_box() -> Callable[..., float]:
    """Inflow, m3/h, of a box with a quarter of its cracks in the floor, a quarter in the ceiling, half over the walls.

    Hydrostatics and the power law alone: the indoor pressure is found at which all flows, and a fan's net exhaust,
    cancel. No coefficient of any infiltration model is in it.
    """

    def inflow(
        coefficient: float,
        exponent: float,
        height_m: float,
        *,
        indoor_c: float,
        outdoor_c: float,
        exhaust_m3h: float = 0.0,
    ) -> float:
        walls = (np.arange(200) + 0.5) / 200
        heights = height_m * np.concatenate([[0.0], walls, [1.0]])
        shares = np.concatenate([[0.25], np.full(200, 0.5 / 200), [0.25]])
        outside, inside = (101_325.0 / 287.042 / (t + 273.15) for t in (outdoor_c, indoor_c))

        def flows(floor_pressure: float) -> Any:
            pressure = floor_pressure - (outside - inside) * 9.80665 * heights  # outside minus inside
            return coefficient * shares * np.sign(pressure) * np.abs(pressure) ** exponent

        balanced = brentq(lambda p: flows(p).sum() - exhaust_m3h, -100.0, 100.0, xtol=1e-12)
        return float(np.maximum(flows(balanced), 0.0).sum())

    return inflow
