"""One comparison for all, of the example house and its six candidates, and one report, of the demo's house."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest

from moteledger.demo import HOUSE_FILE, SimulatedHouse
from moteledger.engine import Comparison, compare
from moteledger.engine.on_record import OnRecord
from moteledger.report import ClientReport, client_report, render_comparison, render_report_html
from moteledger.settings import Clock, House, Units, read_candidates, read_house
from moteledger.store import Series

EXAMPLES = Path(__file__).parents[3] / "config_examples"
END = datetime(2026, 3, 4, 18, 0, tzinfo=UTC)


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


@pytest.fixture(scope="session")
def demo_readings(by_signal: Callable[..., dict[str, Series]]) -> Callable[[float], dict[str, Series]]:
    """The last days of the demo's house up to one evening."""
    return lambda days: by_signal(SimulatedHouse().readings(END - timedelta(days=days), END))


@pytest.fixture(scope="session")
def demo_house() -> House:
    return read_house(HOUSE_FILE)


@pytest.fixture(scope="session")
def report(demo_house: House, demo_readings: Callable[[float], dict[str, Series]]) -> ClientReport:
    return client_report(
        demo_house, OnRecord(demo_readings(6.0)), made_on=date(2026, 3, 5), changed_on=date(2026, 3, 2)
    )


@pytest.fixture(scope="session")
def report_page(report: ClientReport, demo_house: House) -> Callable[[Units, Clock], str]:
    """The report's page for a house that writes in these units and by this clock."""

    @cache
    def render(units: Units, clock: Clock = Clock.H24) -> str:
        return render_report_html(report, demo_house.model_copy(update={"units": units, "clock": clock}))

    return render
