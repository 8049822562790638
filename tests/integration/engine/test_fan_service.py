"""Each refresh of the engine decides on the fan; without refreshes, readings or a store its answer runs out."""

from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from moteledger.engine import Engine
from moteledger.engine.fan_answer import ReasonCode
from moteledger.settings import House
from moteledger.store import Reading, Series, Store, from_us, to_us

Readings = dict[str, Series]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "house.sqlite") as opened:
        yield opened


class Clock:
    """A clock that is set by hand, and one beside it that nobody can set."""

    def __init__(self, time: datetime) -> None:
        self.time = time
        self.since_boot_s = 1000.0

    def __call__(self) -> datetime:
        return self.time

    def later(self, minutes: float) -> None:
        self.time += timedelta(minutes=minutes)
        self.since_boot_s += 60.0 * minutes


@pytest.fixture
def smoky(
    house: Callable[..., House], lived_in: Callable[..., Readings], store: Store
) -> Iterator[tuple[Engine, Clock]]:
    """A house whose target is out of reach, so that the fan is always asked for, at the end of its readings."""
    readings = lived_in(4, entry=0.35, loss=0.6, clean_air_per_h=3.0)
    for name, each in readings.items():
        store.append(
            [Reading(int(time_us), name, value) for time_us, value in zip(each.time_us, each.value, strict=True)]
        )
    clock = Clock(from_us(int(readings["indoor.pm25"].time_us[-1])))
    surveyed = house(targets={"pm25": "1 ug/m3"}, air_handler={"airflow": "1200 m3/h"})
    yield Engine(surveyed, store, clock, monotonic=lambda: clock.since_boot_s), clock


def test_before_the_first_refresh_the_fan_is_left(smoky: tuple[Engine, Clock]) -> None:
    engine, _ = smoky
    assert engine.fan.answer().action == "leave"


def test_a_refresh_decides_on_what_the_readings_say_and_its_answer_ends_with_them(
    smoky: tuple[Engine, Clock],
) -> None:
    engine, clock = smoky
    engine.refresh()
    answer = engine.fan.answer()
    assert (answer.action, answer.reason_code) == ("run", ReasonCode.PLANNED_RUN)
    assert answer.valid_until <= clock.time + timedelta(minutes=15)
    assert len(answer.expected_pm25_by_hour) == 48
    clock.time += timedelta(minutes=15)
    assert engine.fan.answer().reason_code == ReasonCode.LAPSED


def test_a_lost_sensor_is_not_acted_on_however_often_the_engine_refreshes(smoky: tuple[Engine, Clock]) -> None:
    engine, clock = smoky
    engine.refresh()
    clock.time += timedelta(minutes=16)
    engine.refresh()
    answer = engine.fan.answer()
    assert (answer.action, answer.reason_code) == ("leave", ReasonCode.STALE_DATA)
    assert "indoor.pm25" in answer.reason


def test_readings_that_only_a_clock_set_back_makes_new_are_as_old_as_they_are(smoky: tuple[Engine, Clock]) -> None:
    """By the clock the house's readings of two hours ago come in one by one; nothing has come in, in truth.

    The bound is arithmetic: what was last heard at nought minutes stands in for newer readings of indoor air for 15.
    """
    engine, clock = smoky
    engine.refresh()
    clock.time -= timedelta(hours=2)
    for minute in (1, 11, 14):
        clock.later(minute - (clock.since_boot_s - 1000.0) / 60.0)
        engine.refresh()
        answer = engine.fan.answer()
        assert answer.reason_code not in {ReasonCode.STALE_DATA, ReasonCode.LAPSED}
        assert answer.valid_until <= clock.time + timedelta(minutes=15 - minute)
    clock.later(1)
    engine.refresh()
    assert engine.fan.answer().reason_code == ReasonCode.STALE_DATA


def test_what_comes_in_after_the_clock_was_put_right_is_acted_on_again(
    smoky: tuple[Engine, Clock], store: Store
) -> None:
    engine, clock = smoky
    clock.time -= timedelta(hours=2)
    clock.later(16)
    engine.refresh()
    assert engine.fan.answer().reason_code == ReasonCode.STALE_DATA
    store.append([Reading(to_us(clock.time), name, 20.0) for name in ("indoor.pm25", "outdoor.pm25")])
    engine.refresh()
    assert engine.fan.answer().action == "run"


def test_the_plan_knows_what_the_fan_is_doing(smoky: tuple[Engine, Clock]) -> None:
    engine, _ = smoky
    assert not engine.fan.dwell().running_now
    engine.refresh()
    dwell = engine.fan.dwell()
    assert dwell.running_now
    assert 0.0 <= dwell.for_h < 0.1


def test_an_engine_that_fails_to_decide_lets_the_last_answer_run_out(
    smoky: tuple[Engine, Clock], monkeypatch: pytest.MonkeyPatch
) -> None:
    engine, clock = smoky
    engine.refresh()

    def fail(_: object) -> None:
        raise RuntimeError

    monkeypatch.setattr(engine.fan, "decide", fail)
    assert engine.refresh() is not None
    assert engine.fan.answer().action == "run"
    clock.time += timedelta(minutes=15)
    assert engine.fan.answer().action == "leave"
