"""The store against a plain dict, and against files, locks and disks that fail."""

import sqlite3
import subprocess
import sys
import threading
from collections import defaultdict
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from moteledger.store import Appended, Reading, Store, StoreError, from_us, newest_until, to_us
from moteledger.store import schema as store_schema
from moteledger.store.writer import Writer

NAMES = ("indoor.pm25", "outdoor.pm25", "fan.running")
EVER = (-(2**62), 2**62)

times_us = st.integers(-50, 50) | st.integers(1_700_000_000_000_000, 1_700_000_000_000_050)
values = st.sampled_from([0.0, 1.0, 2.5]) | st.floats(allow_nan=False, allow_infinity=False)
batches = st.lists(st.builds(Reading, times_us, st.sampled_from(NAMES), values), max_size=30)


@pytest.fixture
def store(tmp_path: Path):
    with Store.open(tmp_path / "house.sqlite") as opened:
        yield opened


class AStoreIsADictThatKeepsTheFirstValue(RuleBasedStateMachine):
    """Any sequence of appends, reads and reopenings agrees with a dict from (signal, time) to value."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.path = folder / "house.sqlite"
        self.store = Store.open(self.path)
        self.kept: dict[tuple[str, int], float] = {}

    def teardown(self) -> None:
        self.store.close()
        self.path.unlink()

    @rule(batch=batches)
    def append(self, batch: list[Reading]) -> None:
        expected = [0, 0, 0]
        for time_us, signal, value in batch:
            first = self.kept.get((signal, time_us))
            if first is None:
                self.kept[signal, time_us] = value
            expected[0 if first is None else 1 if first == value else 2] += 1
        assert self.store.append(batch) == Appended(*expected)

    @rule(batch=batches.filter(bool), bad=st.sampled_from([float("nan"), float("inf"), float("-inf")]))
    def append_with_one_bad_value(self, batch: list[Reading], bad: float) -> None:
        with pytest.raises(ValueError, match="not a value"):
            self.store.append([*batch, Reading(1, "indoor.pm25", bad)])

    @rule()
    def reopen(self) -> None:
        self.store.close()
        self.store = Store.open(self.path)

    @rule(signal=st.sampled_from(NAMES), start=times_us, end=times_us, limit=st.none() | st.integers(0, 5))
    def series(self, signal: str, start: int, end: int, limit: int | None) -> None:
        expected = sorted((t, v) for (s, t), v in self.kept.items() if s == signal and start <= t < end)[:limit]
        series = self.store.series(signal, start, end, limit=limit)
        assert list(zip(series.time_us.tolist(), series.value.tolist(), strict=True)) == expected

    @rule(signal=st.sampled_from(NAMES), start=times_us, end=times_us, interval=st.integers(1, 40))
    def thinned(self, signal: str, start: int, end: int, interval: int) -> None:
        buckets = defaultdict(list)
        for (s, t), v in self.kept.items():
            if s == signal and start <= t < end:
                buckets[t // interval * interval].append(v)
        thinned = self.store.thinned(signal, start, end, interval)
        assert thinned.start_us.tolist() == sorted(buckets)
        for i, start_us in enumerate(sorted(buckets)):
            inside = buckets[start_us]
            assert thinned.count[i] == len(inside)
            assert (thinned.low[i], thinned.high[i]) == (min(inside), max(inside))
            if max(map(abs, inside)) < 1e300:
                scale = max(map(abs, inside))
                assert thinned.mean[i] == pytest.approx(np.mean(inside), rel=1e-12, abs=1e-12 * scale)

    @invariant()
    def extent_and_latest(self) -> None:
        moments = [t for _, t in self.kept]
        assert self.store.extent() == ((min(moments), max(moments)) if moments else None)
        latest = {s: max(t for name, t in self.kept if name == s) for s, _ in self.kept}
        assert self.store.latest_all() == {s: Reading(t, s, self.kept[s, t]) for s, t in latest.items()}

    @precondition(lambda self: self.kept)
    @rule(signal=st.sampled_from(NAMES))
    def latest(self, signal: str) -> None:
        assert self.store.latest(signal) == self.store.latest_all().get(signal)


def test_any_sequence_of_calls_agrees_with_a_dict(tmp_path: Path) -> None:
    run_state_machine_as_test(
        lambda: AStoreIsADictThatKeepsTheFirstValue(tmp_path),
        settings=settings(max_examples=25, stateful_step_count=12, deadline=None),
    )


@given(
    moment=st.datetimes(
        min_value=datetime(1, 1, 3),
        max_value=datetime(9999, 12, 29),
        timezones=st.builds(timezone, st.timedeltas(timedelta(hours=-23), timedelta(hours=23))),
    )
)
def test_a_moment_survives_the_way_through_microseconds_exactly(moment: datetime) -> None:
    assert from_us(to_us(moment)) == moment


def test_microseconds_since_1970_are_those_of_posix_time() -> None:
    # POSIX.1-2017, section 4.16: 2001-09-09T01:46:40Z is 1,000,000,000 s since the Epoch.
    assert to_us(datetime(2001, 9, 9, 1, 46, 40, tzinfo=UTC)) == 1_000_000_000_000_000
    with pytest.raises(ValueError, match="has no time zone"):
        to_us(datetime(2001, 9, 9))


def test_a_batch_is_kept_whole_or_not_at_all(store: Store) -> None:
    good = [Reading(i, "indoor.pm25", 1.0) for i in range(10)]
    for bad, problem in (
        (Reading(99, "indoor.pm25", float("nan")), ValueError),
        (Reading(2**63, "x", 1.0), ValueError),
    ):
        with pytest.raises(problem):
            store.append([*good, bad])
    with pytest.raises(UnicodeEncodeError):
        store.append([*good, Reading(1, "lone \ud800 surrogate", 1.0)])
    assert store.extent() is None
    assert store.append(good) == Appended(10)


def test_the_first_value_stays_also_within_one_batch(store: Store) -> None:
    batch = [Reading(5, "indoor.pm25", 2.0), Reading(5, "indoor.pm25", 1.0), Reading(5, "indoor.pm25", 2.0)]
    assert store.append(batch) == Appended(new=1, repeated=1, differing=1)
    assert store.latest("indoor.pm25") == Reading(5, "indoor.pm25", 2.0)


def test_numpy_numbers_are_kept_as_numbers(store: Store) -> None:
    store.append([Reading(np.int64(7), "indoor.pm25", np.float64(1.5))])  # type: ignore[arg-type]
    assert store.latest("indoor.pm25") == Reading(7, "indoor.pm25", 1.5)
    with pytest.raises(TypeError):
        store.append([Reading(7.5, "indoor.pm25", 1.0)])  # type: ignore[arg-type]


def test_an_interval_of_nothing_is_refused(store: Store) -> None:
    with pytest.raises(ValueError, match="positive"):
        store.thinned("indoor.pm25", *EVER, 0)


def test_many_threads_write_and_read_at_once_and_nothing_is_lost_or_torn(store: Store) -> None:
    def write(offset: int) -> None:
        for i in range(40):
            store.append([Reading(offset * 1000 + i, name, float(i)) for name in NAMES])

    torn = []
    done = threading.Event()

    def read() -> None:
        while not done.is_set():
            # Every batch holds one reading of each signal: a reader that saw half a batch would count unequally.
            counts = [len(store.series(name, *EVER)) for name in reversed(NAMES)]
            if counts != sorted(counts):
                torn.append(counts)

    writers = [threading.Thread(target=write, args=(i,)) for i in range(6)]
    reader = threading.Thread(target=read)
    for thread in (reader, *writers):
        thread.start()
    try:
        for thread in writers:
            thread.join()
    finally:
        done.set()
        reader.join()
    assert [len(store.series(name, *EVER)) for name in NAMES] == [240, 240, 240]
    assert torn == []


def test_work_that_fails_does_not_take_its_neighbours_in_the_group_with_it(store: Store) -> None:
    futures = [store.append_soon([Reading(i, "indoor.pm25" if i != 20 else "\ud800", 1.0)]) for i in range(50)]
    kept = [i for i, future in enumerate(futures) if future.exception() is None]
    assert kept == [i for i in range(50) if i != 20]
    assert store.series("indoor.pm25", *EVER).time_us.tolist() == kept


def test_what_a_clock_that_was_ahead_has_stamped_hides_nothing_that_came_since(store: Store) -> None:
    ahead, now = 10**15, 10**12
    store.append(
        [Reading(now - 5, "indoor.pm25", 1.0), Reading(ahead, "indoor.pm25", 2.0), Reading(ahead, "duct.airflow", 3.0)]
    )
    store.append([Reading(ahead, "outdoor.pm25_forecast", 4.0), Reading(now - 5, "outdoor.pm25_forecast", 5.0)])
    assert {name: reading.value for name, reading in newest_until(store, now).items()} == {
        "indoor.pm25": 1.0,
        "duct.airflow": 3.0,
        "outdoor.pm25_forecast": 4.0,
    }


@pytest.mark.parametrize("replaced", [False, True])
def test_a_file_that_is_taken_away_is_told_and_nothing_is_acknowledged_until_it_is_back(
    tmp_path: Path, replaced: bool
) -> None:
    path = tmp_path / "house.sqlite"
    with Store.open(path) as store:
        store.append([Reading(1, "indoor.pm25", 1.0)])
        path.rename(tmp_path / "away.sqlite")
        if replaced:
            path.write_bytes(b"")
        with pytest.raises(StoreError, match="removed or replaced"):
            store.append([Reading(2, "indoor.pm25", 2.0)])
        assert "removed or replaced" in str(store.trouble())
        (tmp_path / "away.sqlite").rename(path)
        store.append([Reading(3, "indoor.pm25", 3.0)])
    with Store.open(path) as store:
        assert store.series("indoor.pm25", 0, 10).value.tolist() == [1.0, 3.0]


def test_a_transaction_that_cannot_even_be_undone_leaves_nobody_waiting(tmp_path: Path) -> None:
    class Broken(sqlite3.Connection):
        def execute(self, statement: str, *bound: object) -> sqlite3.Cursor:
            if statement in ("COMMIT", "ROLLBACK"):
                raise sqlite3.OperationalError("disk I/O error")
            return super().execute(statement, *bound)

    connection = sqlite3.connect(tmp_path / "a.sqlite", factory=Broken, isolation_level=None, check_same_thread=False)
    writer = Writer(tmp_path / "a.sqlite", connection)
    for _ in range(2):
        with pytest.raises(StoreError):
            writer.submit(lambda connection: connection.execute("SELECT 1").fetchone()).result(60)
    writer.close()


def test_snapshots_keep_the_newest_and_drop_the_oldest(store: Store) -> None:
    assert store.latest_snapshot("assessment") is None
    for time_us in (10, 30, 20, 40):
        store.keep_snapshot("assessment", time_us, f'{{"at":{time_us}}}', newest=2)
    store.keep_snapshot("advice", 5, "{}")
    store.keep_snapshot("assessment", 40, '{"at":"40 again"}', newest=2)
    assert store.latest_snapshot("assessment") == (40, '{"at":"40 again"}')
    assert store.latest_snapshot("advice") == (5, "{}")
    connection = sqlite3.connect(store.path)
    assert connection.execute("SELECT time FROM snapshot WHERE kind = 'assessment'").fetchall() == [(30,), (40,)]
    connection.close()
    with pytest.raises(ValueError, match="at least 1"):
        store.keep_snapshot("advice", 6, "{}", newest=0)


def test_a_closed_store_says_so(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "house.sqlite")
    pending = [store.append_soon([Reading(i, "indoor.pm25", 1.0)]) for i in range(20)]
    store.close()
    store.close()
    assert [future.result() for future in pending] == [Appended(1)] * 20
    for call in (lambda: store.append([]), store.extent, lambda: store.keep_snapshot("a", 1, "{}")):
        with pytest.raises(StoreError, match="is closed; open it again"):
            call()


def refusal(path: Path, patience_s: float = 0.05) -> str:
    with pytest.raises(StoreError) as caught:
        Store.open(path, lock_patience_s=patience_s)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)
    return caught.value.problem


def test_files_that_are_no_store_are_told_apart_and_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("not a database, but long enough to have a header of its own\n" * 20)
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE dishes (name TEXT)")
    connection.close()
    for path, problem in (
        (text, "is not a store (no SQLite file); choose another file"),
        (other, "is a database of another program; choose another file"),
    ):
        before = path.read_bytes()
        assert refusal(path) == problem
        assert path.read_bytes() == before
    assert refusal(tmp_path) == "is a folder; name a file in it"
    assert refusal(tmp_path / "nowhere" / "a.sqlite").endswith("does not exist; create it")
    assert "cannot be opened or created" in refusal(Path("/proc/house.sqlite"))


def test_a_store_of_a_newer_version_is_refused_with_the_way_out(tmp_path: Path) -> None:
    path = tmp_path / "house.sqlite"
    Store.open(path).close()
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    known = len(store_schema.MIGRATIONS)
    assert refusal(path) == f"was written by a newer version (schema 99, this one knows {known}); upgrade moteledger"


def test_a_store_locked_by_another_program_is_told_on_opening_and_on_writing(tmp_path: Path) -> None:
    path = tmp_path / "house.sqlite"
    with Store.open(path, lock_patience_s=0.05) as store:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        assert refusal(path) == "is locked by another program; stop that program or choose another file"
        with pytest.raises(StoreError, match="is locked by another program"):
            store.append([Reading(1, "indoor.pm25", 1.0)])
        assert store.extent() is None, "reading goes on while another program writes"
        other.execute("ROLLBACK")
        other.close()
        assert store.append([Reading(1, "indoor.pm25", 1.0)]) == Appended(1)


def test_an_older_store_is_brought_up_to_date_and_keeps_its_readings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "house.sqlite"
    with Store.open(path) as store:
        store.append([Reading(1, "indoor.pm25", 1.0)])
    step = ("CREATE TABLE remark (time INTEGER) STRICT", "INSERT INTO remark VALUES (1)")
    broken = ("CREATE TABLE half (time INTEGER) STRICT", "INSERT INTO nowhere VALUES (1)")
    with monkeypatch.context() as patched:
        patched.setattr(store_schema, "MIGRATIONS", (*store_schema.MIGRATIONS, step, broken))
        assert "no such table" in refusal(path)
    with monkeypatch.context() as patched:
        patched.setattr(store_schema, "MIGRATIONS", (*store_schema.MIGRATIONS, step))
        for _ in range(2):
            with Store.open(path) as store:
                assert store.latest("indoor.pm25") == Reading(1, "indoor.pm25", 1.0)
        connection = sqlite3.connect(path)
        assert connection.execute("SELECT * FROM remark").fetchall() == [(1,)]
        connection.close()
    assert refusal(path).startswith(f"was written by a newer version (schema {len(store_schema.MIGRATIONS) + 1}")


FULL_DISK = """
import resource, signal, sys
from moteledger.store import Reading, Store, StoreError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
store = Store.open(sys.argv[1])
acknowledged = store.append([Reading(i, "indoor.pm25", 1.0) for i in range(100)]).new
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, resource.RLIM_INFINITY))
batch = [Reading(i, "outdoor.pm25", 1.0) for i in range(100_000)]
try:
    store.append(batch)
except StoreError as error:
    print(error.problem)
assert len(store.series("indoor.pm25", 0, 10**9)) == acknowledged
assert len(store.series("outdoor.pm25", 0, 10**9)) == 0
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
print(store.append(batch).new)
store.close()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are a matter of POSIX")
def test_a_disk_that_takes_no_more_is_told_and_forgotten_once_it_does_again(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(tmp_path / "house.sqlite")],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    told, recovered = done.stdout.splitlines()
    assert "disk" in told
    assert recovered == "100000"


def test_snapshots_after_a_moment_come_in_their_order(tmp_path: Path) -> None:
    with Store.open(tmp_path / "house.sqlite") as store:
        for time_us in (30, 10, 20):
            store.keep_snapshot("told", time_us, f'"{time_us}"')
        store.keep_snapshot("other", 25, '"25"')
        assert store.snapshots_after("told", 10) == [(20, '"20"'), (30, '"30"')]
        assert store.snapshots_after("told", 30) == []
