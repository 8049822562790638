"""The metrics as a general-purpose parser of OpenMetrics reads them."""

from datetime import UTC, datetime
from pathlib import Path

import pytest
from aiohttp.test_utils import TestClient, TestServer
from hypothesis import given
from hypothesis import strategies as st
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from moteledger.api import create_app
from moteledger.engine import Engine
from moteledger.metrics import Family, Sample, add_metrics, exposition
from moteledger.settings import Building, House
from moteledger.store import Store

NOW = datetime(2026, 1, 31, 14, 5, tzinfo=UTC)
HOUSE = House(name="Rook House", house=Building(floor_area="150 m2"))


@given(text=st.text(max_size=30).filter(lambda text: "\r" not in text), value=st.floats(allow_nan=False))
def test_any_label_and_any_number_come_through_the_parser_as_they_were(text: str, value: float) -> None:
    text = text.encode("utf-8", "ignore").decode()
    family = Family("a_seconds", "gauge", f"help {text}", (Sample(value, (("name", text),)),), "seconds")
    (read,) = text_string_to_metric_families(exposition([family]))
    assert (read.type, read.unit) == ("gauge", "seconds")
    assert [(sample.labels, sample.value) for sample in read.samples] == [({"name": text}, value)]


def test_nothing_to_tell_is_told_as_nothing() -> None:
    assert list(text_string_to_metric_families(exposition([]))) == []


async def test_the_service_tells_how_it_does_and_nothing_of_the_house(tmp_path: Path) -> None:
    with Store.open(tmp_path / "house.sqlite") as store:
        engine = Engine(HOUSE, store, lambda: NOW)
        app = create_app(store, engine, clock=lambda: NOW)
        add_metrics(app, engine)
        async with TestClient(TestServer(app)) as client:
            records = [
                {"time": "2026-01-31T14:04:00Z", "signal": "indoor.pm25", "value": 61.25},
                {"time": "2026-01-31T14:04:00Z", "signal": "room:Ada.pm25", "value": 62.5},
                {"time": "2026-01-31T14:04:00Z", "signal": "indoor.pm25", "value": -600},
            ]
            for _ in range(2):
                assert (await client.post("/v1/readings", json=records)).status == 200
            assert (await client.get("/nowhere")).status == 404
            engine.refresh()
            answer = await client.get("/metrics")
            text = await answer.text()
    assert answer.headers["Content-Type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
    samples = {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    assert samples["moteledger_readings_accepted_total", "http"] == 2
    assert samples["moteledger_readings_repeated_total", "http"] == 2
    assert samples["moteledger_records_refused_total", "http"] == 2
    assert samples["moteledger_signal_age_seconds", "indoor.pm25"] == pytest.approx(60.0)
    assert samples["moteledger_answers_total", "200"] == 2
    assert samples["moteledger_answers_total", "404"] == 1
    assert samples["moteledger_refreshes_total",] == 1
    assert 0 < samples["moteledger_refresh_duration_seconds",] < 60
    assert samples["moteledger_store_size_bytes",] > 4096
    for private in ("Rook", "Ada", "61.25", "62.5"):
        assert private not in text
