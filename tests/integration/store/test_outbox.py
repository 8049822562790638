"""The outbox: every new reading of a listed signal is in it, whoever brings it in, until exactly it is settled."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moteledger.store import Reading, Store, outbox, problems_of, tend
from moteledger.store.hours import HOUR_US

NOW_US = 1_767_225_600_000_000
LISTED = ("duct.static_pressure", "filter.pressure_drop")
SIGNALS = (*LISTED, "indoor.pm25")


@pytest.fixture
def store(tmp_path: Path):
    with Store.open(tmp_path / "house.sqlite") as store:
        yield store


def waiting(store: Store) -> list[Reading]:
    return outbox.first_waiting(store, 1000)


def test_a_house_that_forwards_nothing_has_nothing_waiting_and_no_trigger(store) -> None:
    store.append([Reading(NOW_US, LISTED[0], 1.0)])
    assert outbox.stop_forwarding(store) == 0
    assert waiting(store) == []
    with store.read() as reader:
        assert reader.execute("SELECT count(*) FROM sqlite_schema WHERE type = 'trigger'").fetchone() == (0,)


def test_what_came_before_is_not_sent_and_what_comes_after_is_oldest_first(store) -> None:
    store.append([Reading(NOW_US, LISTED[0], 1.0)])
    outbox.forward(store, LISTED, NOW_US)
    later = [Reading(NOW_US + n, LISTED[n % 2], float(n)) for n in (5, 3, -4, 1)]
    store.append([*later, Reading(NOW_US, "indoor.pm25", 1.0), Reading(NOW_US, LISTED[0], 1.0)])
    assert waiting(store) == sorted(later)
    assert outbox.settled_us(store) == NOW_US


def test_where_forwarding_begins_what_is_there_of_late_goes_too_and_only_then(store) -> None:
    store.append([Reading(NOW_US - n * HOUR_US, name, float(n)) for n in range(5) for name in SIGNALS])
    outbox.forward(store, LISTED[:1], NOW_US, history_us=2 * HOUR_US)
    first = [Reading(NOW_US - n * HOUR_US, LISTED[0], float(n)) for n in (2, 1, 0)]
    assert waiting(store) == first
    outbox.forward(store, LISTED, NOW_US, history_us=9 * HOUR_US)
    assert waiting(store) == first


def test_forwarding_that_begins_again_fills_the_gap_and_counts_from_then(store) -> None:
    outbox.forward(store, LISTED, NOW_US)
    outbox.stop_forwarding(store)
    missed = Reading(NOW_US + 1, LISTED[0], 1.0)
    store.append([missed])
    outbox.forward(store, LISTED, NOW_US + HOUR_US, history_us=2 * HOUR_US)
    assert waiting(store) == [missed]
    assert outbox.settled_us(store) == NOW_US + HOUR_US


def test_a_program_of_its_own_that_brings_readings_in_fills_it_too(store) -> None:
    outbox.forward(store, LISTED, NOW_US)
    with Store.open(store.path) as other:
        other.append([Reading(NOW_US, LISTED[0], 1.0)])
    assert len(waiting(store)) == 1


def test_settling_twice_or_by_two_takes_out_nothing_that_came_meanwhile(store) -> None:
    outbox.forward(store, LISTED, NOW_US)
    store.append([Reading(NOW_US + n, LISTED[0], 1.0) for n in range(5)])
    first, second = waiting(store), waiting(store)
    outbox.settle(store, first, {}, NOW_US)
    late = [Reading(NOW_US - n, LISTED[0], 2.0) for n in range(1, 4)]
    store.append(late)
    outbox.settle(store, second, {}, NOW_US)
    assert waiting(store) == sorted(late)


def test_what_is_refused_is_put_aside_with_its_reason_and_can_be_tried_again(store) -> None:
    outbox.forward(store, LISTED, NOW_US)
    readings = [Reading(NOW_US + n, LISTED[0], 1.0) for n in range(3)]
    store.append(readings)
    outbox.settle(store, readings[:1], {readings[1]: "is too much"}, NOW_US + 9)
    assert outbox.forwarding(store) == outbox.Forwarding(waiting=1, put_aside=1, settled_us=NOW_US + 9)
    outbox.try_again(store)
    assert waiting(store) == readings[1:]


def test_what_is_taken_off_the_list_is_sent_no_more_and_the_rest_goes_on_waiting(store) -> None:
    outbox.forward(store, SIGNALS, NOW_US)
    store.append([Reading(NOW_US, name, 1.0) for name in SIGNALS])
    outbox.forward(store, LISTED, NOW_US)
    store.append([Reading(NOW_US + 1, name, 1.0) for name in SIGNALS])
    assert {each.signal for each in waiting(store)} == set(LISTED)
    assert len(waiting(store)) == 4


def test_a_file_without_a_collector_ends_it_and_keeps_what_waits(store) -> None:
    outbox.forward(store, LISTED, NOW_US)
    store.append([Reading(NOW_US, LISTED[0], 1.0)])
    assert outbox.stop_forwarding(store) == 1
    store.append([Reading(NOW_US + 1, LISTED[0], 1.0)])
    assert len(waiting(store)) == 1


def test_a_store_that_forwards_already_is_not_written_to_when_it_opens_again(tmp_path) -> None:
    path = tmp_path / "house.sqlite"
    with Store.open(path) as store:
        outbox.forward(store, LISTED, NOW_US)
        with store.read() as reader:
            before = reader.execute("PRAGMA data_version").fetchone()
            outbox.forward(store, tuple(reversed(LISTED)), NOW_US + 5)
            assert reader.execute("PRAGMA data_version").fetchone() == before


def listed(store: Store) -> set[Reading]:
    """The readings of the listed signals that the house holds."""
    found = {name: store.series(name, 0, 2**62) for name in LISTED}
    return {
        Reading(time_us, name, value)
        for name, series in found.items()
        for time_us, value in zip(series.time_us.tolist(), series.value.tolist(), strict=True)
    }


steps = st.lists(
    st.one_of(
        st.tuples(
            st.just("append"), st.lists(st.tuples(st.integers(-300, 300), st.sampled_from(SIGNALS)), max_size=12)
        ),
        st.tuples(st.just("settle"), st.integers(1, 6)),
        st.tuples(st.just("refuse"), st.integers(1, 3)),
        st.tuples(st.just("again"), st.none()),
        st.tuples(st.just("tend"), st.integers(-300, 300)),
    ),
    max_size=14,
)


@settings(max_examples=15)
@given(steps)
def test_whatever_happens_each_new_listed_reading_is_waiting_settled_or_aside(tmp_path_factory, history) -> None:
    minute_us = HOUR_US // 60
    path = tmp_path_factory.mktemp("outbox") / "house.sqlite"
    taken_in: set[Reading] = set()
    settled: set[Reading] = set()
    with Store.open(path) as store:
        outbox.forward(store, LISTED, NOW_US)
        for number, (what, about) in enumerate(history):
            match what:
                case "append":
                    batch = [Reading(NOW_US + at * minute_us, name, float(number)) for at, name in about]
                    before = listed(store)
                    store.append(batch)
                    taken_in |= listed(store) - before
                case "settle":
                    done = outbox.first_waiting(store, about)
                    outbox.settle(store, done, {}, NOW_US)
                    settled.update(done)
                case "refuse":
                    outbox.settle(store, (), dict.fromkeys(outbox.first_waiting(store, about), "no"), NOW_US)
                case "again":
                    outbox.try_again(store)
                case "tend":
                    tend(store, NOW_US + 400 * minute_us, (700 - about) * minute_us)
        outbox.try_again(store)
        left = waiting(store)
    assert set(left) | settled == taken_in
    assert not set(left) & settled
    assert len(left) == len(set(left))
    assert problems_of(path) == ()
