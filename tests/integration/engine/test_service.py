"""The engine as a service: it assesses what the store holds, keeps a copy, and lets the last good answer stand."""

import json
import logging
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from moteledger.engine import Engine
from moteledger.engine.service import SNAPSHOT, SPAN
from moteledger.settings import House
from moteledger.store import Reading, Series, Store, to_us

Houses = Callable[..., House]
Still = Callable[..., dict[str, Series]]


class Clock:
    """A clock that is set by hand."""

    def __init__(self) -> None:
        self.time = datetime(2026, 3, 2, 6, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.time


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "house.sqlite") as opened:
        yield opened


@pytest.fixture
def engine(house: Houses, store: Store, clock: Clock) -> Engine:
    return Engine(house(), store, clock)


def keep(store: Store, readings: dict[str, Series]) -> None:
    for name, series in readings.items():
        pairs = zip(series.time_us.tolist(), series.value.tolist(), strict=True)
        store.append([Reading(moment, name, value) for moment, value in pairs])


def test_while_nothing_is_known_there_is_no_assessment(engine: Engine) -> None:
    assert engine.current() is None
    assert engine.refresh() is None
    assert engine.current() is None


def test_a_refresh_assesses_what_has_come_in(engine: Engine, store: Store, still: Still) -> None:
    keep(store, still(6.0))
    told = engine.refresh()
    assert told is not None
    assert told is engine.current()
    assert told.period.end == datetime(2026, 3, 2, 6, tzinfo=UTC)


def test_a_copy_of_it_is_kept_in_the_store_under_the_time_it_speaks_of(
    engine: Engine, store: Store, still: Still
) -> None:
    keep(store, still(6.0))
    told = engine.refresh()
    kept = store.latest_snapshot(SNAPSHOT)
    assert told is not None
    assert kept is not None
    assert kept[0] == to_us(told.period.end)
    assert json.loads(kept[1]) == json.loads(told.model_dump_json())


def test_a_refresh_that_fails_lets_the_previous_assessment_stand(
    engine: Engine, store: Store, clock: Clock, still: Still, caplog: pytest.LogCaptureFixture
) -> None:
    keep(store, still(6.0))
    before = engine.refresh()
    # A month without a reading: nothing within the span can be assessed.
    clock.time += timedelta(days=30)
    with caplog.at_level(logging.WARNING):
        assert engine.refresh() is before
    assert engine.current() is before
    assert "no new assessment: indoor.pm25" in caplog.text


def test_a_store_that_is_gone_lets_the_previous_assessment_stand_too(
    engine: Engine, store: Store, still: Still, caplog: pytest.LogCaptureFixture
) -> None:
    keep(store, still(6.0))
    before = engine.refresh()
    store.close()
    assert engine.refresh() is before
    assert "is closed" in caplog.text


def test_a_fault_of_the_programs_own_is_logged_whole_and_ends_nothing(
    engine: Engine, store: Store, still: Still, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(store, still(6.0))
    before = engine.refresh()
    monkeypatch.setattr("moteledger.engine.service.assess", lambda *_, **__: 1 / 0)
    assert engine.refresh() is before
    assert "ZeroDivisionError" in caplog.text


def test_a_house_that_waits_for_its_first_hour_is_told_of_once(
    engine: Engine, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level(logging.WARNING):
        for _ in range(5):
            engine.refresh()
    assert caplog.text.count("no new assessment") == 1


def test_only_the_last_two_weeks_are_looked_at(engine: Engine, store: Store, clock: Clock, still: Still) -> None:
    keep(store, still(30 * 24.0))
    clock.time = datetime(2026, 3, 2, tzinfo=UTC) + timedelta(days=30)
    told = engine.refresh()
    assert told is not None
    assert told.period.end - told.period.start <= SPAN + timedelta(minutes=1)
    assert told.period.end == clock.time


def test_rooms_and_signals_of_a_later_version_do_no_harm(engine: Engine, store: Store, still: Still) -> None:
    keep(store, still(6.0))
    store.append([Reading(to_us(datetime(2026, 3, 2, 1, tzinfo=UTC)), "room:Attic.pm25", 9.0)])
    assert engine.refresh() is not None
