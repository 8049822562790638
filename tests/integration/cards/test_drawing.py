"""Marks stand where their numbers say, also on days of 23 and 25 hours and for numbers from the ends of the range."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moteledger.cards.drawing import Scale, area_path, day_rows, line_path, scale_over, stack, strip
from moteledger.cards.figures import written
from moteledger.engine.assessment import Known
from moteledger.settings import Units


@given(st.lists(st.one_of(st.none(), st.floats(allow_nan=False, allow_infinity=False)), max_size=5))
def test_a_scale_holds_every_value_that_is_not_negative(values: list[float | None]) -> None:
    scale = scale_over(values)
    assert scale.top > 0.0
    assert all(value <= scale.top or scale.top == 1.0 for value in values if value is not None)
    assert all(0.0 <= scale.percent(value) <= 100.0 for value in values if value is not None)


def test_a_scale_is_lettered_in_the_unit_that_the_house_speaks() -> None:
    """0.45 in. w.c. of 249.0889 Pa each (NIST SP 811, appendix B.9) lie under a scale up to 0.5 in. w.c."""
    scale = scale_over([0.45 * 249.0889], 249.0889, "in. w.c.")
    assert [tick.label for tick in scale.ticks] == ["0", "0.25", "0.5 in. w.c."]
    assert scale.percent(0.45 * 249.0889) == pytest.approx(90.0)


def test_a_strip_stands_at_its_value_and_its_range() -> None:
    drawn = strip(written(Known(value=8, low=6, high=11, unit="ug/m3"), Units.SI), Scale(20.0))
    assert drawn is not None
    assert (drawn.value, drawn.low, drawn.high, drawn.width, drawn.has_range) == (40.0, 30.0, 55.0, 25.0, True)


@given(st.lists(st.floats(0.0, 1e9), min_size=1, max_size=5))
def test_the_parts_of_a_column_fill_it_and_stay_in_it(masses: list[float]) -> None:
    parts = stack([(str(place), mass) for place, mass in enumerate(masses)], sum(masses), 100.0)
    assert all(part.y >= 0.0 and part.y + part.height <= 100.02 for part in parts)
    if sum(masses) > 1.0:
        assert sum(part.height for part in parts) == pytest.approx(100.0, abs=0.05)


@pytest.mark.parametrize(
    ("day", "hours", "noon"),
    [
        (date(2025, 3, 30), 23, 11 / 23),
        (date(2025, 10, 26), 25, 13 / 25),
        (date(2025, 6, 1), 24, 0.5),
    ],
)
def test_days_on_which_clocks_change_are_drawn_at_their_true_length(day: date, hours: int, noon: float) -> None:
    """Clock changes of the Europe/Vienna zone in 2025 as in the IANA time zone database: 30 March and 26 October."""
    zone = ZoneInfo("Europe/Vienna")
    start = datetime(day.year, day.month, day.day, tzinfo=zone)
    (row,) = day_rows([(start, start.astimezone(UTC) + timedelta(hours=1))], start, start + timedelta(days=1), zone)
    assert row.bands[0].width == pytest.approx(100.0 / hours, abs=0.01)
    assert next(mark.at for mark in row.hours if mark.label == "12") == pytest.approx(100.0 * noon, abs=0.01)
    assert row.outside == ()


def test_a_plan_over_midnight_stands_in_two_rows_and_leaves_open_what_lies_outside_it() -> None:
    start = datetime(2025, 3, 11, 18, tzinfo=UTC)
    span = (start + timedelta(hours=4), start + timedelta(hours=8))
    first, second = day_rows([span], start, start + timedelta(hours=12), ZoneInfo("UTC"))
    assert [(band.start, band.width) for band in first.bands] == [(pytest.approx(91.67), pytest.approx(8.33))]
    assert [(band.start, band.width) for band in second.bands] == [(0.0, pytest.approx(8.33))]
    assert first.outside[0].width == 75.0
    assert second.outside[0].start == 25.0
    assert first.now == 75.0
    assert second.now is None


def test_a_missing_value_breaks_a_line_and_a_band() -> None:
    path = line_path([(0.0, 1.0), (0.5, 2.0), (0.7, None), (1.0, 4.0)], 4.0)
    assert path == "M0.0 75.00h0L500.0 50.00M1000.0 0.00h0"
    band = area_path([(0.0, (1.0, 2.0)), (0.5, (1.0, 2.0)), (0.7, None), (1.0, (1.0, 2.0))], 4.0)
    assert band == "M0.0 50.00L500.0 50.00L500.0 75.00L0.0 75.00Z"
