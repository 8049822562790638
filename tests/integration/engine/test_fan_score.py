"""What came of the fan's decisions, on readings of which the means are known beforehand."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from moteledger.engine.fan_answer import FanAnswer, ReasonCode
from moteledger.engine.fan_score import Score, score_of, scored
from moteledger.store import Series, to_us

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)


def answer(action: str, expected: tuple[float, ...] = ()) -> FanAnswer:
    return FanAnswer(
        action=action,
        reason_code=ReasonCode.PLANNED_RUN,
        reason="the air asks for it",
        since=NOON,
        valid_until=NOON + HOUR,
        confidence=0.9,
        expected_pm25_by_hour=expected,
    )


def reader(**signals: list[tuple[float, float]]):
    """Readings by signal as (hours after noon, value)."""

    def read(name: str, start_us: int, end_us: int) -> Series:
        rows = signals.get(name.replace(".", "_"), [])
        times = np.array([to_us(NOON + hours * HOUR) for hours, _ in rows], np.int64)
        within = (times >= start_us) & (times < end_us)
        return Series(times[within], np.array([value for _, value in rows])[within])

    return read


def test_each_decision_stands_until_the_next_one_and_the_last_until_now() -> None:
    decisions = [(NOON + HOUR, answer("rest")), (NOON, answer("run"))]
    told = scored(decisions, reader(), NOON + 3 * HOUR)
    assert [(each.time, each.outcome.until) for each in told] == [
        (NOON + HOUR, NOON + 3 * HOUR),
        (NOON, NOON + HOUR),
    ]


def test_expected_and_read_air_stand_side_by_side() -> None:
    every_minute = [(minute / 60.0, 8.0 if minute <= 60 else 5.0) for minute in range(-5, 91)]
    (decision,) = scored([(NOON, answer("run", (10.0, 4.0)))], reader(indoor_pm25=every_minute), NOON + 1.5 * HOUR)
    assert decision.outcome.expected_pm25 == pytest.approx((10.0 + 0.5 * 4.0) / 1.5)
    assert decision.outcome.indoor_pm25 == pytest.approx((8.0 + 0.5 * 5.0) / 1.5)


def test_a_sensor_that_tells_nonsense_is_not_scored() -> None:
    every_minute = [(minute / 60.0, 8.0 + 0.1 * (minute % 7)) for minute in range(-720, 41)]
    nonsense = [(minute / 60.0, 19_999.0) for minute in range(41, 61)]
    (decision,) = scored([(NOON, answer("run"))], reader(indoor_pm25=every_minute + nonsense), NOON + HOUR)
    assert decision.outcome.indoor_pm25 == pytest.approx(8.3, abs=0.1)


@pytest.mark.parametrize(
    ("states", "ran", "followed"),
    [
        ([(-1.0, 0.0), (0.1, 1.0)], 0.9, True),
        ([(-1.0, 0.0), (0.75, 1.0)], 0.25, False),
        ([], None, None),
    ],
)
def test_whether_a_run_was_carried_out_is_seen_by_the_fan(states, ran, followed) -> None:
    (decision,) = scored([(NOON, answer("run"))], reader(fan_running=states), NOON + HOUR)
    assert decision.outcome.fan_ran == (None if ran is None else pytest.approx(ran))
    assert decision.outcome.followed is followed


@pytest.mark.parametrize("action", ["rest", "leave"])
def test_only_a_run_can_be_carried_out_or_not(action: str) -> None:
    (decision,) = scored([(NOON, answer(action))], reader(fan_running=[(-1.0, 1.0)]), NOON + HOUR)
    assert (decision.outcome.fan_ran, decision.outcome.followed) == (pytest.approx(1.0), None)


@pytest.mark.parametrize("later", [timedelta(0), timedelta(seconds=59), -HOUR])
def test_a_decision_of_no_length_or_of_a_clock_set_back_has_no_score(later: timedelta) -> None:
    (decision,) = scored([(NOON, answer("run", (5.0,)))], reader(fan_running=[(-1.0, 1.0)]), NOON + later)
    assert decision.outcome.fan_ran is None
    assert decision.outcome.expected_pm25 is None


def test_beyond_what_was_planned_nothing_is_expected() -> None:
    (decision,) = scored([(NOON, answer("run", (5.0,)))], reader(), NOON + 2 * HOUR)
    assert decision.outcome.expected_pm25 is None


def test_decisions_are_scored_together_by_the_time_that_each_stood() -> None:
    every_minute = [(minute / 60.0, 8.0 if minute <= 60 else 5.0) for minute in range(-5, 241)]
    running = [(-1.0, 0.0), (0.05, 1.0), (1.0, 0.0)]
    decisions = [
        (NOON + 3 * HOUR, answer("run", (4.0,))),
        (NOON + HOUR, answer("rest", (6.0, 6.0))),
        (NOON, answer("run", (9.0,))),
    ]
    told = scored(decisions, reader(indoor_pm25=every_minute, fan_running=running), NOON + 4 * HOUR)
    score = score_of(told)
    # One hour of 9, two of 6 and one of 4 expected; one hour of 8 and three of 5 read.
    assert score.hours == pytest.approx(4.0)
    assert score.expected_pm25 == pytest.approx((9.0 + 2 * 6.0 + 4.0) / 4.0)
    assert score.indoor_pm25 == pytest.approx((8.0 + 3 * 5.0) / 4.0, rel=1e-3)
    assert (score.runs, score.followed) == (2, 1)
    assert score_of(()) == Score()
