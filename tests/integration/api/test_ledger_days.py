"""The ledger of past days over HTTP."""

import pytest

from moteledger.engine.assessment import LedgerDay
from moteledger.engine.day_books import DAY_KIND

DAY_US = 86_400_000_000


@pytest.fixture
def three_days(service):
    masses = {"generated_mg": 2.0, "filtered_mg": 1.5, "settled_mg": 1.0, "carried_out_mg": 0.25, "stored_mg": 0.25}
    days = [LedgerDay(day=f"2026-01-0{n}", entered_mg=float(n), **masses) for n in (1, 2, 3)]
    service.store.keep_snapshots(DAY_KIND, {day.day.toordinal() * DAY_US: day.model_dump_json() for day in days})
    return service


@pytest.mark.parametrize(
    ("query", "days", "entered_mg"),
    [("", "123", 6.0), ("?from=2026-01-02", "23", 5.0), ("?to=2026-01-02", "1", 1.0), ("?from=2027-01-01", "", 0.0)],
)
async def test_the_days_of_a_range_come_in_order_with_their_sum(three_days, query, days, entered_mg) -> None:
    answer = await (await three_days.get(f"/v1/ledger/days{query}")).json()
    assert [each["day"] for each in answer["days"]] == [f"2026-01-0{n}" for n in days]
    assert answer["total"]["entered_mg"] == entered_mg
    assert all(each["generated_mg"] == 2.0 for each in answer["days"])


@pytest.mark.parametrize(
    ("query", "told"),
    [
        ("from=2026-02-30", "from: '2026-02-30' is not a day; write it as 2026-01-31"),
        ("to=20260201", "to: '20260201' is not a day"),
        ("from=2026-01-02&to=2026-01-02", "from 2026-01-02 is not before to 2026-01-02"),
        ("days=3", "days is no parameter of this path; known are from, to"),
    ],
)
async def test_what_is_no_range_of_days_is_refused(three_days, query, told) -> None:
    answer = await three_days.get(f"/v1/ledger/days?{query}")
    assert answer.status == 400
    assert told in (await answer.json())["detail"]
