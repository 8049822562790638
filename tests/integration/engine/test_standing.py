"""What a house tells of its air handler, the order of a contractor's round, and the alarm of a link that is down."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from moteledger.engine.alarms import Alarm, Phase, Sight, stepped
from moteledger.engine.assessment import Verdict
from moteledger.engine.link_watch import LinkWatch
from moteledger.engine.standing import AlarmTold, Client, Share, Standing, is_silent, slipped_first, standing_of
from moteledger.settings import Collector
from moteledger.store import StoreError, to_us

NOW = datetime(2026, 1, 31, 14, 5, tzinfo=UTC)


def alarm(name: str, signal: str | None) -> Alarm:
    return Alarm(
        name=name,
        phase=Phase.RAISED,
        since=NOW,
        title=name,
        text="",
        next_step="",
        worth_a_drive=False,
        signal=signal,
    )


def test_it_tells_delivery_filter_and_the_air_handlers_alarms_and_nothing_of_the_rooms(assessment) -> None:
    alarms = [
        alarm("drop", "filter.pressure_drop"),
        alarm("damp", "indoor.humidity"),
        alarm("short", None),
        alarm("wrong-tokens", None),
        alarm("store-not-written", None),
    ]
    told = standing_of("Mill Cottage", assessment, alarms, waiting=3, put_aside=1)
    assert [each.name for each in told.alarms] == ["drop", "short"]
    assert told.verdict is assessment.delivery.verdict
    assert told.share_of_expected == Share(value=0.9, low=0.8, high=1.0)
    assert told.drop_limit_pa == assessment.filter.drop_limit_pa
    text = told.model_dump_json()
    for private in ("indoor", "event", "ledger", "pm25"):
        assert private not in text
    assert Standing.model_validate_json(text) == told


def test_a_house_that_knows_nothing_yet_tells_so() -> None:
    told = standing_of("Mill Cottage", None, (), waiting=0, put_aside=0)
    assert (told.verdict, told.share_of_expected, told.change_on) == (None, None, None)


@pytest.mark.parametrize(
    "text",
    [
        '{"house": ""}',
        '{"house": "a", "share_of_expected": {"value": 1e308, "low": 0, "high": 1}}',
        '{"house": "a", "share_of_expected": {"value": NaN, "low": 0, "high": 1}}',
        '{"house": "a", "alarms": [{"name": "a", "title": "a", "since": "2026-01-31T14:05:00"}]}',
        '{"house": "a", "alarms": [{"name": "a", "title": "a", "since": "0001-01-01T00:00:00+14:00"}]}',
        '{"house": "a", "change_on": "soon"}',
        '{"house": "a", "waiting": -1}',
    ],
)
def test_what_could_not_be_shown_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="validation error"):
        Standing.model_validate_json(text)


def client(name: str, verdict: Verdict | None = None, share: float | None = None, **more: bool) -> Client:
    told = Standing(
        house=name,
        verdict=verdict,
        share_of_expected=None if share is None else Share(value=share, low=share, high=share),
        alarms=(AlarmTold(name="a", title="a", since=NOW, worth_a_drive=True),) if more.get("drive") else (),
    )
    return Client(id=name, last_heard=NOW, is_silent=more.get("silent", False), newest=(), standing=told)


def test_those_that_have_slipped_furthest_come_first_then_a_drive_then_silence() -> None:
    expected = [
        client("short-60", Verdict.SHORT, 0.6),
        client("short-70", Verdict.SHORT, 0.7, silent=True),
        client("drive", Verdict.DELIVERS, 0.9, drive=True),
        client("silent", Verdict.DELIVERS, 1.1, silent=True),
        client("a-good", Verdict.DELIVERS, 1.1),
        client("b-young", Verdict.CANNOT_TELL, 0.3),
        client("c-new"),
    ]
    for turned in (expected, expected[::-1], expected[3:] + expected[:3]):
        assert slipped_first(turned) == expected


def test_an_hour_without_a_word_is_silence() -> None:
    assert is_silent(None, NOW)
    assert is_silent(NOW - timedelta(hours=1, seconds=1), NOW)
    assert not is_silent(NOW - timedelta(hours=1), NOW)
    # Stamped ahead: by a little, two clocks differ; by a day, the clock was set back and the stamp tells nothing.
    assert not is_silent(NOW + timedelta(minutes=4), NOW)
    assert is_silent(NOW + timedelta(days=1), NOW)


def test_a_collector_out_of_reach_for_long_is_an_alarm_and_its_answer_ends_it() -> None:
    settings = Collector.model_validate(
        {"address": "https://office.example", "token": {"environment": "A"}, "alarm_after": "24 h"}
    )
    settled = [NOW - timedelta(hours=23)]
    watch = LinkWatch(settings, lambda: to_us(settled[0]))

    def look(before: Alarm | None, later: timedelta) -> Alarm:
        return stepped(watch, before, Sight(NOW + later, {}))

    first = look(None, timedelta(0))
    assert first.phase is Phase.CLEAR
    pending = look(first, timedelta(hours=2))
    assert pending.phase is Phase.PENDING, "a service that was off has its try first"
    raised = look(pending, timedelta(hours=2, minutes=11))
    assert raised.phase is Phase.RAISED
    assert "office.example last answered 2026-01-30 15:05 UTC" in raised.text

    def broken() -> int:
        raise StoreError(Path("house.sqlite"), "is damaged")

    unseen = stepped(LinkWatch(settings, broken), raised, Sight(NOW, {}))
    assert unseen.phase is Phase.RAISED, "a store that fails is an alarm of its own and ends no other"
    settled[0] = NOW + timedelta(hours=2, minutes=12)
    assert look(raised, timedelta(hours=2, minutes=13)).phase is Phase.CLEAR
