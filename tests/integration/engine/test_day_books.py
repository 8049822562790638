"""The ledger of a year by days, before and after the readings it was made from are dropped."""

from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from moteledger.engine.assessment import LedgerDay
from moteledger.engine.day_books import DAY_KIND, days_kept, keep_days, total_mg
from moteledger.settings import Building, House
from moteledger.store import Reading, Store, from_us, tend

DAY_US = 86_400_000_000
HOUSE = House(name="Rook House", house=Building(floor_area="150 m2"), time_zone="Etc/GMT+5")
START_US = 1_767_225_600_000_000 + 5 * 3_600_000_000  # midnight of 2026-01-01 at the house


def assessed(first_us: int, days: int, marked: float = 0.0) -> SimpleNamespace:
    """The part of an assessment that is kept: each day's masses tell which day it was and when it was reckoned."""
    by_day = []
    moment = from_us(first_us).astimezone(HOUSE.zone)
    for n in range(days + 1):
        day = (moment + timedelta(days=n)).date()
        mass = day.toordinal() / 8 + marked
        by_day.append(
            LedgerDay(
                day=day,
                entered_mg=mass,
                generated_mg=1.5,
                filtered_mg=mass,
                settled_mg=1.0,
                carried_out_mg=0.25,
                stored_mg=0.25,
            )
        )
    period = SimpleNamespace(start=from_us(first_us), end=from_us(first_us + days * DAY_US))
    return SimpleNamespace(period=period, ledger=SimpleNamespace(by_day=tuple(by_day)))


@pytest.fixture
def store(tmp_path: Path):
    with Store.open(tmp_path / "house.sqlite") as opened:
        yield opened


def test_only_days_that_are_covered_whole_are_kept_and_the_last_reckoning_stays(store: Store) -> None:
    half_day = DAY_US // 2
    assert keep_days(store, HOUSE, assessed(START_US + half_day, 14)) == 13
    days = days_kept(store)
    assert [day.day.isoformat() for day in (days[0], days[-1])] == ["2026-01-02", "2026-01-14"]
    assert keep_days(store, HOUSE, assessed(START_US + 3 * DAY_US + half_day, 14, marked=100.0)) == 13
    after = days_kept(store)
    assert after[:3] == days[:3], "a day that left the span stays as it was"
    assert after[3].entered_mg == days[3].entered_mg + 100.0


def test_the_ledger_of_a_year_is_the_same_to_the_last_digit_after_thinning(store: Store) -> None:
    hours = range(365 * 24)
    store.append([Reading(START_US + hour * DAY_US // 24, "indoor.pm25", hour % 50) for hour in hours])
    for first in range(0, 365 - 13, 7):
        keep_days(store, HOUSE, assessed(START_US + first * DAY_US, 14))
    before = days_kept(store)
    assert len(before) == 364
    tended = tend(store, START_US + 365 * DAY_US, 30 * DAY_US)
    assert tended.thinned > 330 * 24
    assert len(store.series("indoor.pm25", START_US, START_US + 334 * DAY_US)) == 0
    assert days_kept(store) == before
    totals = total_mg(days_kept(store))
    assert totals == total_mg(before)
    # By hand: the ordinals of 364 days in a row from 2026-01-01 (739617), an eighth of a milligram each.
    assert totals["entered_mg"] == 364 * (739_617 + 739_617 + 363) / 2 / 8
    assert totals["generated_mg"] == 364 * 1.5
    # An assessment's snapshot that comes later drops none of them.
    store.keep_snapshot("assessment", 1, "{}", newest=1)
    assert store.latest_snapshot(DAY_KIND) is not None and len(days_kept(store)) == 364
