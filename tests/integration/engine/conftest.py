"""Houses and readings made by hand, the demo's house beside its truth, and what every assessment must keep."""

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike

from moteledger.demo import HOUSE_FILE, SimulatedHouse, Truth
from moteledger.engine import Assessment, assess
from moteledger.settings import House, read_house
from moteledger.store import Series, to_us

START = datetime(2026, 3, 2, tzinfo=UTC)
"""A Monday; hours of all readings made by hand count from here unless another start is given."""


def _series(hours: ArrayLike, values: ArrayLike, start: datetime = START) -> Series:
    times = np.asarray(hours, dtype=np.float64)
    moments = to_us(start) + np.round(times * 3.6e9).astype(np.int64)
    return Series(moments, np.broadcast_to(np.asarray(values, dtype=np.float64), times.shape).copy())


def _house(**tables: Any) -> House:
    return House.model_validate({"name": "Rook House", "house": {"floor_area": "150 m2"}, **tables})


def _ripple(hours: np.ndarray, mean: float) -> np.ndarray:
    """Air that is never quite still, so that no sensor looks stuck; it averages to `mean` over every hour."""
    return mean + 0.01 * mean * np.sign(np.sin(2.0 * np.pi * (hours + 1e-6) * 6.0))


def _still(hours: float, indoor: float = 6.0, outdoor: float = 12.0, start: datetime = START) -> dict[str, Series]:
    """A house with the fan at rest in air that hardly changes, every five minutes."""
    times = np.arange(0.0, hours + 1e-9, 1.0 / 12.0)
    return {
        "indoor.pm25": _series(times, _ripple(times, indoor), start),
        "outdoor.pm25": _series(times, _ripple(times, outdoor), start),
        "fan.running": _series([-1.0, *range(int(hours) + 1)], 0.0, start),
    }


def _lived_in(days: int, *, entry: float, loss: float, clean_air_per_h: float, seed: int = 1) -> dict[str, Series]:
    """A well-mixed house whose fan runs twenty minutes of every second hour, stepped minute by minute.

    Explicit steps of dC/dt = entry C_out - (loss + fan clean_air) C, all 1/h: no code of the project is in it. The
    outdoor air swings by the day and drifts; the sensor tells the mean of each minute at its end, with a noise of 0.3
    ug/m3 and rounded to 0.1.
    """
    random = np.random.default_rng(seed)
    hours = np.arange(days * 1440) / 60.0
    outdoor = 25.0 + 10.0 * np.sin(2.0 * np.pi * hours / 24.0) + 8.0 * np.sin(hours / 9.0)
    fan = (hours % 2.0 < 1.0 / 3.0 - 1e-9).astype(np.float64)
    indoor = np.empty(hours.size)
    level = entry * outdoor[0] / loss
    for step in range(hours.size):
        change = (entry * outdoor[step] - (loss + clean_air_per_h * fan[step]) * level) / 60.0
        indoor[step] = level + 0.5 * change
        level += change
    read = np.round(np.maximum(indoor + random.normal(0.0, 0.3, hours.size), 0.0), 1)
    return {
        "indoor.pm25": _series(hours + 1.0 / 60.0, read),
        "outdoor.pm25": _series(hours[::10] + 10.0 / 60.0, np.round(outdoor.reshape(-1, 10).mean(axis=1), 1)),
        "fan.running": _series(hours, fan),
    }


@pytest.fixture(scope="session")
def start() -> datetime:
    return START


@pytest.fixture(scope="session")
def series() -> Callable[..., Series]:
    return _series


@pytest.fixture(scope="session")
def house() -> Callable[..., House]:
    return _house


@pytest.fixture(scope="session")
def still() -> Callable[..., dict[str, Series]]:
    return _still


@pytest.fixture(scope="session")
def lived_in() -> Callable[..., dict[str, Series]]:
    return _lived_in


@dataclass(frozen=True)
class DemoCase:
    """The demo's house over two weeks: its file, its readings, what is told of it and what was true of it."""

    house: House
    readings: Mapping[str, Series]
    assessment: Assessment
    truth: Truth


@pytest.fixture(scope="session")
def demo_case(by_signal: Callable[..., dict[str, Series]]) -> DemoCase:
    simulated, house = SimulatedHouse(seed=1), read_house(HOUSE_FILE)
    readings = by_signal(simulated.readings(START, START + timedelta(days=14)))
    assessment = assess(house, readings)
    truth = simulated.truth(assessment.period.start, assessment.period.end)
    return DemoCase(house, readings, assessment, truth)


def _assert_sound(assessment: Assessment) -> None:
    """No number that is none; every figure with a unit and ordered bounds or with a reason; a ledger that closes."""

    def refuse(word: str) -> None:
        pytest.fail(f"the JSON holds {word}")

    def walk(node: Any, place: str) -> None:
        if isinstance(node, dict):
            if "value" in node and node["value"] is None:
                assert node["reason"].strip(), place
            elif "value" in node:
                assert node["unit"], place
                assert node["low"] <= node["value"] <= node["high"], place
            if "low_mg" in node:
                assert node["low_mg"] <= node["high_mg"], place
            for key, child in node.items():
                walk(child, f"{place}.{key}")
        elif isinstance(node, list):
            for number, child in enumerate(node):
                walk(child, f"{place}[{number}]")
        elif isinstance(node, float):
            assert math.isfinite(node), place

    document = json.loads(assessment.model_dump_json(), parse_constant=refuse)
    walk(document, "assessment")
    ledger = document["ledger"]
    assert abs(ledger["closure"]) < 1e-9
    came = ledger["entered_mg"] + ledger["generated_mg"]
    went = sum(ledger[f"{way}_mg"] for way in ("filtered", "settled", "carried_out", "stored"))
    assert math.isclose(came, went, rel_tol=1e-9, abs_tol=1e-9)
    for bound in ledger["bounds"]:
        mass = ledger[f"{bound['entry']}_mg"]
        slack = 1e-9 * max(abs(mass), 1.0)
        assert bound["low_mg"] - slack <= mass <= bound["high_mg"] + slack, bound["entry"]


@pytest.fixture(scope="session")
def assert_sound() -> Callable[[Assessment], None]:
    return _assert_sound
