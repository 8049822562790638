"""Many houses at once: the order, the table, and a house that cannot be assessed stops no other."""

import json
import random
from datetime import UTC, datetime, timedelta
from pathlib import Path

from moteledger.cli.fleet import Fleet, FleetHouse, fleet_table, look_at
from moteledger.engine.assessment import Verdict
from moteledger.settings import read_round
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
