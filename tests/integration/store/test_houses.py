"""The stores of many houses in one folder: what becomes of a file, of the folder, or of the system's limits."""

import os
import resource
import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moteledger.cli.collecting import stores_at_once
from moteledger.store import Reading, Store, StoreError, schema
from moteledger.store.houses import HouseStores

STATIC = "duct.static_pressure"


def take_away(file: Path) -> None:
    """Remove a store as the documentation says: with what lies beside it."""
    for suffix in ("", "-wal", "-shm"):
        file.with_name(file.name + suffix).unlink(missing_ok=True)


def keep(houses: HouseStores, house: str, reading: Reading) -> int:
    with houses.using(house) as store:
        return store.append([reading]).new


def kept_in(file: Path) -> list[float]:
    """What another program finds in the file."""
    with closing(sqlite3.connect(file)) as other:
        return [value for (value,) in other.execute("SELECT value FROM reading ORDER BY time")]


def test_what_is_kept_after_a_houses_file_was_taken_away_or_replaced_lies_in_the_file_that_is_there(tmp_path) -> None:
    # POSIX: a file that was unlinked or renamed takes what is written to it, and nobody finds it again.
    file, spare = tmp_path / "tern-cottage.sqlite", tmp_path / "spare"
    with Store.open(spare) as store:
        store.append([Reading(3, STATIC, 3.0)])
    with HouseStores(tmp_path, most_open=8) as houses:
        keep(houses, "tern-cottage", Reading(1, STATIC, 1.0))
        take_away(file)
        assert houses.ids() == ()
        keep(houses, "tern-cottage", Reading(2, STATIC, 2.0))
        assert kept_in(file) == [2.0]
        take_away(file)
        spare.replace(file)
        keep(houses, "tern-cottage", Reading(4, STATIC, 4.0))
        assert kept_in(file) == [3.0, 4.0]


def test_a_file_that_is_taken_away_while_it_is_opened_is_told_and_left(tmp_path, monkeypatch) -> None:
    file, migrate = tmp_path / "tern-cottage.sqlite", schema._migrate

    def slowly(connection: sqlite3.Connection) -> None:
        migrate(connection)
        take_away(file)

    with HouseStores(tmp_path, most_open=8) as houses:
        with monkeypatch.context() as meanwhile:
            meanwhile.setattr(schema, "_migrate", slowly)
            with pytest.raises(StoreError, match="cannot be found"):
                keep(houses, "tern-cottage", Reading(1, STATIC, 1.0))
        assert keep(houses, "tern-cottage", Reading(2, STATIC, 2.0)) == 1
        assert kept_in(file) == [2.0]


def test_a_folder_that_is_not_there_is_told_and_is_no_list_without_houses(tmp_path) -> None:
    folder, elsewhere = tmp_path / "houses", tmp_path / "elsewhere"
    folder.mkdir()
    with HouseStores(folder, most_open=8) as houses:
        keep(houses, "tern-cottage", Reading(1, STATIC, 1.0))
        folder.rename(elsewhere)
        with pytest.raises(StoreError, match="cannot be read"):
            houses.ids()
        with pytest.raises(StoreError, match="does not exist"):
            keep(houses, "tern-cottage", Reading(2, STATIC, 2.0))
        elsewhere.rename(folder)
        assert keep(houses, "tern-cottage", Reading(3, STATIC, 3.0)) == 1
        assert kept_in(folder / "tern-cottage.sqlite") == [1.0, 3.0]


def test_a_house_whose_file_another_program_holds_holds_up_no_other(tmp_path, monkeypatch) -> None:
    began, may_go, opened = threading.Event(), threading.Event(), Store.open

    def slow(path, **how):
        if path.name == "gull-row.sqlite":
            began.set()
            may_go.wait(30)
        return opened(path, **how)

    monkeypatch.setattr(Store, "open", slow)
    with HouseStores(tmp_path, most_open=8) as houses:
        waiting = threading.Thread(target=keep, args=(houses, "gull-row", Reading(1, STATIC, 1.0)))
        waiting.start()
        assert began.wait(30)
        other = threading.Thread(target=keep, args=(houses, "tern-cottage", Reading(1, STATIC, 1.0)), daemon=True)
        other.start()
        other.join(10)
        is_held_up = other.is_alive()
        may_go.set()
        waiting.join(30)
        other.join(30)
        assert not is_held_up


def open_stores(folder: Path) -> set[str]:
    """The houses whose files this process has open, as the system tells."""
    files = [link.readlink() for link in Path("/proc/self/fd").iterdir() if link.is_symlink()]
    return {file.name.partition(".")[0] for file in files if file.parent == folder}


@pytest.fixture
def few_files():
    """A limit of open files that leaves room for sixty more."""
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    # POSIX: a new file takes the lowest number that is free, and must find one below the limit.
    lowest = os.dup(0)
    os.close(lowest)
    resource.setrlimit(resource.RLIMIT_NOFILE, (lowest + 60, before[1]))
    yield
    resource.setrlimit(resource.RLIMIT_NOFILE, before)


def test_more_houses_than_there_is_room_for_open_files_are_kept_and_found_again(tmp_path, few_files) -> None:
    with HouseStores(tmp_path, most_open=4) as houses:
        for turn in (1, 2):
            for number in range(40):
                assert keep(houses, f"house-{number}", Reading(turn, STATIC, 1.0)) == 1
        assert len(houses.ids()) == 40
    assert all(kept_in(tmp_path / f"house-{number}.sqlite") == [1.0, 1.0] for number in range(40))


@given(turns=st.lists(st.integers(0, 5), max_size=12), most=st.integers(0, 3))
def test_the_stores_used_last_stay_open_and_no_more_than_were_asked_for(tmp_path_factory, turns, most) -> None:
    folder = tmp_path_factory.mktemp("houses")
    with HouseStores(folder, most_open=most) as houses:
        used: list[str] = []
        for number in turns:
            with houses.using(house := f"house-{number}") as store:
                store.keep_snapshot("heard", 0, "{}")
            used = [*(other for other in used if other != house), house]
        assert open_stores(folder) == set(used[len(used) - min(most, len(used)) :])


def test_a_store_in_use_is_not_closed_for_others(tmp_path) -> None:
    with HouseStores(tmp_path, most_open=1) as houses, houses.using("tern-cottage") as store:
        for number in range(3):
            keep(houses, f"house-{number}", Reading(1, STATIC, 1.0))
        assert store.append([Reading(1, STATIC, 1.0)]).new == 1
        with houses.using("tern-cottage") as again:
            assert again is store


def test_many_at_once_find_every_house_though_few_stores_stay_open(tmp_path) -> None:
    with HouseStores(tmp_path, most_open=2) as houses, ThreadPoolExecutor(8) as threads:
        turns = [(f"house-{n % 7}", Reading(n, STATIC, float(n))) for n in range(140)]
        assert sum(threads.map(lambda turn: keep(houses, *turn), turns)) == 140
        assert len(open_stores(tmp_path)) <= 2
    for house in range(7):
        assert kept_in(tmp_path / f"house-{house}.sqlite") == [float(n) for n in range(140) if n % 7 == house]


@given(files=st.integers(0, 2**40), connections=st.integers(1, 10_000))
def test_room_for_stores_is_left_by_connections_and_there_is_always_some(files, connections) -> None:
    most = stores_at_once(files, connections)
    assert 8 <= most <= 400
    assert most == 8 or most * 8 + connections <= files
