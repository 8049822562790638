"""Alarms: raised once and not before their time, ended with a margin, kept over restarts, silent where nothing is told.

The sequence of delay, hysteresis and acknowledgement is that of ANSI/ISA-18.2 (alarm systems; from memory): an
on-delay that starts anew at each return to normal, a dead band, an acknowledgement that ends with the alarm.
"""

import json
import math
import sqlite3
import threading
import time
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule
from pydantic import ValidationError

from moteledger.engine.alarm_watch import AlarmWatch, history
from moteledger.engine.alarms import Alarm, Phase, Sight, SilenceWatch, StoreWatch, stepped, watched_of
from moteledger.settings import AlarmRule, House
from moteledger.store import Reading, Store, StoreError, to_us

NOON = datetime(2026, 1, 31, 12, tzinfo=UTC)
MINUTE = timedelta(minutes=1)

RULES = """
name = "Wren House"
[house]
floor_area = "120 m2"
[filter]
merv = 11
final_drop = "125 Pa"
[[alarm]]
name = "static-high"
signal = "duct.static_pressure"
above = "150 Pa"
back = "10 Pa"
lasting = "10 min"
only_while_running = true
settle = "2 min"
"""
HOUSE = House.model_validate(tomllib.loads(RULES))
STATIC = next(watched for watched in watched_of(HOUSE) if watched.name == "static-high")


def sight(now: datetime, pressure_pa: float | None, running_since: datetime | None) -> Sight:
    latest = {} if pressure_pa is None else {STATIC.signal: Reading(to_us(now), str(STATIC.signal), pressure_pa)}
    return Sight(now, latest, running_since=running_since)


def looked(*pressures: float | None, start: Alarm | None = None, running: bool = True) -> Alarm:
    """The alarm after one look a minute."""
    alarm = start
    for minute, pressure in enumerate(pressures):
        since = NOON - timedelta(hours=1) if running else None
        alarm = stepped(STATIC, alarm, sight(NOON + minute * MINUTE, pressure, since))
    assert alarm is not None
    return alarm


def test_a_pressure_too_high_for_ten_minutes_is_told_and_not_before() -> None:
    assert looked(*[160.0] * 10).phase is Phase.PENDING
    raised = looked(*[160.0] * 11)
    assert raised.phase is Phase.RAISED
    assert raised.since == NOON + 10 * MINUTE
    assert "160 Pa" in raised.text
    assert "150 Pa" in raised.text


def test_one_look_back_in_order_starts_the_delay_anew() -> None:
    assert looked(*[160.0] * 9, 149.0, *[160.0] * 9).phase is Phase.PENDING


def test_a_value_at_the_limit_raises_it_once() -> None:
    pressures = [160.0] * 11 + [149.0, 151.0] * 20
    assert looked(*pressures).since == NOON + 10 * MINUTE
    assert looked(*pressures, 139.0).phase is Phase.CLEAR


@pytest.mark.parametrize("running", [True, False])
def test_a_pressure_says_nothing_while_the_fan_rests(running: bool) -> None:
    assert (looked(*[160.0] * 20, running=running).phase is Phase.RAISED) == running


def test_the_fan_is_given_time_to_come_up_to_speed() -> None:
    alarm = stepped(STATIC, None, sight(NOON, 160.0, NOON - MINUTE))
    assert alarm.phase is Phase.CLEAR
    assert stepped(STATIC, alarm, sight(NOON + MINUTE, 160.0, NOON - MINUTE)).phase is Phase.PENDING


def test_silence_neither_raises_nor_ends_an_alarm() -> None:
    assert looked(*[160.0] * 9, None, *[160.0] * 9).phase is Phase.PENDING
    assert looked(*[160.0] * 11, *[None] * 50).phase is Phase.RAISED


def test_a_filter_that_hardly_resists_is_missing_or_its_hose_is_off() -> None:
    opened = next(watched for watched in watched_of(HOUSE) if watched.name == "filter-open")
    alarm = None
    for minute in range(12):
        now = NOON + minute * MINUTE
        seen = {opened.signal: Reading(to_us(now), "filter.pressure_drop", 1.0)}
        alarm = stepped(opened, alarm, Sight(now, seen, running_since=NOON - MINUTE))
    assert alarm.phase is Phase.RAISED
    assert "hose" in alarm.title
    assert alarm.worth_a_drive


def test_a_sensor_that_stops_is_told_and_one_that_never_was_is_not(tmp_path: Path) -> None:
    clock = [NOON]
    with Store.open(tmp_path / "house.sqlite") as store:
        watch = AlarmWatch(watched_of(HOUSE), store, lambda: None, lambda: clock[0])
        store.append([Reading(to_us(NOON), "indoor.pm25", 5.0)])
        watch.look()
        assert watch.standing() == ()
        clock[0] += timedelta(hours=2)
        watch.look()
    (alarm,) = watch.standing()
    assert alarm.name == "silent-indoor-pm25"


def test_what_stands_and_what_is_pending_outlives_a_restart(tmp_path: Path) -> None:
    clock = [NOON]
    with Store.open(tmp_path / "house.sqlite") as store:

        def watch() -> AlarmWatch:
            return AlarmWatch(watched_of(HOUSE), store, lambda: None, lambda: clock[0])

        def minutes(watch: AlarmWatch, count: int) -> None:
            for _ in range(count):
                clock[0] += MINUTE
                now_us = to_us(clock[0])
                store.append([Reading(now_us, "fan.running", 1.0), Reading(now_us, "duct.static_pressure", 160.0)])
                watch.look()

        minutes(watch(), 7)
        second = watch()
        minutes(second, 7)
        (alarm,) = second.standing()
        assert alarm.name == "static-high"
        assert second.acknowledge("static-high") is not None
        third = watch()
        assert third.standing()[0].acknowledged is not None
        assert third.standing()[0].since == alarm.since
        assert [past.phase for past in history(store, 10)] == [Phase.RAISED, Phase.RAISED]
        assert third.acknowledge("none") is None


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('above = "150 Pa"\nbelow = "10 Pa"', "one limit"),
        ("", "one limit"),
        ('above = "150"', "unit"),
        ('above = "150 cfm"', "cfm"),
    ],
)
def test_a_rule_that_cannot_be_watched_is_refused(line: str, said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        AlarmRule.model_validate(tomllib.loads(f'name = "a"\nsignal = "duct.static_pressure"\n{line}'))


def test_a_name_that_every_house_has_already_is_refused() -> None:
    text = RULES.replace("static-high", "filter-due")
    with pytest.raises(ValidationError, match="taken"):
        House.model_validate(tomllib.loads(text))


class AnySequence(RuleBasedStateMachine):
    """Whatever comes: an alarm is raised only after its delay of unbroken sight, and ends only below the dead band."""

    @initialize()
    def begin(self) -> None:
        self.now, self.alarm = NOON, None
        self.beyond_since: datetime | None = None
        self.last: float | None = None

    @rule(pressure=st.one_of(st.none(), st.just(math.nan), st.floats(-500, 500)), after_s=st.integers(-600, 1200))
    def look(self, pressure: float | None, after_s: int) -> None:
        self.now += timedelta(seconds=after_s)
        before = self.alarm
        self.alarm = stepped(STATIC, before, sight(self.now, pressure, NOON - timedelta(days=1)))
        raised = before is not None and before.phase is Phase.RAISED
        beyond = pressure is not None and pressure > 150.0
        if not beyond:
            self.beyond_since = None
        elif self.beyond_since is None or self.now < self.beyond_since:
            self.beyond_since = self.now
        if not raised and self.alarm.phase is Phase.RAISED:
            assert self.beyond_since is not None
            assert self.now - self.beyond_since >= timedelta(minutes=10)
        if raised and self.alarm.phase is not Phase.RAISED:
            assert pressure is not None
            assert not pressure > 140.0

    @invariant()
    def never_of_the_future(self) -> None:
        assert self.alarm is None or self.alarm.since <= self.now


AnySequence.TestCase.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
TestAnySequence = AnySequence.TestCase


def set_read_only(store: Store, *, on: bool) -> None:
    # Within a transaction, as all other writing is, it could not be taken back.
    store._writer._connection.execute(f"PRAGMA query_only = {on:d}")


def test_a_store_that_may_not_be_written_is_told_until_it_has_been_for_a_minute(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("moteledger.store.writer.monotonic", lambda: monotonic[0])
    monotonic, clock = [0.0], [NOON]
    with Store.open(tmp_path / "house.sqlite") as store:
        watch = AlarmWatch([StoreWatch()], store, lambda: None, lambda: clock[0])
        watch.look()
        assert watch.standing() == ()
        set_read_only(store, on=True)
        with pytest.raises(StoreError, match="may not be written"):
            store.append([Reading(1, "indoor.pm25", 1.0)])
        watch.look()
        (alarm,) = watch.standing()
        assert "check the permissions" in alarm.text
        monotonic[0] += 3600.0
        watch.look()
        assert watch.standing(), "nothing was written since, so nobody knows better"
        set_read_only(store, on=False)
        watch.look()
        assert watch.standing(), "the last refusal is not a minute ago"
        monotonic[0] += 61.0
        watch.look()
        assert watch.standing() == ()


def test_what_is_wrong_with_the_request_is_no_trouble_of_the_store(tmp_path: Path) -> None:
    with Store.open(tmp_path / "house.sqlite") as store:
        with pytest.raises(StoreError):
            store.write(lambda connection: connection.execute("SELECT nothing FROM nowhere")).result()
        assert store.trouble() is None


def test_a_store_that_cannot_be_read_is_told_too(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "house.sqlite")
    watch = AlarmWatch([StoreWatch()], store, lambda: None, lambda: NOON)
    store.close()
    with pytest.raises(StoreError):
        watch.look()
    assert [alarm.name for alarm in watch.standing()] == ["store-not-written"]


def test_who_asks_what_stands_does_not_wait_for_the_disk(tmp_path: Path) -> None:
    with Store.open(tmp_path / "house.sqlite", lock_patience_s=60.0) as store:
        store.append([Reading(to_us(NOON - timedelta(hours=5)), "indoor.pm25", 5.0)])
        watch = AlarmWatch([SilenceWatch("indoor.pm25")], store, lambda: None, lambda: NOON)
        other = sqlite3.connect(store.path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        looking = threading.Thread(target=watch.look)
        looking.start()
        while looking.is_alive() and not watch.standing():
            time.sleep(0.005)
        assert looking.is_alive(), "it waits for the other program to let go of the store"
        assert [json.loads(text)["name"] for _, text in watch.unkept()] == ["silent-indoor-pm25"]
        other.execute("ROLLBACK")
        other.close()
        looking.join()
        assert watch.unkept() == []
        assert [alarm.name for alarm in history(store, 5)] == ["silent-indoor-pm25"]
