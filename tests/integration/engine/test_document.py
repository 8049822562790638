"""The assessment as a document: the names it promises, numbers that are numbers, and readings that cannot break it."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from moteledger.engine import Assessment, AssessmentError, assess
from moteledger.settings import House
from moteledger.signals import SIGNALS
from moteledger.store import Series, to_us

FIGURES = {
    "outdoor_entry_per_h",
    "loss_fan_off_per_h",
    "clean_air_delivered_m3h",
    "installed_efficiency",
    "sensor_gain_ratio",
}
OUTSIDE_CONTRACT = {
    "period": {"start", "end"},
    "data_quality": {"signals", "missing"},
    "estimates": FIGURES,
    "expected": FIGURES,
    "delivery": {"verdict", "share_of_expected", "likely_causes"},
    "ledger": {
        "entered_mg",
        "generated_mg",
        "filtered_mg",
        "settled_mg",
        "carried_out_mg",
        "stored_mg",
        "closure",
    },
    "filter": {"drop_at_reference_pa", "change_on", "change_between", "reason"},
    "fan": {"schedule", "run_hours", "energy_kwh", "mean_pm25", "alternatives"},
}
"""Names that programs outside rely on; they are promised in the manual of `assess`."""

Sound = Callable[[Assessment], None]


def test_the_document_holds_every_name_that_is_promised_to_the_outside(demo_case: Any) -> None:
    document = json.loads(demo_case.assessment.model_dump_json())
    for part, names in OUTSIDE_CONTRACT.items():
        assert names <= document[part].keys(), part
    assert document["delivery"]["verdict"] in {"delivers", "short", "cannot_tell"}
    assert document["events"]
    for event in document["events"]:
        assert {"start", "end", "emitted_mg", "peak_ug_m3"} <= event.keys()
    assert document["cautions"]


def test_times_are_rfc_3339_in_utc(demo_case: Any) -> None:
    document = json.loads(demo_case.assessment.model_dump_json())
    moments = [document["period"]["start"], document["fan"]["valid_until"], document["events"][0]["start"]]
    for moment in moments:
        assert moment.endswith("Z")
        assert datetime.fromisoformat(moment).tzinfo == UTC


def test_the_demos_two_weeks_make_a_sound_document(demo_case: Any, assert_sound: Sound) -> None:
    assert_sound(demo_case.assessment)


def test_the_first_hour_of_a_house_without_a_survey_makes_a_sound_document(
    house: Callable[..., House], still: Callable[..., dict[str, Series]], assert_sound: Sound
) -> None:
    readings = still(1.0)
    del readings["fan.running"]
    told = assess(house(), readings)
    assert_sound(told)
    assert all(figure.value is None for figure in dict(told.estimates).values())
    assert told.delivery.verdict == "cannot_tell"


def test_a_year_of_half_hours_is_one_document_of_366_local_days_and_of_bounded_size(
    house: Callable[..., House], series: Callable[..., Series], assert_sound: Sound
) -> None:
    hours = np.arange(0.0, 365 * 24.0, 0.5)
    outdoor = 20.0 + 10.0 * np.sin(hours / 7.0)
    readings = {
        "indoor.pm25": series(hours, np.round(8.0 + 0.3 * outdoor, 1)),
        "outdoor.pm25": series(hours, outdoor),
        "fan.running": series(hours, (hours % 3.0 < 1.0).astype(np.float64)),
    }
    told = assess(house(time_zone="America/Denver"), readings)
    assert_sound(told)
    # From midnight UTC, the evening of 1 March in Denver, to the evening of 1 March a year later.
    assert [told.ledger.by_day[0].day, told.ledger.by_day[-1].day] == [date(2026, 3, 1), date(2027, 3, 1)]
    assert len(told.ledger.by_day) == 366
    assert len(told.trace) <= 300
    assert len(told.model_dump_json()) < 300_000


HOUSES = (
    {},
    {"time_zone": "America/St_Johns", "house": {"floor_area": "10 m2"}, "units": "inch-pound"},
    {
        "air_handler": {"airflow": "1000 cfm", "external_static": "0.5 in.w.c."},
        "filter": {
            "merv": 13,
            "charged": True,
            "installed": date(2026, 1, 1),
            "face_area": "4 ft2",
            "rated_drop": [{"airflow": "1000 cfm", "drop": "0.2 in.w.c."}],
            "gaps": [{"length": "1 m", "width": "2 mm"}],
        },
        "house": {"floor_area": "400 m2", "leakage": {"air_changes_50": 0.6}},
        "tariff": {"per_kwh": 0.3},
    },
    {
        "air_handler": {"airflow": "1000 cfm"},
        "filter": {"merv": 1, "charged": True, "installed": date(2030, 1, 1)},
        "quiet_hours": [{"start": "00:00:00", "end": "23:59:59"}],
    },
    {"sensors": [{"signal": "indoor.pm25", "gain": 20.0}, {"signal": "outdoor.pm25", "offset": -1000.0}]},
    {"sensors": [{"signal": "indoor.pm25", "humidity_growth": 0.4}, {"signal": "indoor.humidity", "gain": 1.2}]},
)
NONSENSE = (0.0, -5.0, 1e9, -1e300, float("nan"), float("inf"), float("-inf"))


@dataclass(frozen=True)
class Sensor:
    """How one signal is told: from when, how often, up to what, and what share of it is nonsense or lost."""

    name: str
    begins_h: float
    per_hour: int
    top: float
    still: bool
    nonsense: float
    wrong: float
    lost: float

    def series(self, start_us: int, length_h: float, random: np.random.Generator) -> Series:
        signal = SIGNALS[self.name]
        hours = np.arange(self.begins_h, length_h, 1.0 / self.per_hour)
        values = random.uniform(max(signal.low, -20.0), min(signal.high, self.top), hours.size)
        if self.still:
            values[:] = values[:1].mean()
        values[random.random(hours.size) < self.wrong] = self.nonsense
        kept = random.random(hours.size) >= self.lost
        return Series(start_us + np.round(hours[kept] * 3.6e9).astype(np.int64), values[kept])


def sensors(names: list[str], wrong: list[float], lost: list[float]) -> st.SearchStrategy[Sensor]:
    return st.builds(
        Sensor,
        name=st.sampled_from(names),
        begins_h=st.sampled_from([-2.0, 0.0, 0.21, 0.5]),
        per_hour=st.sampled_from([1, 2, 5]),
        top=st.sampled_from([1.0, 50.0, 1e6]),
        still=st.sampled_from([False, False, False, True]),
        nonsense=st.sampled_from(NONSENSE),
        wrong=st.sampled_from(wrong),
        lost=st.sampled_from(lost),
    )


# The two that an assessment needs are mostly whole, or hardly any recording would get past the first check.
@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(
    indoor=sensors(["indoor.pm25"], [0.0, 0.02], [0.0, 0.0, 0.1]),
    outdoor=sensors(["outdoor.pm25"], [0.0, 0.02], [0.0, 0.0, 0.1]),
    others=st.lists(sensors(sorted(SIGNALS), [0.0, 0.05, 1.0], [0.0, 0.5, 0.95]), max_size=7),
    minute=st.integers(0, 3000),
    length_h=st.sampled_from([0.9, 4.0, 30.0, 100.0, 100.0]),
    seed=st.integers(0, 1000),
    tables=st.sampled_from(HOUSES),
)
# Air that hardly ever leaves one level, so that some eighths of its range hold no step; the thermostat cools meanwhile.
@example(
    indoor=Sensor("indoor.pm25", -2.0, 5, 1.0, True, 0.0, 0.02, 0.0),
    outdoor=Sensor("outdoor.pm25", -2.0, 2, 50.0, False, 0.0, 0.0, 0.0),
    others=[
        Sensor("cooling.running", -2.0, 2, 1.0, False, 0.0, 0.0, 0.0),
        Sensor("cooling.running", -2.0, 5, 1.0, False, 0.0, 0.0, 0.0),
        Sensor("cooling.running", 0.0, 1, 1.0, False, 0.0, 0.0, 0.0),
        Sensor("cooling.running", -2.0, 5, 1.0, True, 0.0, 0.0, 0.0),
    ],
    minute=0,
    length_h=100.0,
    seed=0,
    tables={},
)
def test_no_readings_break_an_assessment_it_is_sound_or_refused_by_the_signals_name(
    indoor: Sensor,
    outdoor: Sensor,
    others: list[Sensor],
    minute: int,
    length_h: float,
    seed: int,
    tables: dict[str, Any],
    house: Callable[..., House],
    assert_sound: Sound,
) -> None:
    start_us, random = to_us(datetime(2026, 3, 27, 0, minute % 60, tzinfo=UTC)), np.random.default_rng(seed)
    start_us += minute // 60 * 3_600_000_000
    readings = {each.name: each.series(start_us, length_h, random) for each in (*others, indoor, outdoor)}
    try:
        told = assess(house(**tables), readings)
    except AssessmentError as refusal:
        assert "\n" not in str(refusal)
        assert any(name in str(refusal) for name in readings)
    else:
        assert_sound(told)


def test_what_is_asked_without_a_signal_is_answered_by_its_name(
    house: Callable[..., House], still: Callable[..., dict[str, Series]]
) -> None:
    readings = still(6.0)
    del readings["outdoor.pm25"]
    with pytest.raises(
        AssessmentError, match=r"outdoor\.pm25: fewer than two readings .*indoor\.pm25.*add that signal"
    ):
        assess(house(), readings)
