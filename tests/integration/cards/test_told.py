"""What the cards tell of the answer that automations get, and of the filter besides its date."""

import re
from datetime import UTC, date, datetime, timedelta
from math import inf
from typing import Any

import pytest

from moteledger.cards import Beside, render_card, render_page
from moteledger.cards.fan import alike
from moteledger.cards.figures import full_day
from moteledger.engine.assessment import FilterLimit, PressureChange
from moteledger.engine.fan_answer import FanAnswer, Override, ReasonCode
from moteledger.engine.fan_score import Decision, Outcome
from moteledger.engine.filter_limits import day_of
from moteledger.settings import Units
from motemodel.estimate import StepKind


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
    unheard = fan_card(typical, None)
    assert "Automations are told" not in unheard
    assert "The advice holds until" in unheard
    planned = fan_card(typical, answer(typical, "run", ReasonCode.PLANNED_RUN))
    assert "Automations are told now: run the fan (good until" in planned
    assert "The advice holds until" not in planned, "one time that it is good until is enough"
    assert "rests at least 15 min" not in planned
    waiting = fan_card(typical, answer(typical, "leave", ReasonCode.LEAST_REST_TIME))
    assert "leave it to its thermostat (good until" in waiting
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


def test_the_filter_s_card_says_which_limits_come_later_and_why_one_asked_for_sets_no_day(typical: Any) -> None:
    first, later = date(2027, 5, 18), date(2028, 6, 2)
    limits = (
        FilterLimit(reason="airflow", on=first, earliest=first, latest=later, told="By then it is too little."),
        FilterLimit(reason="pressure", on=later, earliest=first, latest=later, told="By then its resistance is high."),
        FilterLimit(reason="efficiency", told="Even a new one takes 50 % of them."),
        FilterLimit(reason="age", told="Nobody has recorded when this filter went in."),
    )
    changed = typical.assessment.filter.model_copy(update={"limits": limits})
    assessment = typical.assessment.model_copy(update={"filter": changed})
    markup = render_card("filter", assessment, typical.house, now=typical.now)
    assert "If it stays in, its resistance reaches its limit around 2 Jun 2028. Even a new one takes 50 %" in markup
    assert "Nobody has recorded" not in markup


def pressure_change(likely: str, before: float, after: float, hours_ago: float) -> PressureChange:
    time = datetime(2025, 3, 11, 10, 20, tzinfo=UTC) - timedelta(hours=hours_ago)
    return PressureChange(time=time, before_pa=before, after_pa=after, likely=likely, evidence=f"told by {likely}")


@pytest.mark.parametrize(
    ("likely", "after", "said"),
    [
        (StepKind.FILTER_CHANGED, 30.0, "fell at once"),
        (StepKind.DOOR_OPEN, 4.0, "fell at once"),
        (StepKind.FILTER_MISSING, 8.0, "fell at once"),
        (StepKind.PORT_BLOCKED, 0.3, "fell at once"),
        (StepKind.REGISTER_CLOSED, 51.0, "fell at once"),
        (StepKind.UNEXPLAINED, 96.0, "rose at once"),
    ],
)
def test_the_newest_sudden_change_of_the_drop_stands_on_the_filter_s_card(
    typical: Any, likely: StepKind, after: float, said: str
) -> None:
    """62.2 Pa / 249.0889 = 0.25 in. w.c. (NIST SP 811, appendix B); 8:20 UTC is 9:20 in a zone one hour ahead."""
    older = pressure_change("an older one", 90.0, 62.0, 40.0)
    changes = (pressure_change(likely, 62.2, after, 2.0), older)
    changed = typical.assessment.filter.model_copy(update={"pressure_changes": changes})
    assessment = typical.assessment.model_copy(update={"filter": changed})
    house = typical.house.model_copy(update={"units": Units.INCH_POUND})
    words = re.sub(r"<[^>]+>|\s+", " ", render_card("filter", assessment, house, now=typical.now))
    words = re.sub(r"\s+", " ", words)
    assert f"On Tue 11 Mar, 09:20 the pressure drop {said}, from 0.25 in. w.c. (62.2 Pa) to" in words
    cause = "nothing in the readings explains it" if likely is StepKind.UNEXPLAINED else f"most likely: {likely}"
    assert cause in words
    assert f"Told by {likely}." in words
    assert "an older one" not in words
    assert "at once" not in render_card("filter", typical.assessment, typical.house, now=typical.now)


def test_ways_that_come_to_the_same_hours_share_a_row_that_names_them_all(typical: Any) -> None:
    fan = typical.assessment.fan
    always, thermostat, threshold = fan.alternatives
    as_advised = {"run_hours": fan.run_hours, "energy_kwh": fan.energy_kwh, "mean_pm25": fan.mean_pm25}
    ways = (
        always.model_copy(update=as_advised),
        thermostat,
        threshold.model_copy(update=as_advised),
        thermostat.model_copy(update={"name": "30 min of each hour"}),
    )
    assert [[each.name for each in group] for group in alike(fan, ways)] == [
        ["Always on", "On above 12 µg/m³"],
        ["Thermostat only", "30 min of each hour"],
    ]
    assessment = typical.assessment.model_copy(update={"fan": fan.model_copy(update={"alternatives": ways})})
    markup = render_card("fan", assessment, typical.house, now=typical.now)
    names = re.findall(r'<th scope="row" role="rowheader">(.*?)</th>', markup)
    assert [re.sub(r"\s*<[^>]+>\s*", " / ", name).rstrip(" /") for name in names] == [
        "This advice / the same as Always on and On above 12 µg/m³",
        "Thermostat only / the same as 30 min of each hour",
    ]
    assert "the same as" not in render_card("fan", typical.assessment, typical.house, now=typical.now)


def test_the_fan_s_card_tells_what_came_of_the_last_decisions(typical: Any) -> None:
    hour = timedelta(hours=1)

    def decision(start: float, action: str, outcome: Outcome) -> Decision:
        told = answer(typical, action, ReasonCode.PLANNED_RUN, speed="low" if action == "run" else None)
        return Decision(time=typical.now - start * hour, answer=told, outcome=outcome)

    decided = (
        decision(1.0, "rest", Outcome(until=typical.now)),
        decision(
            3.0,
            "run",
            Outcome(until=typical.now - hour, expected_pm25=8.0, indoor_pm25=9.5, fan_ran=0.97, followed=True),
        ),
    )
    markup = render_card(
        "fan", typical.assessment, typical.house, now=typical.now, beside=Beside(decided=decided), answer=None
    )
    text = " ".join(markup.split())
    assert (
        "Over the last decisions, 2 h in all, the air indoors came to 9.5 µg/m³, where the plans expected 8."
        in text.replace("\N{NO-BREAK SPACE}", " ")
    )
    assert "Runs carried out: 1 of 1 asked for." in text
    assert "Run at low (planned run)" in text
    assert text.count("<i>not known</i>") == 3
    assert "The last decisions" not in fan_card(typical, None)


def test_a_persons_wish_leads_the_fan_s_card_in_place_of_the_plan(typical: Any) -> None:
    wish = Override(action="rest", given=typical.now, until=typical.now + timedelta(hours=1), note="")
    planned = lead_of(fan_card(typical, answer(typical, "run", ReasonCode.PLANNED_RUN)))
    wished = fan_card(typical, answer(typical, "rest", ReasonCode.PERSON, override=wish))
    assert "as a person wishes" not in planned
    assert lead_of(wished).startswith("Let the fan rest until")
    assert lead_of(wished).endswith("as a person wishes.")
    assert "The plan otherwise: " in wished


def test_a_kept_run_is_told_without_saying_the_plan_s_reason_again(typical: Any) -> None:
    reason = f"Once asked to, the fan runs at least 15 min. After that: {typical.assessment.fan.reason}"
    told = answer(typical, "run", ReasonCode.LEAST_RUN_TIME).model_copy(update={"reason": reason})
    markup = fan_card(typical, told)
    assert "at least 15 min. After that, as planned." in markup
    assert "After that:" not in markup


@pytest.mark.parametrize(("earliest", "already"), [(-1, True), (0, True), (1, False)])
def test_a_filter_that_may_be_due_today_is_not_called_good_for_weeks(
    typical: Any, earliest: int, already: bool
) -> None:
    today = typical.now.astimezone(typical.house.zone).date()
    between = (today + timedelta(days=earliest), today + timedelta(days=160))
    lead = lead_of(filter_card(typical, change_on=today + timedelta(days=35), change_between=between))
    assert lead.startswith("Change the filter in about 5 weeks, around")
    assert ("It may be due already." in lead) is already


def test_a_new_filter_whose_load_is_not_known_yet_is_told_by_its_age_as_the_latest_day(typical: Any) -> None:
    day = typical.now.astimezone(typical.house.zone).date() + timedelta(days=365)
    limits = (
        FilterLimit(reason="age", on=day, earliest=day, latest=day, told="By then it has been in use long enough."),
        FilterLimit(reason="pressure", told="Its resistance has not been watched for long enough."),
    )
    markup = filter_card(typical, change_on=day, change_between=(day, day), limits=limits)
    assert "at the latest; it cannot be told yet whether it is spent sooner." in lead_of(markup)
    # A day counted from a date has no interval: "between 27 Nov 2027 and 27 Nov 2027" says nothing.
    assert "the day falls between" not in markup
    ordered = filter_card(typical, change_on=day, limits=limits, order_by=day)
    assert re.search(r"Order one by [^.]* at the latest\.", ordered)


def test_a_day_with_no_end_in_sight_is_told_as_open_and_not_as_ten_years_off(typical: Any) -> None:
    today = typical.assessment.period.end.astimezone(typical.house.zone).date()
    on, never = today + timedelta(days=300), day_of(inf, today)
    assert typical.assessment.in_sight(never - timedelta(days=1))
    limits = (
        FilterLimit(reason="pressure", on=on, earliest=today, latest=never, told="By then its resistance is high."),
        FilterLimit(reason="dust", on=never, earliest=on, latest=never, told="By then it is full."),
    )
    fields = {"order_by": None, "cost_best_on": None, "installed_on": None, "change_seen_on": None}
    markup = filter_card(typical, change_on=on, change_between=(today, never), limits=limits, **fields)
    assert f"Nine times in ten the day is {full_day(today)} or later; no latest day is in sight." in markup
    assert str(never.year) not in markup
    markup = filter_card(typical, change_on=never, change_between=(on, never), limits=limits[1:], **fields)
    assert lead_of(markup) == "The filter is not due within ten years, as far as can be told."
    assert str(never.year) not in markup


def filter_card(case: Any, **fields: Any) -> str:
    changed = case.assessment.filter.model_copy(update=fields)
    assessment = case.assessment.model_copy(update={"filter": changed})
    return render_card("filter", assessment, case.house, now=case.now)


def lead_of(markup: str) -> str:
    found = re.search(r'<p class="lead">(.*?)</p>', markup, re.DOTALL)
    assert found is not None
    return found[1]
