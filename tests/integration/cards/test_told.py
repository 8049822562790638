"""What the cards tell of the answer that automations get, and of the filter besides its date."""

from datetime import date, timedelta
from typing import Any

import pytest

from moteledger.cards import render_card, render_page
from moteledger.engine.fan_answer import FanAnswer, Override, ReasonCode


def answer(case: Any, action: str, code: ReasonCode, **fields: Any) -> FanAnswer:
    return FanAnswer(
        action=action,
        reason_code=code,
        reason="The fan rests at least 15 min between two runs.",
        since=case.now,
        valid_until=case.now + timedelta(minutes=15),
        confidence=0.9,
        **fields,
    )


def fan_card(case: Any, told: FanAnswer | None) -> str:
    return render_card("fan", case.assessment, case.house, now=case.now, answer=told)


def test_the_fan_s_card_says_what_automations_are_told(typical: Any) -> None:
    assert "Automations are told" not in fan_card(typical, None)
    planned = fan_card(typical, answer(typical, "run", ReasonCode.PLANNED_RUN))
    assert "Automations are told now: run the fan, until" in planned
    assert "rests at least 15 min" not in planned
    waiting = fan_card(typical, answer(typical, "leave", ReasonCode.LEAST_REST_TIME))
    assert "leave it to its thermostat, until" in waiting
    assert "rests at least 15 min" in waiting


def test_a_persons_wish_is_seen_by_everyone_and_its_note_is_text(typical: Any) -> None:
    wish = Override(
        action="rest", given=typical.now, until=typical.now + timedelta(hours=1), note="<script>nap</script>"
    )
    told = answer(typical, "rest", ReasonCode.PERSON, override=wish)
    for markup in (
        fan_card(typical, told),
        render_page(typical.assessment, typical.house, now=typical.now, answer=told),
    ):
        assert "A person wants this until" in markup
        assert "let it rest (&lt;script&gt;nap&lt;/script&gt;)" in markup
        assert "<script>nap" not in markup


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"order_by": date(2020, 1, 1)}, "Order one now."),
        ({"order_by": date(2090, 5, 18)}, "Order one by 18 May 2090."),
        ({"cost_best_on": date(2090, 5, 18)}, "Changing it costs least around 18 May 2090."),
        ({"installed_on": date(2020, 2, 3)}, "It is in since 3 Feb 2020."),
        (
            {"installed_on": date(2020, 2, 3), "change_seen_on": date(2020, 2, 3)},
            "Its resistance fell on 3 Feb 2020: counted as a change.",
        ),
    ],
)
def test_the_filter_s_card_says_what_stands_besides_its_date(typical: Any, fields: dict[str, date], said: str) -> None:
    plain = {"order_by": None, "cost_best_on": None, "installed_on": None, "change_seen_on": None}
    changed = typical.assessment.filter.model_copy(update=plain | fields)
    assessment = typical.assessment.model_copy(update={"filter": changed})
    markup = render_card("filter", assessment, typical.house, now=typical.now)
    assert said in markup
