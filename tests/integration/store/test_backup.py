"""A backup of a store that is in use, and what is said of one that is hurt."""

import random
import shutil
import sqlite3
import threading
import time
from pathlib import Path

import pytest

from moteledger.store import Reading, Store, StoreError, back_up, problems_of, tend
from moteledger.store.hours import HOUR_US


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "house.sqlite"


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of two weeks of minutes, the oldest days thinned, with nothing wrong."""
    path, count = tmp_path_factory.mktemp("sound") / "house.sqlite", 20_000
    with Store.open(path) as store:
        store.append([Reading(n * 60_000_000, "indoor.pm25", float(n % 97)) for n in range(count)])
        tend(store, count * 60_000_000, 10 * 24 * HOUR_US)
        store.keep_snapshot("fan", 7, "{}")
    assert problems_of(path) == ()
    return path


@pytest.fixture
def filled(sound: Path, path: Path) -> Path:
    """A copy of that store, to be hurt."""
    return Path(shutil.copy(sound, path))


def test_a_backup_holds_all_of_one_moment_while_readings_go_on_coming(filled: Path) -> None:
    path, target = filled, filled.with_name("copy.sqlite")
    acknowledged = 0
    ended = threading.Event()

    with Store.open(path) as store:

        def intake() -> None:
            nonlocal acknowledged
            while not ended.is_set():
                # Two signals in a batch: half a batch would show in the copy.
                store.append([Reading(acknowledged, name, 1.0) for name in ("fan.running", "window.open")])
                acknowledged += 1

        thread = threading.Thread(target=intake)
        thread.start()
        try:
            while acknowledged < 20 and thread.is_alive():
                time.sleep(0.001)
            before = acknowledged
            size = back_up(path, target)
            after = acknowledged
        finally:
            ended.set()
            thread.join()
    assert size == target.stat().st_size
    assert sorted(each.name for each in path.parent.iterdir()) == ["copy.sqlite", "house.sqlite"]
    assert problems_of(target) == ()
    with Store.open(target) as copy:
        kept = [copy.series(name, 0, 2**62).time_us.tolist() for name in ("fan.running", "window.open")]
        assert kept[0] == kept[1] == list(range(len(kept[0])))
        assert before <= len(kept[0]) <= after + 1
        hours = copy.thinned("indoor.pm25", 0, 2**62, 2**62)
        assert hours.count.tolist() == [20_000]
        assert copy.latest_snapshot("fan") == (7, "{}")


def test_a_backup_overwrites_only_when_told_and_never_the_store(filled: Path) -> None:
    path, target = filled, filled.with_name("copy.sqlite")
    target.write_text("somebody's")
    with pytest.raises(StoreError, match="exists already; choose another file or add --overwrite"):
        back_up(path, target)
    assert target.read_text() == "somebody's"
    back_up(path, target, overwrite=True)
    assert problems_of(target) == ()
    with pytest.raises(StoreError, match="is the store itself"):
        back_up(path, path, overwrite=True)


def test_what_cannot_be_backed_up_leaves_nothing_behind(sound: Path, path: Path) -> None:
    other = path.with_name("other.sqlite")
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE dishes (name TEXT)")
    connection.close()
    target = path.with_name("copy.sqlite")
    for source, told in ((path, "no such file"), (other, "is a database of another program")):
        with pytest.raises(StoreError, match=told):
            back_up(source, target)
    shutil.copy(sound, path)
    with pytest.raises(StoreError, match="does not exist; create it"):
        back_up(path, path.parent / "nowhere" / "copy.sqlite")
    assert sorted(each.name for each in path.parent.iterdir()) == ["house.sqlite", "other.sqlite"]


def test_a_damaged_store_is_not_backed_up_as_if_it_were_sound(filled: Path) -> None:
    hurt(filled, random.Random(3), 40)
    target = filled.with_name("copy.sqlite")
    with pytest.raises(StoreError, match="damaged"):
        back_up(filled, target)
    assert not target.exists()


def hurt(path: Path, moments: random.Random, pages: int) -> None:
    """Overwrite pages from the second on with noise."""
    content = bytearray(path.read_bytes())
    for _ in range(pages):
        page = moments.randrange(1, len(content) // 4096)
        content[page * 4096 : (page + 1) * 4096] = moments.randbytes(4096)
    path.write_bytes(content)


@pytest.mark.parametrize("seed", range(5))
def test_a_damaged_store_gives_one_clear_error_wherever_it_is_hurt(filled: Path, seed: int) -> None:
    hurt(filled, random.Random(seed), 10)
    assert problems_of(filled) != ()
    try:
        with Store.open(filled) as store:
            store.series("indoor.pm25", 0, 2**62)
            store.thinned("indoor.pm25", 0, 2**62, HOUR_US)
    except StoreError as error:
        assert "is damaged" in error.problem
        assert "a backup in its place" in error.problem
        assert "\n" not in str(error)


def test_a_schema_that_is_no_text_is_damage_that_is_told(filled: Path) -> None:
    content = filled.read_bytes()
    at = content.index(b"CREATE TABLE reading") + len("CREATE T")
    filled.write_bytes(content[:at] + b"\xff\xfe" + content[at + 2 :])
    for look in (problems_of, Store.open):
        with pytest.raises(StoreError, match=r"is damaged \(its schema is no text\); stop the service"):
            look(filled)


def test_a_store_cut_short_is_refused_at_the_start(filled: Path) -> None:
    content = filled.read_bytes()
    filled.write_bytes(content[: len(content) // 2])
    with pytest.raises(StoreError, match=r"is damaged .*; stop the service, put the file aside and a backup"):
        Store.open(filled)
    assert problems_of(filled) != ()


@pytest.mark.parametrize(
    ("harm", "told"),
    [
        ("DELETE FROM signal", "8000 readings are no number or of no signal"),
        ("DELETE FROM hourly WHERE start = 360000000000", "1 hours have readings and neither figures nor the mark"),
        ("UPDATE hourly SET count = 3 WHERE start = 720000000000", "1 hours have figures that are not those"),
        ("UPDATE hourly SET total = total + 1 WHERE start = 720000000000", "1 hours have figures that are not those"),
        ("UPDATE hourly SET held = held + 1 WHERE start = 720000000000", "1 hours have figures that are not those"),
        ("UPDATE hourly SET first_value = 0.1 WHERE start = 720000000000", "1 hours have figures that are not those"),
        ("UPDATE hourly SET last_value = 0.1 WHERE start = 720000000000", "1 hours have figures that are not those"),
        ("UPDATE reading SET value = value + 1 WHERE time = 720000000000", "1 hours have figures that are not those"),
        ("UPDATE hourly SET total = 1e9, thinned = 1", "hours have figures that no readings can have"),
        ("UPDATE hourly SET thinned = 1 WHERE start >= 1188000000000", "thinned hours have readings still"),
        ("UPDATE snapshot SET document = 'x'", "the fan kept for 7 is no JSON"),
    ],
)
def test_tables_that_do_not_agree_are_told(filled: Path, harm: str, told: str) -> None:
    with sqlite3.connect(filled) as connection:
        connection.execute(harm)
    connection.close()
    found = problems_of(filled)
    assert any(told in problem or problem.startswith("row") for problem in found), found
