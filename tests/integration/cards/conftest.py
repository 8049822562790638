"""Assessments made by hand: an ordinary one, and those that would break a careless page. All figures are invented."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache

import pytest

from moteledger.cards import AlarmShown, Arrived, Beside, Forms, LetterShown, Watched
from moteledger.cards.beside import NOTHING_BESIDE
from moteledger.engine.assessment import (
    Air,
    Alternative,
    Assessment,
    Cause,
    Caution,
    DataQuality,
    Delivery,
    DeviceMass,
    Event,
    FanAdvice,
    FanSpan,
    Figure,
    Figures,
    FilterAdvice,
    HourAhead,
    Known,
    Ledger,
    LedgerDay,
    MassBounds,
    NotKnown,
    Period,
    SignalQuality,
    TracePoint,
    Verdict,
)
from moteledger.settings import Building, House, Tariff, Units

NOW = datetime(2025, 3, 11, 10, 20, tzinfo=UTC)
HOUR = timedelta(hours=1)


@dataclass(frozen=True)
class Case:
    """An assessment, the house it is about and the time at which it is looked at."""

    name: str
    assessment: Assessment | None
    house: House
    now: datetime = NOW
    banner: str = ""
    beside: Beside = NOTHING_BESIDE


def known(value: float, low: float, high: float, unit: str) -> Known:
    return Known(value=value, low=low, high=high, unit=unit)


def day_of(day: date, entered: float, generated: float, filtered: float, settled: float, stored: float) -> LedgerDay:
    return LedgerDay(
        day=day,
        entered_mg=entered,
        generated_mg=generated,
        filtered_mg=filtered,
        settled_mg=settled,
        carried_out_mg=entered + generated - filtered - settled - stored,
        stored_mg=stored,
    )


def two_days_of_trace() -> tuple[TracePoint, ...]:
    """Every 10 minutes for 48 h: a smoky evening outdoors, a meal indoors, a gap in the indoor sensor."""
    points = []
    for step in range(289):
        hour = step / 6.0
        outdoor = 26.0 + 14.0 * math.sin(hour / 7.6) + 48.0 * math.exp(-(((hour - 31.0) / 4.0) ** 2))
        meal = 34.0 * math.exp(-(hour - 9.5) / 0.9) if hour > 9.5 else 0.0
        fan = 1.0 if 8.0 < hour % 24.0 < 12.0 or 17.5 < hour % 24.0 < 21.0 else 0.0
        indoor = 0.31 * outdoor + meal - 2.5 * fan
        points.append(
            TracePoint(
                time=NOW - timedelta(minutes=5) - 48 * HOUR + timedelta(minutes=10 * step),
                indoor_pm25=None if 20.0 < hour < 21.5 else indoor + 0.8 * math.sin(5.0 * hour),
                outdoor_pm25=outdoor,
                modelled_pm25=indoor,
                fan_fraction=fan,
                modelled_between=(0.85 * indoor, 1.15 * indoor + 0.5),
            )
        )
    return tuple(points)


def typical_assessment() -> Assessment:
    days = tuple(
        day_of(date(2025, 3, 4) + timedelta(days=n), *masses)
        for n, masses in enumerate(
            [
                (118.4, 31.2, 84.1, 30.5, 0.4),
                (96.1, 12.8, 60.9, 23.3, -0.3),
                (143.9, 40.1, 108.2, 35.9, 0.1),
                (201.7, 22.0, 139.4, 41.0, 0.6),
                (88.3, 18.6, 58.7, 24.4, -0.5),
                (74.9, 55.3, 77.2, 27.0, 0.2),
                (160.2, 27.9, 110.6, 36.1, 0.7),
            ]
        )
    )
    total = {
        key: sum(getattr(day, f"{key}_mg") for day in days)
        for key in ("entered", "generated", "filtered", "settled", "carried_out", "stored")
    }
    return Assessment(
        house="Plover House",
        period=Period(
            start=datetime(2025, 3, 4, 8, tzinfo=UTC),
            end=datetime(2025, 3, 11, 10, tzinfo=UTC),
            step_s=600.0,
            time_zone="Etc/GMT-1",
        ),
        data_quality=DataQuality(
            signals=(
                SignalQuality(signal="indoor.pm25", readings=10_032, coverage=0.991, longest_gap_h=1.5),
                SignalQuality(
                    signal="outdoor.pm25",
                    readings=168,
                    coverage=0.96,
                    longest_gap_h=4.0,
                    remarks=("hourly means, held between readings",),
                ),
            ),
            missing=("filter.pressure_drop",),
            remarks=("the fan rested on 6 of 7 nights, which tells the loss with the fan off well",),
        ),
        air=Air(
            time=NOW - timedelta(minutes=5),
            indoor_pm25=known(8.24, 6.1, 10.3, "ug/m3"),
            outdoor_pm25=known(41.3, 37.0, 45.9, "ug/m3"),
            nowcast_pm25=known(8.9, 7.2, 10.6, "ug/m3"),
            index=49,
            category="Good",
            indoor_day_mean_pm25=known(12.6, 11.0, 14.2, "ug/m3"),
            guideline_day_pm25=15.0,
            sentence="The air indoors is good: the fan has run through the smoky evening outside",
        ),
        estimates=Figures(
            outdoor_entry_per_h=known(0.312, 0.27, 0.36, "1/h"),
            loss_fan_off_per_h=known(0.61, 0.53, 0.7, "1/h"),
            clean_air_delivered_m3h=known(498.0, 430.0, 571.0, "m3/h"),
            installed_efficiency=known(0.41, 0.35, 0.47, "1"),
            sensor_gain_ratio=known(1.08, 0.97, 1.2, "1"),
        ),
        expected=Figures(
            outdoor_entry_per_h=known(0.35, 0.2, 0.55, "1/h"),
            loss_fan_off_per_h=known(0.55, 0.35, 0.85, "1/h"),
            clean_air_delivered_m3h=known(742.0, 655.0, 828.0, "m3/h"),
            installed_efficiency=known(0.58, 0.52, 0.63, "1"),
            sensor_gain_ratio=NotKnown(reason="the survey says nothing of the sensors' gains"),
        ),
        delivery=Delivery(
            verdict=Verdict.SHORT,
            reason="the filter takes out less than its rating although the airflow is as surveyed",
            share_of_expected=known(0.67, 0.57, 0.79, "1"),
            likely_causes=(
                Cause(
                    cause="gaps beside the filter",
                    evidence="the airflow agrees with the survey, while the efficiency lies 17 points below the rating",
                    next_step="look for light along the frame of the rack, seal it, and repeat the fan-off test",
                ),
                Cause(
                    cause="the filter's charge is spent",
                    evidence="it has been in place for eight months and the efficiency has been falling",
                    next_step="fit a new filter of the same rating and compare the first three days",
                ),
            ),
        ),
        ledger=Ledger(
            basis="one zone, five size bins, windows taken as shut",
            **{f"{key}_mg": value for key, value in total.items()},
            closure=2.1e-14,
            by_device=(
                DeviceMass(device="filter", filtered_mg=0.94 * total["filtered"]),
                DeviceMass(device="coil and ducts", filtered_mg=0.06 * total["filtered"]),
            ),
            by_day=days,
            bounds=(
                MassBounds(entry="entered", low_mg=0.87 * total["entered"], high_mg=1.12 * total["entered"]),
                MassBounds(entry="generated", low_mg=0.7 * total["generated"], high_mg=1.3 * total["generated"]),
                MassBounds(entry="filtered", low_mg=0.86 * total["filtered"], high_mg=1.15 * total["filtered"]),
                MassBounds(entry="settled", low_mg=0.6 * total["settled"], high_mg=1.4 * total["settled"]),
                MassBounds(
                    entry="carried_out", low_mg=0.72 * total["carried_out"], high_mg=1.25 * total["carried_out"]
                ),
            ),
        ),
        events=(
            Event(
                start=NOW - 16 * HOUR,
                end=NOW - 15.5 * HOUR,
                emitted_mg=known(40.2, 31.0, 49.5, "mg"),
                peak_ug_m3=61.4,
            ),
            Event(
                start=NOW - 40 * HOUR,
                end=NOW - 36 * HOUR,
                emitted_mg=NotKnown(reason="the windows were open"),
                peak_ug_m3=22.1,
            ),
        ),
        filter=FilterAdvice(
            drop_at_reference_pa=known(72.0, 66.0, 79.0, "Pa"),
            reference_airflow_m3h=1835.0,
            drop_limit_pa=112.0,
            deposited_g=known(41.0, 33.0, 50.0, "g"),
            change_on=date(2025, 6, 2),
            change_between=(date(2025, 5, 9), date(2025, 7, 6)),
            reason="the pressure drop reaches the limit of the blower before the filter is too old",
        ),
        fan=FanAdvice(
            action_now="run",
            reason="smoke is expected until the afternoon, and running now costs less than catching up later",
            valid_until=NOW + HOUR,
            forecast_basis="outdoor forecast: the last reading blended with this house's own daily pattern",
            schedule=tuple(
                FanSpan(start=NOW + start * HOUR, end=NOW + end * HOUR)
                for start, end in ((-0.5, 3.2), (7.0, 9.5), (20.25, 24.0), (31.0, 33.5))
            ),
            run_hours=12.45,
            energy_kwh=known(4.11, 3.7, 4.5, "kWh"),
            mean_pm25=known(11.2, 9.1, 13.6, "ug/m3"),
            target_ug_m3=15.0,
            alternatives=(
                Alternative(
                    name="Always on",
                    run_hours=36.0,
                    energy_kwh=known(11.9, 10.7, 13.1, "kWh"),
                    mean_pm25=known(8.4, 6.9, 10.2, "ug/m3"),
                    cost=known(2.5, 2.25, 2.75, "EUR"),
                ),
                Alternative(
                    name="Thermostat only",
                    run_hours=5.5,
                    energy_kwh=known(1.82, 1.6, 2.0, "kWh"),
                    mean_pm25=known(17.9, 14.8, 21.4, "ug/m3"),
                    cost=known(0.38, 0.34, 0.42, "EUR"),
                ),
                Alternative(
                    name="On above 12 µg/m³",
                    run_hours=16.0,
                    energy_kwh=known(5.3, 4.7, 5.8, "kWh"),
                    mean_pm25=known(11.6, 9.4, 14.0, "ug/m3"),
                    cost=NotKnown(reason="the forecast of the readings within the hour is too coarse for a cost"),
                ),
            ),
            planned_until=NOW + 36 * HOUR,
            hours_ahead=tuple(
                HourAhead(
                    start=NOW + hour * HOUR,
                    outdoor_pm25=30.0 + hour,
                    outdoor_between=(30.0 + hour - hour**0.5 * 5.0, 30.0 + hour + hour**0.5 * 14.0),
                    indoor_pm25=9.0 + hour / 8.0,
                    indoor_between=(9.0 - hour / 6.0, 9.0 + hour / 2.0),
                )
                for hour in range(24)
            ),
        ),
        cautions=(
            Caution(
                code="coil_moisture",
                text="Running the fan right after cooling puts moisture of the coil back into the air",
                applies_to="fan",
            ),
            Caution(
                code="not_a_co_alarm",
                text="A filter is no substitute for a carbon monoxide alarm, nor for leaving when told to leave",
                applies_to="fan",
            ),
            Caution(code="coil_ice", text="Low airflow ices coils and trips limits", applies_to="filter"),
        ),
        trace=two_days_of_trace(),
    )


def with_every_figure(figure: Figure) -> Assessment:
    """The typical assessment with one figure in all its places, and nothing that hangs on knowing them."""
    typical = typical_assessment()
    figures = Figures(**dict.fromkeys(Figures.model_fields, figure))
    return typical.model_copy(
        update={
            "air": typical.air.model_copy(
                update=dict.fromkeys(("indoor_pm25", "outdoor_pm25", "nowcast_pm25", "indoor_day_mean_pm25"), figure)
            ),
            "estimates": figures,
            "expected": figures,
            "delivery": typical.delivery.model_copy(update={"share_of_expected": figure}),
            "filter": typical.filter.model_copy(update={"drop_at_reference_pa": figure, "deposited_g": figure}),
            "fan": typical.fan.model_copy(
                update={
                    "energy_kwh": figure,
                    "mean_pm25": figure,
                    "alternatives": tuple(
                        each.model_copy(update={"energy_kwh": figure, "mean_pm25": figure, "cost": figure})
                        for each in typical.fan.alternatives
                    ),
                }
            ),
        }
    )


def unknown_assessment() -> Assessment:
    unknown = with_every_figure(NotKnown(reason="the fan never rested in this period, so nothing could be told apart"))
    none = dict.fromkeys(
        ("entered_mg", "generated_mg", "filtered_mg", "settled_mg", "carried_out_mg", "stored_mg"), 0.0
    )
    return unknown.model_copy(
        update={
            "air": unknown.air.model_copy(update={"index": None, "category": None, "sentence": "Too little is known"}),
            "delivery": Delivery(
                verdict=Verdict.CANNOT_TELL,
                reason="the fan never rested",
                share_of_expected=unknown.delivery.share_of_expected,
            ),
            "ledger": unknown.ledger.model_copy(update=none | {"by_device": (), "by_day": (), "bounds": ()}),
            "filter": FilterAdvice(
                drop_at_reference_pa=unknown.filter.drop_at_reference_pa,
                reference_airflow_m3h=None,
                drop_limit_pa=None,
                deposited_g=unknown.filter.deposited_g,
                change_on=None,
                change_between=None,
                reason="neither a pressure drop nor an installation date is known",
            ),
            "fan": unknown.fan.model_copy(
                update={
                    "action_now": "leave",
                    "schedule": (),
                    "alternatives": (),
                    "planned_until": None,
                    "run_hours": 0.0,
                }
            ),
            "cautions": (),
            "trace": (),
        }
    )


def young_assessment() -> Assessment:
    """Fourteen hours of a house whose indoor sensor was stuck for three of them."""
    unknown = unknown_assessment()
    stuck = SignalQuality(
        signal="indoor.pm25",
        readings=840,
        coverage=0.79,
        longest_gap_h=3.0,
        remarks=("stuck for 3 h; those readings are left out",),
    )
    return unknown.model_copy(
        update={
            "period": unknown.period.model_copy(update={"start": unknown.period.end - 14 * HOUR}),
            "data_quality": unknown.data_quality.model_copy(update={"signals": (stuck,)}),
        }
    )


def extreme_assessment(value: float) -> Assessment:
    """One number from the end of the range everywhere, a year of days, hundreds of runs, a trace of one lone point."""
    extreme = with_every_figure(known(value, 0.5 * value, 3.0 * value, "m3/h"))
    masses = dict.fromkeys(("entered_mg", "generated_mg", "filtered_mg", "settled_mg", "carried_out_mg"), value)
    year = tuple(LedgerDay(day=date(2024, 3, 11) + timedelta(days=n), stored_mg=-value, **masses) for n in range(366))
    return extreme.model_copy(
        update={
            "air": extreme.air.model_copy(update={"index": 500, "category": "Hazardous"}),
            "ledger": extreme.ledger.model_copy(update=masses | {"stored_mg": -value, "by_day": year, "bounds": ()}),
            "filter": extreme.filter.model_copy(
                update={"change_on": date(2031, 1, 1), "change_between": (date(2025, 1, 1), date(2099, 12, 31))}
            ),
            "fan": extreme.fan.model_copy(
                update={
                    "schedule": tuple(
                        FanSpan(start=NOW + n * HOUR / 6, end=NOW + n * HOUR / 6 + HOUR / 12) for n in range(288)
                    ),
                    "planned_until": None,
                }
            ),
            "trace": tuple(
                TracePoint(
                    time=NOW + n * HOUR,
                    indoor_pm25=value if n == 1 else None,
                    outdoor_pm25=None,
                    modelled_pm25=None,
                    fan_fraction=None,
                )
                for n in range(3)
            ),
        }
    )


HOSTILE = "</title><script>alert(1)</script><img src=x onerror=alert(2)>\"'&{{7*7}}" + "Wallaby" * 12


def hostile_assessment() -> Assessment:
    """Markup and unbreakable words wherever the document holds text."""
    typical = typical_assessment()
    bad = NotKnown(reason=HOSTILE)
    return typical.model_copy(
        update={
            "house": HOSTILE,
            "air": typical.air.model_copy(update={"sentence": HOSTILE, "category": HOSTILE, "outdoor_pm25": bad}),
            "delivery": typical.delivery.model_copy(
                update={
                    "reason": HOSTILE,
                    "likely_causes": (Cause(cause=HOSTILE, evidence=HOSTILE, next_step=HOSTILE),),
                    "share_of_expected": bad,
                }
            ),
            "ledger": typical.ledger.model_copy(
                update={"basis": HOSTILE, "by_device": tuple(DeviceMass(device=HOSTILE, filtered_mg=1) for _ in "ab")}
            ),
            "filter": typical.filter.model_copy(update={"reason": HOSTILE, "deposited_g": bad}),
            "fan": typical.fan.model_copy(
                update={
                    "reason": HOSTILE,
                    "forecast_basis": HOSTILE,
                    "alternatives": (
                        typical.fan.alternatives[0].model_copy(update={"name": HOSTILE, "cost": bad}),
                        typical.fan.alternatives[1].model_copy(
                            update={"energy_kwh": known(1.0, 0.5, 2.0, "</td><script>alert(3)</script>")}
                        ),
                    ),
                }
            ),
            "cautions": tuple(
                Caution(code="x", text=HOSTILE, applies_to=each) for each in ("fan", "filter", "delivery")
            ),
            "data_quality": DataQuality(
                signals=(
                    SignalQuality(signal=HOSTILE, readings=1, coverage=0.5, longest_gap_h=1.0, remarks=(HOSTILE,)),
                ),
                missing=(HOSTILE,),
                remarks=(HOSTILE,),
            ),
        }
    )


def house(units: Units = Units.SI, name: str = "Plover House", zone: str = "Etc/GMT-1") -> House:
    return House(
        name=name,
        units=units,
        time_zone=zone,
        house=Building.model_validate({"floor_area": "160 m2"}),
        tariff=Tariff(per_kwh=0.21, currency="EUR"),
    )


def busy_beside() -> Beside:
    """An hour of both pressures with a silence in it, an alarm, a filter change just recorded, both forms."""
    minutes = [n for n in range(60) if not 20 < n < 27]
    return Beside(
        watched=tuple(
            Watched(signal, tuple((NOW - timedelta(minutes=60 - n), base + 3.0 * math.sin(n / 4.0)) for n in minutes))
            for signal, base in (("filter.pressure_drop", 64.0), ("duct.static_pressure", 141.0))
        ),
        alarms=(
            AlarmShown(
                "The pressure has risen fast", "From 120 to 180 Pa within an hour", NOW - HOUR, "look at the filter"
            ),
        ),
        letters=(
            LetterShown("office", "alarm-1", "The filter is due", 410, NOW - HOUR),
            LetterShown("attic-board", "fan-2", "a change of the fan's answer", 404, NOW - 2 * HOUR, again=True),
        ),
        filter_changed_on=NOW.date(),
        forms=Forms("token-of-the-filter", "token-of-the-fan", "token-of-the-letters"),
    )


@cache
def all_cases() -> dict[str, Case]:
    simulated = "The indoor sensor of this page is simulated. The outdoor air was measured elsewhere and is replayed."
    cases = (
        Case("typical", typical_assessment(), house(), banner=simulated),
        Case("inch-pound", typical_assessment(), house(Units.INCH_POUND), beside=busy_beside()),
        Case("unknown", unknown_assessment(), house()),
        Case("stale", typical_assessment(), house(), now=NOW + timedelta(hours=3, minutes=15)),
        Case("from the future", typical_assessment(), house(), now=NOW - timedelta(days=2)),
        Case("huge", extreme_assessment(1e300), house(Units.INCH_POUND)),
        Case("tiny", extreme_assessment(1e-300), house()),
        Case("negative", extreme_assessment(-3.2e5), house()),
        Case("hostile", hostile_assessment(), house(name=HOSTILE[:80]), banner=HOSTILE),
        Case("learning", young_assessment(), house(), beside=busy_beside()),
        Case("nothing yet", None, house(), beside=Beside(arrived=Arrived(("indoor.pm25",), NOW - HOUR / 2))),
    )
    return {case.name: case for case in cases}


@pytest.fixture(scope="session")
def cases() -> dict[str, Case]:
    return all_cases()


@pytest.fixture
def typical() -> Case:
    return all_cases()["typical"]


@pytest.fixture
def house_of() -> Callable[..., House]:
    return house


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "case" in metafunc.fixturenames:
        every = all_cases()
        metafunc.parametrize("case", every.values(), ids=every.keys())
