"""One comparison for all: the example house and its six candidates."""

from collections.abc import Callable
from datetime import date
from functools import cache
from pathlib import Path

import pytest

from moteledger.engine import Comparison, compare
from moteledger.report import render_comparison
from moteledger.settings import House, Units, read_candidates, read_house

EXAMPLES = Path(__file__).parents[3] / "config_examples"


@pytest.fixture(scope="session")
def house() -> House:
    return read_house(EXAMPLES / "heron_lane.toml")


@pytest.fixture(scope="session")
def comparison(house: House) -> Comparison:
    return compare(house, read_candidates(EXAMPLES / "heron_lane_candidates.toml"))


@pytest.fixture(scope="session")
def page(house: House, comparison: Comparison) -> Callable[[Units], str]:
    @cache
    def render(units: Units = Units.INCH_POUND) -> str:
        return render_comparison(comparison, house.model_copy(update={"units": units}), made_on=date(2026, 3, 4))

    return render
