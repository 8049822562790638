"""Too little air for the coil: by cfm per ton of cooling, as licensed practice and California's code have it."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from moteledger.engine import assess
from moteledger.settings import House
from moteledger.store import Series
from motemodel.units import M3H_PER_CFM

Houses = Callable[..., House]
Told = Callable[..., Series]
Still = Callable[..., dict[str, Series]]

REFERENCE = {
    record["id"]: record["expected"]
    for record in json.loads((Path(__file__).parents[2] / "reference" / "airside.json").read_text(encoding="utf-8"))
    if record["id"] in ("t24_350", "cfm400", "fsec_mean")
}
LEAST_CFM_PER_TON = REFERENCE["t24_350"][0]
TONS = 3.0


@pytest.fixture
def warned(house: Houses, still: Still) -> Callable[..., bool]:
    def of(airflow_cfm: float, readings: dict[str, Series] | None = None, **handler: Any) -> bool:
        surveyed = house(air_handler={"airflow": f"{airflow_cfm} cfm", **handler})
        told = assess(surveyed, still(12.0) | (readings or {}))
        return "airflow_too_low" in {each.code for each in told.cautions}

    return of


@pytest.mark.parametrize(
    ("cfm_per_ton", "expected"),
    [
        (LEAST_CFM_PER_TON - 5.0, True),
        (LEAST_CFM_PER_TON + 5.0, False),
        (REFERENCE["cfm400"], False),
        # The mean of 27 measured systems, Parker et al. (1997): most of them starve their coil.
        (REFERENCE["fsec_mean"], True),
    ],
)
def test_less_than_the_least_airflow_per_ton_is_told(
    cfm_per_ton: float, expected: bool, warned: Callable[..., bool]
) -> None:
    assert warned(cfm_per_ton * TONS, cooling_capacity=f"{TONS} tons") is expected


def test_without_a_capacity_nobody_can_tell(warned: Callable[..., bool]) -> None:
    assert not warned(250.0 * TONS)


@pytest.mark.parametrize(("read_cfm", "surveyed_cfm", "expected"), [(900, 1200, True), (1200, 900, False)])
def test_airflow_that_is_read_while_cooling_runs_goes_before_the_survey(
    read_cfm: float, surveyed_cfm: float, expected: bool, warned: Callable[..., bool], series: Told
) -> None:
    hours = np.arange(0.0, 12.0, 0.1)
    cools = (hours % 2.0) < 1.0
    # Circulating at a low speed between the calls starves no coil.
    airflow = np.where(cools, read_cfm, 500.0) * M3H_PER_CFM + 5.0 * (np.arange(hours.size) % 3)
    readings = {
        "cooling.running": series(hours, cools.astype(np.float64)),
        "fan.running": series([-1.0, 12.0], 1.0),
        "duct.airflow": series(hours, airflow),
    }
    assert warned(surveyed_cfm, readings, cooling_capacity=f"{TONS} tons") is expected
