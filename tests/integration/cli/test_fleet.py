"""Many houses at once: the order, the table, and a house that cannot be assessed stops no other."""

import json
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

from moteledger.cli.fleet import Fleet, FleetHouse, fleet_table, look_at
from moteledger.engine import Engine, assess
from moteledger.engine.assessment import Verdict
from moteledger.engine.on_record import OnRecord
from moteledger.engine.service import SPAN
from moteledger.report import client_report
from moteledger.settings import read_house, read_round
from moteledger.store import Reading, Store, to_us

NOW = datetime(2026, 3, 3, tzinfo=UTC)
HOUSE = 'name = "{}"\n[house]\nfloor_area = "150 m2"\n'


def written(folder: Path) -> Path:
    """Four houses: a store, a recording, a broken house file, a missing store."""
    rng = random.Random(4)
    readings = [
        Reading(to_us(NOW) - (600 - n) * 60_000_000, name, value + rng.randrange(8) / 4)
        for n in range(600)
        for name, value in (("indoor.pm25", 7.0), ("outdoor.pm25", 15.0))
    ]
    with Store.open(folder / "rook.db") as store:
        store.append(readings)
    lines = [
        f"{NOW - timedelta(hours=80, minutes=-5 * n):%Y-%m-%dT%H:%M:%SZ},{6 + n % 3},{14 + n % 5}" for n in range(200)
    ]
    (folder / "wren.csv").write_text("\n".join(["time,indoor.pm25,outdoor.pm25", *lines]) + "\n")
    for name in ("Rook", "Wren", "Finch"):
        (folder / f"{name.lower()}.toml").write_text(HOUSE.format(name))
    (folder / "owl.toml").write_text('name = "Owl"\n')
    listed = folder / "round.toml"
    listed.write_text(
        '[[houses]]\nhouse = "owl.toml"\nstore = "owl.db"\n'
        '[[houses]]\nhouse = "finch.toml"\nstore = "finch.db"\n'
        '[[houses]]\nhouse = "rook.toml"\nstore = "rook.db"\n'
        '[[houses]]\nhouse = "wren.toml"\nrecording = "wren.csv"\n'
    )
    return listed


def test_each_house_is_a_line_and_one_that_fails_stops_no_other(tmp_path: Path) -> None:
    told: list[float] = []
    fleet = look_at(read_round(written(tmp_path)), tmp_path, NOW, told.append)
    assert told == [0.0, 0.25, 0.5, 0.75, 1.0]
    assert {house.house: house.problem is None for house in fleet.houses} == {
        "Rook": True,
        "Wren": True,
        "Finch": False,
        "owl": False,
    }
    assert [house.problem is None for house in fleet.houses] == [True, True, False, False]
    lines = fleet_table(fleet).splitlines()
    assert len(lines) == 5
    assert " ".join(lines[0].split()) == "house delivery of expected drop / limit filter due alarms data"
    by_name = {line.split()[0]: line for line in lines}
    assert by_name["Rook"].endswith("0 h old") and by_name["Wren"].endswith("3 d old")
    assert "no such file; give the store" in by_name["Finch:"]
    assert "house: missing; add it" in by_name["owl:"]


def test_the_list_and_the_report_tell_the_filters_day_that_the_service_tells_by_all_its_days(tmp_path: Path) -> None:
    """The drop grew by a pascal a day and hardly any more in the last fortnight, which tells another day by itself."""
    (tmp_path / "rook.toml").write_text(
        HOUSE.format("Rook") + '[air_handler]\nairflow = "1000 m3/h"\n[filter]\nmerv = 13\nfinal_drop = "125 Pa"\n'
    )
    listed = tmp_path / "round.toml"
    listed.write_text('[[houses]]\nhouse = "rook.toml"\nstore = "rook.db"\n')
    days, house = 44, read_house(tmp_path / "rook.toml")
    quarters = range(96 * days)
    with Store.open(tmp_path / "rook.db") as store:
        store.append(
            [
                Reading(to_us(NOW) - (quarters[-1] - n) * 900_000_000, name, value)
                for n in quarters
                for name, value in (
                    ("indoor.pm25", 6.0 + n % 5 / 10),
                    ("outdoor.pm25", 8.0 + n % 7 / 10),
                    ("fan.running", float(n % 2 == 0)),
                    ("filter.pressure_drop", (60.0 + min(n / 96, 30.0) + n % 3 / 10) * (n % 2)),
                )
            ]
        )
        told = Engine(house, store, lambda: NOW).refresh()
        record = OnRecord.of(store, house, to_us(NOW) + 1, SPAN)
    assert told is not None
    assert told.filter.change_on is not None
    assert told.filter.change_on != assess(house, record.readings).filter.change_on
    (rook,) = look_at(read_round(listed), tmp_path, NOW, lambda share: None).houses
    assert rook.due_on == told.filter.change_on.isoformat()
    assert client_report(house, record, made_on=NOW.date()).assessment.filter == told.filter


def test_those_that_slipped_furthest_come_first() -> None:
    from moteledger.cli.fleet import _slipped

    houses = [
        FleetHouse(house="a", file="", verdict=Verdict.DELIVERS, share_of_expected=0.9),
        FleetHouse(house="b", file="", problem="no data"),
        FleetHouse(house="c", file="", verdict=Verdict.SHORT, share_of_expected=0.7),
        FleetHouse(house="d", file="", verdict=Verdict.CANNOT_TELL),
        FleetHouse(house="e", file="", verdict=Verdict.SHORT, share_of_expected=0.3),
        FleetHouse(house="f", file="", verdict=Verdict.DELIVERS, share_of_expected=1.2),
    ]
    assert "".join(house.house for house in sorted(houses, key=_slipped)) == "ecdafb"
    assert "30 %" in fleet_table(Fleet(time="", houses=houses))


def test_an_alarm_that_is_worth_a_drive_is_told() -> None:
    house = FleetHouse(house="a", file="", alarms=("filter-open", "filter-due"), worth_a_drive=True)
    assert "2, worth a drive" in fleet_table(Fleet(time="", houses=[house]))


def test_the_command_fails_only_if_every_house_does(tmp_path: Path, run_all) -> None:
    listed, alone, out = written(tmp_path), tmp_path / "alone.toml", tmp_path / "out.json"
    alone.write_text('[[houses]]\nhouse = "owl.toml"\nstore = "owl.db"\n')
    (tmp_path / "both.toml").write_text('[[houses]]\nhouse = "owl.toml"\n')
    done = run_all(
        {
            "all": ("fleet", "--round", listed, "--json", out),
            "none": ("fleet", "--round", alone),
            "wrong": ("fleet", "--round", tmp_path / "both.toml"),
            "backup": ("backup", "--store", tmp_path / "rook.db", tmp_path / "copy.db"),
            "again": ("backup", "--store", tmp_path / "rook.db", tmp_path / "copy.db"),
            "check": ("check", "--store", tmp_path / "copy.db"),
            "damaged": ("check", "--store", listed),
            "bench": ("bench", "no-such-row"),
        }
    )
    assert {name: each.returncode for name, each in done.items()} == {
        "all": 0,
        "none": 1,
        "wrong": 1,
        "backup": 0,
        "again": 1,
        "check": 0,
        "damaged": 1,
        "bench": 2,
    }
    assert done["all"].stderr == ""
    document = json.loads(out.read_text())
    assert sorted(house["house"] for house in document["houses"]) == ["Finch", "Rook", "Wren", "owl"]
    assert "give either the store or a recording" in done["wrong"].stderr
    assert "a verified backup of" in done["backup"].stdout
    assert "exists already" in done["again"].stderr
    assert ": sound, " in done["check"].stdout
    assert "house-year" in done["bench"].stderr
