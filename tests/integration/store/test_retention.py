"""The figures of each hour against the readings they were made from; thinning takes readings and no figure."""

from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moteledger.store import Appended, Reading, Store, retention, tend
from moteledger.store.hours import HOUR_US

S = 1_000_000
DAY_US = 24 * HOUR_US
START_US = 1_767_225_600_000_000  # 2026-01-01T00:00Z, a whole day


@pytest.fixture
def store(tmp_path: Path):
    with Store.open(tmp_path / "house.sqlite") as opened:
        yield opened


def figures(store: Store, start_us: int, end_us: int, interval_us: int, signal: str = "indoor.pm25"):
    thinned = store.thinned(signal, start_us, end_us, interval_us)
    columns = (thinned.start_us, thinned.mean, thinned.low, thinned.high, thinned.count)
    return [column.tolist() for column in columns]


def raw_count(store: Store) -> int:
    with store.read() as reader:
        return int(reader.execute("SELECT count(*) FROM reading").fetchone()[0])


# Quarters have exact sums, so that the means may be compared without a tolerance.
spans = st.integers(-2 * DAY_US // S, 3 * DAY_US // S)
some_readings = st.lists(
    st.builds(lambda at, value: Reading(at * S, "indoor.pm25", value / 4), spans, st.integers(0, 400)),
    min_size=1,
    max_size=60,
)


@settings(max_examples=40)
@given(
    early=some_readings,
    late=some_readings,
    start=spans,
    length=st.integers(1, 4 * DAY_US // S),
    interval=st.sampled_from([900, 3600, 7200, 86_400]),
    tended=st.integers(-2 * DAY_US // S, 4 * DAY_US // S),
)
def test_intervals_are_those_of_the_readings_whether_rolled_up_late_or_not(
    tmp_path_factory: pytest.TempPathFactory, early, late, start: int, length: int, interval: int, tended: int
) -> None:
    kept: dict[int, float] = {}
    for reading in (*early, *late):
        kept.setdefault(reading.time_us, reading.value)
    with Store.open(tmp_path_factory.mktemp("hours") / "house.sqlite") as store:
        for batch in (early, late):
            store.append(batch)
            tend(store, tended * S, None)
        store.append(late)
        expected = defaultdict(list)
        for at, value in kept.items():
            if start * S <= at < (start + length) * S:
                expected[at // (interval * S) * interval * S].append(value)
        found = figures(store, start * S, (start + length) * S, interval * S)
    starts = sorted(expected)
    assert found[0] == starts
    assert found[1] == pytest.approx([sum(expected[at]) / len(expected[at]) for at in starts], rel=1e-12)
    assert found[2:] == [[op(expected[at]) for at in starts] for op in (min, max, len)]


@pytest.fixture
def a_month(store: Store) -> Store:
    """Thirty days, a reading each ten minutes, and a fan that tells only when it switches, on random moments."""
    rng = np.random.default_rng(7)
    times = START_US + np.arange(30 * 144) * 600 * S
    values = (rng.integers(0, 99, times.size) / 4).tolist()
    store.append(Reading(at, "indoor.pm25", value) for at, value in zip(times.tolist(), values, strict=True))
    switched = np.sort(rng.choice(30 * 86_400, 900, replace=False))
    store.append(Reading(START_US + int(at) * S, "fan.running", float(n % 2 == 0)) for n, at in enumerate(switched))
    return store


def test_thinning_drops_old_readings_and_no_figure_of_an_hour_or_a_day(a_month: Store) -> None:
    end_us = START_US + 30 * DAY_US
    asked = [(START_US, end_us, step) for step in (HOUR_US, DAY_US)]
    before = [figures(a_month, *span) for span in asked]
    tended = tend(a_month, end_us, 10 * DAY_US)
    assert tended.thinned > 19 * 24
    assert len(a_month.series("indoor.pm25", START_US, START_US + 19 * DAY_US)) == 0
    assert len(a_month.series("indoor.pm25", START_US + 21 * DAY_US, end_us)) == 9 * 144
    assert [figures(a_month, *span) for span in asked] == before
    assert tend(a_month, end_us, 10 * DAY_US) == (0, 0), "nothing is left to do"


@pytest.mark.parametrize("interval_us", [HOUR_US, DAY_US, 30 * DAY_US])
def test_how_long_a_fan_ran_is_weighted_by_time_and_the_same_to_the_end_after_thinning(
    a_month: Store, interval_us: int
) -> None:
    end_us = START_US + 30 * DAY_US
    series = a_month.series("fan.running", START_US, end_us)
    # Second by second, by hand: each value stands until the next one.
    on = np.repeat(series.value, np.diff(series.time_us, append=end_us) // S)
    lead = int(series.time_us[0] - START_US) // S
    grid = (
        np.concatenate((np.full(lead, np.nan), on)).reshape(-1, min(interval_us, end_us - START_US) // S)
        if interval_us <= DAY_US
        else None
    )

    def shares() -> list[list[float]]:
        held = a_month.held("fan.running", START_US, end_us, interval_us, DAY_US)
        return [held.start_us.tolist(), held.mean.tolist(), held.known.tolist()]

    before = shares()
    if grid is not None:
        expected = np.array([np.nanmean(row) for row in grid if np.isfinite(row).any()])
        assert before[1] == pytest.approx(expected.tolist(), abs=1e-9)
    tend(a_month, end_us, 2 * DAY_US)
    assert raw_count(a_month) < 700
    after = shares()
    assert after[0] == before[0]
    assert after[1] == pytest.approx(before[1], abs=1e-9)
    assert after[2] == pytest.approx(before[2], abs=1e-9)


def test_a_state_that_nobody_repeats_is_not_known_for_ever(store: Store) -> None:
    store.append([Reading(START_US, "fan.running", 1.0)])
    held = store.held("fan.running", START_US, START_US + 4 * HOUR_US, HOUR_US, int(2.5 * HOUR_US))
    assert held.mean.tolist() == [1.0, 1.0, 1.0]
    assert held.known.tolist() == pytest.approx([1.0, 1.0, 0.5])
    assert len(store.held("fan.running", START_US - DAY_US, START_US, HOUR_US, DAY_US)) == 0
    assert len(store.held("window.open", START_US, START_US + DAY_US, HOUR_US, DAY_US)) == 0


def test_a_late_reading_counts_while_its_hour_has_readings_and_is_told_as_too_late_after(store: Store) -> None:
    first = [Reading(START_US + n * 600 * S, "indoor.pm25", 4.0) for n in range(6)]
    store.append(first)
    tend(store, START_US + HOUR_US, None)
    late = Reading(START_US + S, "indoor.pm25", 11.0)
    assert store.append([late]) == Appended(1)
    assert figures(store, START_US, START_US + HOUR_US, HOUR_US) == [[START_US], [5.0], [4.0], [11.0], [7]]
    newest = Reading(START_US + 9 * HOUR_US, "indoor.pm25", 1.0)
    store.append([newest])
    assert tend(store, START_US + 10 * HOUR_US, 2 * HOUR_US).thinned == 1
    again = store.append([*first, late, Reading(START_US + 2 * S, "indoor.pm25", 90.0), newest])
    assert again == Appended(repeated=1, too_late=8)
    assert figures(store, START_US, START_US + HOUR_US, HOUR_US) == [[START_US], [5.0], [4.0], [11.0], [7]]
    # An hour that never had a reading is not thinned: a backfill of older times is taken, once.
    old = [Reading(START_US - DAY_US + n * S, "indoor.pm25", 2.0) for n in range(5)]
    assert store.append(old) == Appended(5)
    tend(store, START_US + 10 * HOUR_US, 2 * HOUR_US)
    assert store.append(old) == Appended(too_late=5)


def test_a_clock_years_ahead_drops_nothing(a_month: Store) -> None:
    before = raw_count(a_month)
    assert tend(a_month, START_US + 5000 * DAY_US, 40 * DAY_US).thinned == 0
    assert raw_count(a_month) == before


def test_readings_that_such_a_clock_has_stamped_push_out_a_day_for_each_day_of_their_own(a_month: Store) -> None:
    before, ahead_us = raw_count(a_month), START_US + 5000 * DAY_US
    a_month.append([Reading(ahead_us + n * HOUR_US, "fan.power", 50.0) for n in range(12)])
    assert tend(a_month, ahead_us + DAY_US, 31 * DAY_US).thinned == 0
    assert raw_count(a_month) == before + 12


def test_tending_that_ends_half_way_goes_on_where_it_was(a_month: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    end_us = START_US + 30 * DAY_US
    before = figures(a_month, START_US, end_us, DAY_US)
    real, calls = retention.hours.thin, iter(range(3))

    def thin_three_times(*arguments: Any) -> int:
        if next(calls, None) is None:
            raise KeyError("pulled the plug")
        return real(*arguments)

    with monkeypatch.context() as patched, pytest.raises(KeyError, match="pulled the plug"):
        patched.setattr(retention.hours, "thin", thin_three_times)
        tend(a_month, end_us, DAY_US)
    assert raw_count(a_month) > 1000, "it ended half-way"
    assert figures(a_month, START_US, end_us, DAY_US) == before
    tend(a_month, end_us, DAY_US)
    assert raw_count(a_month) < 300
    assert figures(a_month, START_US, end_us, DAY_US) == before
