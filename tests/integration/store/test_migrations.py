"""A file of any older version is brought up to date with all that it holds."""

import json
import sqlite3
from pathlib import Path

import pytest

from moteledger.store import Reading, Store, StoreError, tend
from moteledger.store.dead_letters import DeadLetter, DeadLetters
from moteledger.store.hours import HOUR_US
from moteledger.store.schema import MIGRATIONS
from moteledger.store.tokens import Scope, Tokens

NOW_US = 1_767_225_600_000_000


def older(path: Path, version: int) -> None:
    """A file as that version left it, with something in each of its tables."""
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("BEGIN")
    for statements in MIGRATIONS[:version]:
        for statement in statements:
            connection.execute(statement)
    connection.execute("INSERT INTO signal VALUES (3, 'indoor.pm25'), (4, 'outdoor.pm25')")
    rows = [(signal, NOW_US + n * 60_000_000, n / 4) for signal in (3, 4) for n in range(-90, 90)]
    connection.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
    connection.execute("INSERT INTO snapshot VALUES ('fan', 7, '{}')")
    if version >= 2:
        connection.execute(
            "INSERT INTO token (id, digest, label, scopes, created) VALUES ('ab12', x'00', 'tablet', 'view', 5)"
        )
    if version >= 3:
        connection.execute("INSERT INTO stale SELECT DISTINCT signal, time - time % 3600000000 FROM reading")
    connection.execute(f"PRAGMA user_version = {version}")
    connection.execute("COMMIT")
    connection.close()


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS) + 1))
def test_a_store_of_each_older_version_opens_with_all_it_held_and_works(tmp_path: Path, version: int) -> None:
    path = tmp_path / "house.sqlite"
    older(path, version)
    for _ in range(2):
        with Store.open(path) as store:
            series = store.series("outdoor.pm25", 0, 2**62)
            assert series.value.tolist() == [n / 4 for n in range(-90, 90)]
            assert store.latest_snapshot("fan") == (7, "{}")
            labels = [token.label for token in Tokens(store).all()]
            assert labels == (["tablet"] if version >= 2 else [])
    with Store.open(path) as store, store.read() as reader:
        assert reader.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
        assert reader.execute("PRAGMA foreign_key_check").fetchall() == []
        store.append([Reading(NOW_US - 1, "outdoor.pm25", 2.0)])
        Tokens(store).new("more", [Scope.VIEW], NOW_US)
        tend(store, NOW_US + 2 * HOUR_US, None)
        hours = store.thinned("outdoor.pm25", NOW_US - 2 * HOUR_US, NOW_US + 2 * HOUR_US, HOUR_US)
        assert hours.count.tolist() == [30, 61, 60, 30]


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS) + 1))
def test_readings_of_before_are_rolled_up_too(tmp_path: Path, version: int) -> None:
    path = tmp_path / "house.sqlite"
    older(path, version)
    with Store.open(path) as store:
        assert tend(store, NOW_US + 2 * HOUR_US, None).rolled_up == 8


def test_dead_letters_of_before_keep_what_they_told(tmp_path: Path) -> None:
    path = tmp_path / "house.sqlite"
    older(path, 5)
    connection = sqlite3.connect(path)
    letters = [{"webhook": "office", "status": 410, "id": each} for each in ("alarm-30", "fan-40", "alarm-99")]
    rows = [
        ("alarm", 30, '{"name": "filter-due"}'),
        ("fan_decision", 40, '{"action": "run"}'),
        *(("dead-letter", 100 + number, json.dumps(letter)) for number, letter in enumerate(letters)),
    ]
    connection.executemany("INSERT INTO snapshot VALUES (?, ?, ?)", rows)
    connection.commit()
    connection.close()
    with Store.open(path) as store:
        kept = DeadLetters(store).all()
        assert store.snapshots("dead-letter", newest=9) == []
    # What the history no longer holds cannot be sent again, and is let go.
    assert kept == (
        DeadLetter("office", "fan", 40, '{"action": "run"}', 410, 101),
        DeadLetter("office", "alarm", 30, '{"name": "filter-due"}', 410, 100),
    )


def test_a_file_of_a_newer_version_is_refused_and_left_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "house.sqlite"
    older(path, len(MIGRATIONS))
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 400")
    connection.commit()
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    connection.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="was written by a newer version"):
        Store.open(path)
    assert path.read_bytes() == before
