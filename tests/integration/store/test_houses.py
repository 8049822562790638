"""The stores of many houses in one folder: what becomes of a file, of the folder, or of the system's limits."""

import os
import resource
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest

from moteledger.cli.collecting import allow_many_files
from moteledger.store import Reading, Store, StoreError
from moteledger.store.houses import HouseStores

STATIC = "duct.static_pressure"


def take_away(file: Path) -> None:
    """Remove a store as the documentation says: with what lies beside it."""
    for suffix in ("", "-wal", "-shm"):
        file.with_name(file.name + suffix).unlink(missing_ok=True)


def kept_in(file: Path) -> list[float]:
    """What another program finds in the file."""
    with closing(sqlite3.connect(file)) as other:
        return [value for (value,) in other.execute("SELECT value FROM reading ORDER BY time")]


def test_what_is_kept_after_a_houses_file_was_taken_away_or_replaced_lies_in_the_file_that_is_there(tmp_path) -> None:
    # POSIX: a file that was unlinked or renamed takes what is written to it, and nobody finds it again.
    file, spare = tmp_path / "tern-cottage.sqlite", tmp_path / "spare"
    with Store.open(spare) as store:
        store.append([Reading(3, STATIC, 3.0)])
    with HouseStores(tmp_path) as houses:
        houses.take("tern-cottage").append([Reading(1, STATIC, 1.0)])
        take_away(file)
        assert houses.ids() == ()
        houses.take("tern-cottage").append([Reading(2, STATIC, 2.0)])
        assert kept_in(file) == [2.0]
        take_away(file)
        spare.replace(file)
        houses.take("tern-cottage").append([Reading(4, STATIC, 4.0)])
        assert kept_in(file) == [3.0, 4.0]


def test_a_folder_that_is_not_there_is_told_and_is_no_list_without_houses(tmp_path) -> None:
    folder, elsewhere = tmp_path / "houses", tmp_path / "elsewhere"
    folder.mkdir()
    with HouseStores(folder) as houses:
        houses.take("tern-cottage").append([Reading(1, STATIC, 1.0)])
        folder.rename(elsewhere)
        with pytest.raises(StoreError, match="cannot be read"):
            houses.ids()
        with pytest.raises(StoreError, match="does not exist"):
            houses.take("tern-cottage").append([Reading(2, STATIC, 2.0)])
        elsewhere.rename(folder)
        assert houses.take("tern-cottage").append([Reading(3, STATIC, 3.0)]).new == 1
        assert houses.take("tern-cottage").series(STATIC, 0, 9).value.tolist() == [1.0, 3.0]


def test_a_house_whose_file_another_program_holds_holds_up_no_other(tmp_path, monkeypatch) -> None:
    began, may_go, opened = threading.Event(), threading.Event(), Store.open

    def slow(path, **how):
        if path.name == "gull-row.sqlite":
            began.set()
            may_go.wait(30)
        return opened(path, **how)

    monkeypatch.setattr(Store, "open", slow)
    with HouseStores(tmp_path) as houses:
        waiting = threading.Thread(target=houses.take, args=("gull-row",))
        waiting.start()
        assert began.wait(30)
        other = threading.Thread(target=houses.take, args=("tern-cottage",), daemon=True)
        other.start()
        other.join(10)
        is_held_up = other.is_alive()
        may_go.set()
        waiting.join(30)
        other.join(30)
        assert not is_held_up


def test_a_collector_keeps_more_houses_than_a_shells_limit_of_open_files_has_room_for(tmp_path) -> None:
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        # POSIX: a new file takes the lowest number that is free, and must find one below the limit.
        lowest = os.dup(0)
        os.close(lowest)
        resource.setrlimit(resource.RLIMIT_NOFILE, (lowest + 20, before[1]))
        with HouseStores(tmp_path) as houses:
            allow_many_files()
            for number in range(20):
                assert houses.take(f"house-{number}").append([Reading(1, STATIC, 1.0)]).new == 1
            assert len(houses.ids()) == 20
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
