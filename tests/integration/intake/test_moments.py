"""Times against RFC 3339 and against the standard library's datetime."""

from datetime import datetime, timedelta, timezone

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from moteledger.intake import moment_us, moments_us, text_of
from moteledger.intake.moments import refuse_wrong_clock
from moteledger.store import to_us

zones = st.builds(timezone, st.integers(-23 * 60 - 59, 23 * 60 + 59).map(lambda m: timedelta(minutes=m)))
moments = st.datetimes(datetime(1990, 1, 1), datetime(2100, 12, 31), timezones=zones)


@pytest.mark.parametrize(
    ("written", "utc"),
    [
        # RFC 3339 section 5.8, examples 2 to 4 (the leap second is the second after it, as in POSIX time).
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1990-12-31T23:59:60Z", "1991-01-01T00:00:00Z"),
        ("1990-12-31T15:59:60-08:00", "1991-01-01T00:00:00Z"),
        # Section 5.6 and its notes: either case, a space for T, any number of decimals.
        ("2026-01-31t14:05:00z", "2026-01-31T14:05:00Z"),
        ("2026-01-31 14:05:00+00:20", "2026-01-31T13:45:00Z"),
        ("2026-01-31T14:05:00.52Z", "2026-01-31T14:05:00.520000Z"),
        ("2026-01-31T14:05:00.1234567890123Z", "2026-01-31T14:05:00.123456Z"),
        # Section 4.3: -00:00 is UTC with an unknown local offset.
        ("2026-01-31T14:05:00-00:00", "2026-01-31T14:05:00Z"),
        ("2024-02-29T23:59:59Z", "2024-02-29T23:59:59Z"),
    ],
)
def test_times_of_rfc_3339_are_understood(written: str, utc: str) -> None:
    assert text_of(moment_us(written)) == utc
    assert moments_us([written]).tolist() == [moment_us(written)]


@pytest.mark.parametrize(
    ("written", "told"),
    [
        ("2026-01-31T14:05:00", "'2026-01-31T14:05:00' has no time zone; end it with Z"),
        ("2026-02-30T14:05:00Z", "does not exist on calendar and clock"),
        ("2025-02-29T14:05:00Z", "does not exist"),
        ("2026-01-31T24:00:00Z", "does not exist"),
        ("2026-01-31T14:05:61Z", "does not exist"),
        ("2026-01-31T14:05:00+24:00", "does not exist"),
        ("2026-01-31T14:05:00+01:60", "does not exist"),
        ("0026-01-31T14:05:00Z", "is not between 1990 and 2100"),
        ("2026-01-31", "is not an RFC 3339 time; write it as 2026-01-31T14:05:00Z"),
        ("20260131T140500Z", "is not an RFC 3339 time"),
        ("2026-W05-6T14:05:00Z", "is not an RFC 3339 time"),
        ("31/01/2026 14:05", "is not an RFC 3339 time"),
        ("1769868300", "is not an RFC 3339 time"),
        ("2026-01-31T14:05:00,5Z", "is not an RFC 3339 time"),
        ("2026-01-31T14:05Z", "is not an RFC 3339 time"),
        ("\uff12026-01-31T14:05:00Z", "is not an RFC 3339 time"),
        ("2026-01-31T14:05:00Z\n", "is not an RFC 3339 time"),
        ("", "is not an RFC 3339 time"),
        ("x" * 1000, "... is not an RFC 3339 time"),
    ],
)
def test_anything_else_is_refused_with_value_and_fix(written: str, told: str) -> None:
    with pytest.raises(ValueError) as caught:
        moment_us(written)
    assert told in str(caught.value)
    assert len(str(caught.value)) < 200
    with pytest.raises(ValueError):
        moments_us(["2026-01-31T14:05:00Z", written])


@given(moment=moments)
def test_a_time_is_what_the_standard_library_reads(moment: datetime) -> None:
    assert moment_us(moment.isoformat()) == to_us(moment)
    assert to_us(datetime.fromisoformat(text_of(to_us(moment)))) == to_us(moment)


layouts = st.sampled_from(["auto", "seconds", "milliseconds", "microseconds"])


def test_times_of_several_lengths_whose_mean_is_one_of_them_are_told_apart() -> None:
    texts = ["2026-01-31T14:05:00Z", "2026-01-31T14:05:00.50Z", "2026-01-31T14:05:00.50000Z"]
    assert [len(text) for text in texts] == [20, 23, 26]
    assert moments_us(texts).tolist() == [moment_us(text) for text in texts]


@given(many=st.lists(st.tuples(moments, layouts), max_size=20))
def test_many_times_at_once_are_the_times_one_by_one(many: list[tuple[datetime, str]]) -> None:
    texts = [moment.isoformat(timespec=layout).replace("+00:00", "Z") for moment, layout in many]
    assert moments_us(texts).tolist() == [moment_us(text) for text in texts]


almost_times = st.from_regex(
    r"[12][09]\d\d-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d{1,8})?(Z|z|[+-]\d\d:\d\d)?", fullmatch=True
)


@given(texts=st.lists(almost_times | st.text(max_size=30), min_size=1, max_size=5))
@example(texts=["2026-01-31T14:05:00+01:00", "2026-01-31T14:05:00-01:00"])
@example(texts=["2026-01-31T14:05:00Z", "2026-01-31T14:05:00z", "2026-01-31T14:05:6µZ"])
def test_many_times_are_refused_exactly_if_one_of_them_is(texts: list[str]) -> None:
    try:
        expected = [moment_us(text) for text in texts]
    except ValueError:
        with pytest.raises(ValueError):
            moments_us(texts)
    else:
        assert moments_us(texts).tolist() == expected


@pytest.mark.parametrize(
    ("time", "now", "told"),
    [
        ("1989-12-31T23:59:59Z", "2026-01-31T14:05:00Z", "is before 1990"),
        ("2026-01-31T14:10:01Z", "2026-01-31T14:05:00Z", "is 301 s ahead of the clock here"),
        ("2101-01-01T00:00:00Z", "2101-01-01T00:00:00Z", "is after 2100"),
    ],
)
def test_what_only_a_wrong_clock_gives_is_refused_whichever_clock_it_is(time: str, now: str, told: str) -> None:
    time_us, now_us = (to_us(datetime.fromisoformat(text)) for text in (time, now))
    with pytest.raises(ValueError, match=told):
        refuse_wrong_clock(time_us, now_us)
    refuse_wrong_clock(to_us(datetime.fromisoformat("2026-01-31T14:05:00Z")), now_us)
