"""How good the fan schedule is: simulated weeks on measured outdoor air, against simple rules tuned with hindsight.

    python tests/studies/fan_plan.py --weeks 120

Each week has a house of its own, a stretch of a measured year scaled to a climate of its own, heating and cooling calls
that follow the temperature in cycles, quiet hours in every other house, and a daily mean of PM2.5 to hold. It is lived
twice: planned anew every midnight for two days with the truth known ahead, and planned anew every hour for two days
with nothing but the past. The simple rules are then tuned on the same week, with hindsight, to no worse a mean.

A plan that holds every day is not made for the least energy at a week's mean, by which a tuned rule is compared. So a
third planner is lived with that has this aim, and one number tuned with hindsight as the rules have: anew every hour,
from nothing but the past, it takes what is the least of energy and exposure at one price for the whole week.
"""

import argparse
import csv
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, fields
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "model"))

from motemodel.plan import (  # noqa: E402
    AirTarget,
    Dwell,
    FanProblem,
    HouseRates,
    Outlook,
    Runtime,
    above_indoors,
    best_schedule,
    calendar_days,
    minutes_of_each_hour,
    outdoor_forecast,
    planned,
    usual_share_by_hour,
    wary_schedule,
)
from motemodel.plan.fan_bound import PricedSchedules  # noqa: E402

FloatArray = NDArray[np.float64]

OUTDOOR_FILE = ROOT / "tests" / "reference" / "data" / "outdoor_pm25_beijing_2014_extract.csv"
PER_HOUR = 12
PER_DAY = 24 * PER_HOUR
STEP_H = 1.0 / PER_HOUR
PAST_DAYS = 14
WEEK = 7 * PER_DAY
CYCLE_STEPS = 6
LEAST_H = 0.25
LONGEST_GAP_H = 6
SETTINGS = 121
HALVINGS = 8
LEAST_PRICE, DEAREST_PRICE = 1e-3, 1.0
"""Prices of exposure tried for a whole week, kWh per ug h/m3."""
LEAST_KWH = 0.05
MARGIN = 0.03
"""Share of the target that is kept back when what comes is only a forecast, as the house file's own default."""
TARGETS = (5.0, 10.0, 15.0, 25.0, 35.0)


@dataclass(frozen=True)
class Week:
    """A house and what happens to it: 14 days of past, hourly, and seven days lived, in steps of five minutes."""

    rates: HouseRates
    target: float
    past_outdoor: FloatArray
    past_called: FloatArray
    outdoor: FloatArray
    called: FloatArray
    allowed: NDArray[np.bool_]
    start: float

    def outlook(self, first: int, end: int, start: float) -> Outlook:
        """The true outlook of some steps of the week."""
        part = slice(first, min(end, WEEK))
        return Outlook(STEP_H, self.outdoor[part], self.called[part], self.allowed[part], start)


@dataclass(frozen=True)
class Lived:
    """What came of a week: mean and daily means of PM2.5, ug/m3, and energy asked for beyond the calls, kWh."""

    mean: float
    daily: FloatArray
    asked_kwh: float
    total_kwh: float


def measured() -> tuple[FloatArray, FloatArray, NDArray[np.str_]]:
    """Hourly PM2.5, temperature and month; gaps of a few hours drawn across, longer ones left open."""
    with OUTDOOR_FILE.open(encoding="utf-8") as file:
        rows = list(csv.reader(line for line in file if not line.startswith("#")))[1:]
    values = np.array([[float(cell) if cell else np.nan for cell in row[1:3]] for row in rows])
    return _bridged(values[:, 0]), _bridged(values[:, 1]), np.array([row[0][:7] for row in rows])


def _bridged(values: FloatArray) -> FloatArray:
    known = np.flatnonzero(np.isfinite(values))
    filled = np.interp(np.arange(values.size), known, values[known])
    for a, b in pairwise(known):
        if b - a > LONGEST_GAP_H:
            filled[a + 1 : b] = np.nan
    return filled


@dataclass
class Tally:
    """What every plan of the study took and proved: gap, kWh that a perfect one might save, processor time of 48 h.

    The time of those that are other than is best in the air as expected stands by itself.
    """

    gaps: list[float] = field(default_factory=list)
    open_kwh: list[float] = field(default_factory=list)
    two_days_ms: list[float] = field(default_factory=list)
    turned_ms: list[float] = field(default_factory=list)

    def wary(self, fan: FanProblem, feared: FloatArray, target: AirTarget) -> NDArray[np.intp]:
        """Make a plan, and count it unless the thermostat alone holds the target."""
        began = time.process_time()
        found = wary_schedule(fan, feared, target)
        seconds = time.process_time() - began
        if found.cost > 0.0:
            self.gaps.append(found.gap)
            self.open_kwh.append(found.cost - found.least_cost)
            if fan.outlook.steps == 2 * PER_DAY:
                (self.two_days_ms if found.bold is None else self.turned_ms).append(1000.0 * seconds)
        return found.choice


def weeks(count: int, seed: int) -> list[Week]:
    """Houses and climates drawn from the ranges that field studies report; weeks without long gaps."""
    air, temperature, month = measured()
    hours = (PAST_DAYS + 7) * 24
    starts = [
        h
        for h in range(0, air.size - hours, 24)
        if np.isfinite(air[h : h + hours]).all() and month[h] == month[h + hours - 1]
    ]
    rng = np.random.default_rng(seed)
    return [_week(rng, air, temperature, int(rng.choice(starts))) for _ in range(count)]


def _week(rng: np.random.Generator, air: FloatArray, temperature: FloatArray, first: int) -> Week:
    scale = np.exp(rng.uniform(np.log(0.1), np.log(1.0)))
    warmer = rng.uniform(-8.0, 8.0)
    middle, end = first + PAST_DAYS * 24, first + (PAST_DAYS + 7) * 24
    rates = HouseRates(
        entry_per_h=(entry := rng.uniform(0.1, 0.6)),
        loss_fan_off_per_h=entry + rng.uniform(0.2, 0.6),
        clean_air_per_h=rng.uniform(0.8, 5.0),
        fan_power_w=rng.uniform(150.0, 600.0),
        source_ug_m3_h=rng.uniform(0.0, 4.0),
    )
    share = Runtime().on_fraction(temperature + warmer)
    hour = np.arange(WEEK) // PER_HOUR % 24
    quiet = (hour >= 22) | (hour < 6) if rng.random() < 0.5 else np.zeros(WEEK, dtype=np.bool_)
    return Week(
        rates=rates,
        target=float(rng.choice(TARGETS)),
        past_outdoor=scale * air[first:middle],
        past_called=_cycled(rng, share[first:middle]).reshape(-1, PER_HOUR).mean(axis=1),
        outdoor=np.repeat(scale * air[middle:end], PER_HOUR),
        called=_cycled(rng, share[middle:end]),
        allowed=~quiet,
        start=scale * air[middle] * entry / (entry + 0.4),
    )


def _cycled(rng: np.random.Generator, share: FloatArray) -> FloatArray:
    """Calls as a thermostat makes them: in half-hour cycles, each on for its share, drawn to whole steps by lot."""
    steps = np.repeat(share, PER_HOUR)
    place = np.arange(steps.size) % CYCLE_STEPS
    lot = np.repeat(rng.random(steps.size // CYCLE_STEPS), CYCLE_STEPS)
    return np.asarray(place < np.floor(steps * CYCLE_STEPS + lot), dtype=np.float64)


def lived(week: Week, asked: NDArray[np.bool_]) -> Lived:
    """What the week comes to when the fan is asked for so."""
    outlook = week.outlook(0, WEEK, week.start)
    plan = planned("", outlook.running(asked), outlook, week.rates)
    calls = planned("", outlook.called, outlook, week.rates)
    daily = plan.indoor_ug_m3.reshape(7, PER_DAY).mean(axis=1)
    asked_kwh = plan.energy_kwh - calls.energy_kwh
    return Lived(plan.mean_ug_m3, daily, asked_kwh, plan.energy_kwh)


def with_foresight(week: Week, tally: Tally) -> Lived:
    """Planned at every midnight for two days with the truth known."""

    def outlook_at(first: int, end: int, start: float) -> tuple[Outlook, FloatArray]:
        outlook = week.outlook(first, end, start)
        return outlook, outlook.outdoor_ug_m3

    return _replanned(week, tally.wary, every=PER_DAY, ahead=2 * PER_DAY, outlook_at=outlook_at)


def with_forecast(week: Week, tally: Tally, margin: float = MARGIN, bold: bool = False, days: int = 2) -> Lived:
    """Planned every hour for the days ahead from the past alone; `bold`: on the expected air alone."""

    def outlook_at(first: int, end: int, start: float) -> tuple[Outlook, FloatArray]:
        outlook, feared = _forecast_at(week, first, end, start)
        return outlook, outlook.outdoor_ug_m3 if bold else feared

    ahead, kept = days * PER_DAY, 1.0 - margin
    return _replanned(week, tally.wary, every=PER_HOUR, ahead=ahead, outlook_at=outlook_at, margin=kept)


def _forecast_at(week: Week, first: int, end: int, start: float) -> tuple[Outlook, FloatArray]:
    """What the past alone tells of some steps of the week, and the outdoor air that is to be feared in them."""
    now = first // PER_HOUR
    outdoor = np.concatenate((week.past_outdoor, week.outdoor[::PER_HOUR][:now]))
    called = np.concatenate((week.past_called, week.called.reshape(-1, PER_HOUR).mean(axis=1)[:now]))
    hour = np.arange(outdoor.size) % 24
    hours = (end - first) // PER_HOUR
    forecast = outdoor_forecast(outdoor, hour, hours)
    calls = usual_share_by_hour(called, hour)[(now + np.arange(hours)) % 24]
    clock = np.arange(first, end) % WEEK
    expected, feared = (np.repeat(each, PER_HOUR) for each in (forecast.expected, forecast.feared))
    return Outlook(STEP_H, expected, np.repeat(calls, PER_HOUR), week.allowed[clock], start), feared


def at_a_price(week: Week, price: float) -> Lived:
    """Planned every hour for a day from the past alone: least energy and exposure, at a price in kWh per ug h/m3."""

    def least(fan: FanProblem, _feared: FloatArray, _target: AirTarget) -> NDArray[np.intp]:
        problem = fan.in_periods(np.zeros(fan.outlook.steps, dtype=np.intp))
        return PricedSchedules(problem).solve(np.full((1, 1), price), np.ones(1))[1][0]

    return _replanned(week, least, every=PER_HOUR, ahead=PER_DAY, outlook_at=partial(_forecast_at, week))


def tuned_price(week: Week, is_dear: Callable[[Lived], bool]) -> tuple[Lived, Lived]:
    """The week at the dearest price found by halving that is not dear, and at the cheapest that is."""
    low, high = LEAST_PRICE, DEAREST_PRICE
    below, above = at_a_price(week, low), at_a_price(week, high)
    for _ in range(HALVINGS):
        middle = float(np.sqrt(low * high))
        one = at_a_price(week, middle)
        if is_dear(one):
            above, high = one, middle
        else:
            below, low = one, middle
    return below, above


def _replanned(
    week: Week,
    planner: Callable[[FanProblem, FloatArray, AirTarget], NDArray[np.intp]],
    *,
    every: int,
    ahead: int,
    outlook_at: Callable[[int, int, float], tuple[Outlook, FloatArray]],
    margin: float = 1.0,
) -> Lived:
    asked = np.zeros(WEEK, dtype=np.bool_)
    level, today = week.start, 0.0
    running, since = False, np.inf
    for first in range(0, WEEK, every):
        into_day = first % PER_DAY
        today = 0.0 if into_day == 0 else today
        past_h = into_day * STEP_H
        outlook, feared = outlook_at(first, first + ahead, level)
        target = AirTarget(
            margin * week.target,
            calendar_days(past_h, outlook.steps, STEP_H),
            past_h,
            today / past_h if past_h else 0.0,
        )
        fan = FanProblem(outlook, week.rates, dwell=Dwell(LEAST_H, LEAST_H, running, since))
        choice = planner(fan, feared, target)
        part = slice(first, first + every)
        asked[part] = choice[:every] > 0
        truth = week.outlook(first, first + every, level)
        means = planned("", truth.running(asked[part]), truth, week.rates).indoor_ug_m3
        today += float(means.sum()) * STEP_H
        level = _end(week, truth, asked[part])
        running = bool(asked[first + every - 1])
        changes = np.flatnonzero(np.diff(asked[: first + every]))
        since = (first + every - 1 - changes[-1]) * STEP_H if changes.size else np.inf
    return lived(week, asked)


def _end(week: Week, outlook: Outlook, asked: NDArray[np.bool_]) -> float:
    """PM2.5 at the end of some steps, by the closed form of each."""
    level, rates = outlook.start_ug_m3, week.rates
    for on, air in zip(outlook.running(asked), outlook.outdoor_ug_m3, strict=True):
        loss = rates.loss_fan_off_per_h + on * rates.clean_air_per_h
        settled = (rates.entry_per_h * air + rates.source_ug_m3_h) / loss
        level = settled + (level - settled) * float(np.exp(-loss * STEP_H))
    return float(level)


def best_rule(week: Week, holds: Callable[[Lived], bool]) -> Lived:
    """The simple rule that holds on the least energy, each family tuned with hindsight to its last of 121 settings."""
    outlook = week.outlook(0, WEEK, week.start)
    most = 2.0 * max(float(outlook.outdoor_ug_m3.max()), week.start, 1.0)
    families: tuple[Callable[[float], NDArray[np.bool_]], ...] = (
        lambda x: minutes_of_each_hour(outlook, 60.0 * x),
        lambda x: outlook.outdoor_ug_m3 >= most * (1.0 - x) ** 2,
        lambda x: above_indoors(outlook, week.rates, most * (1.0 - x) ** 3, least_h=LEAST_H),
    )
    found = [lived(week, np.ones(WEEK, dtype=np.bool_))]
    for asked_at in families:
        for x in np.linspace(0.0, 1.0, SETTINGS):
            one = lived(week, asked_at(float(x)))
            if holds(one):
                found.append(one)
                break
    return min(found, key=lambda one: one.total_kwh)


def planned_for_the_week(week: Week, mean: float) -> Lived:
    """The week planned as one averaging period with the truth known, to a mean."""
    fan = FanProblem(week.outlook(0, WEEK, week.start), week.rates, dwell=Dwell(LEAST_H, LEAST_H))
    found = best_schedule(fan, AirTarget(mean))
    return lived(week, found.choice > 0)


def told(label: str, values: list[float], unit: str = "") -> None:
    """Median, ninth decile and worst of some figures."""
    array = np.array(values)
    if array.size:
        print(  # noqa: T201
            f"{label:62s} median {np.median(array):7.3f}  9 in 10 below {np.quantile(array, 0.9):7.3f}  "
            f"worst {array.max():7.3f} {unit} (n {array.size})"
        )


@dataclass
class Findings:
    """The figures of the study, a value a week or a day."""

    days: list[tuple[bool, bool, bool]] = field(default_factory=list)
    overshoot: list[float] = field(default_factory=list)
    week_asked: list[float] = field(default_factory=list)
    week_total: list[float] = field(default_factory=list)
    same_days_foresight: list[float] = field(default_factory=list)
    same_days_forecast: list[float] = field(default_factory=list)
    same_mean_forecast: list[float] = field(default_factory=list)
    priced_total: list[float] = field(default_factory=list)
    priced_asked: list[float] = field(default_factory=list)
    priced_air: list[float] = field(default_factory=list)
    regret_energy: list[float] = field(default_factory=list)
    regret_air: list[float] = field(default_factory=list)

    def add(self, week: Week, seen: Lived, forecast: Lived) -> None:
        """Compare one week, lived with foresight and on its forecast, with the rules tuned on it."""
        limit = week.target * (1.0 + 1e-6)
        can = lived(week, np.ones(WEEK, dtype=np.bool_)).daily <= limit
        kept, kept_forecast = seen.daily <= limit, forecast.daily <= limit
        self.days += list(zip(can.tolist(), kept.tolist(), kept_forecast.tolist(), strict=True))
        self.overshoot += list((forecast.daily / week.target - 1.0)[can & ~kept_forecast])
        self.regret_air.append(forecast.mean / seen.mean)
        if min(seen.asked_kwh, forecast.asked_kwh) < LEAST_KWH:
            return
        self.regret_energy.append(forecast.total_kwh / seen.total_kwh)
        for one, held, ratios in (
            (seen, kept, self.same_days_foresight),
            (forecast, kept_forecast, self.same_days_forecast),
        ):
            standard = np.where(held, limit, one.daily * (1.0 + 1e-6))
            rule = best_rule(week, lambda other, standard=standard: bool((other.daily <= standard).all()))
            ratios.append(one.total_kwh / rule.total_kwh)
        rule = best_rule(week, lambda other: other.mean <= forecast.mean * (1.0 + 1e-9))
        self.same_mean_forecast.append(forecast.total_kwh / rule.total_kwh)
        _, as_clean = tuned_price(week, lambda other: other.mean <= rule.mean)
        if as_clean.mean <= rule.mean:
            self.priced_total.append(as_clean.total_kwh / rule.total_kwh)
            self.priced_asked.append(as_clean.asked_kwh / max(rule.asked_kwh, LEAST_KWH))
        as_dear, _ = tuned_price(week, lambda other: other.total_kwh > rule.total_kwh)
        self.priced_air.append(as_dear.mean / rule.mean)
        ideal = planned_for_the_week(week, rule.mean)
        self.week_total.append(ideal.total_kwh / rule.total_kwh)
        self.week_asked.append(ideal.asked_kwh / max(rule.asked_kwh, LEAST_KWH))

    def tell(self) -> None:
        """Print everything."""
        days = np.array(self.days)
        can = days[:, 0]
        print(f"days in all {len(days)}; days that running throughout would hold {can.sum()}")  # noqa: T201
        print(f"  of these held with the truth known {(can & days[:, 1]).sum()}")  # noqa: T201
        print(f"  of these held on the forecast {(can & days[:, 2]).sum()}")  # noqa: T201
        print(f"  others that were held with the truth known {(~can & days[:, 1]).sum()}")  # noqa: T201
        told("overshoot of the days missed on the forecast, of the target", self.overshoot)
        told("week's mean as the standard: asked for, schedule over rule", self.week_asked)
        told("week's mean as the standard: all energy, schedule over rule", self.week_total)
        told("each day as the standard: all energy, with the truth known", self.same_days_foresight)
        told("each day as the standard: all energy, on the forecast", self.same_days_forecast)
        told("day by day on the forecast over rule at equal week's mean", self.same_mean_forecast)
        told("one price all week, no worse a mean: all energy over rule", self.priced_total)
        told("one price all week, no worse a mean: asked for over rule", self.priced_asked)
        told("one price all week, no more energy: mean PM2.5 over rule", self.priced_air)
        told("regret of forecasting: all energy over that with the truth", self.regret_energy)
        told("regret of forecasting: mean PM2.5 over that with the truth", self.regret_air)


def _studied(week: Week, margin: float, bold: bool, days: int) -> tuple[Findings, Tally]:
    """One week, by itself."""
    tally, findings = Tally(), Findings()
    findings.add(week, with_foresight(week, tally), with_forecast(week, tally, margin, bold, days))
    return findings, tally


def main() -> None:
    """Run the study and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--weeks", type=int, default=120)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--margin", type=float, default=MARGIN, help="share of the target kept back on a forecast")
    parser.add_argument("--bold", action="store_true", help="plan on the expected air alone, whatever else may come")
    parser.add_argument("--days", type=int, default=2, help="how far ahead each hour's plan looks")
    parser.add_argument("--processes", type=int, default=1)
    arguments = parser.parse_args()
    tally, findings = Tally(), Findings()
    one = partial(_studied, margin=arguments.margin, bold=arguments.bold, days=arguments.days)
    with ProcessPoolExecutor(arguments.processes) as pool:
        for of_week in pool.map(one, weeks(arguments.weeks, arguments.seed)):
            for whole, part in zip((findings, tally), of_week, strict=True):
                for each in fields(whole):
                    getattr(whole, each.name).extend(getattr(part, each.name))
    findings.tell()
    told("gap to the proven bound, share of the cost asked for", tally.gaps)
    told("gap to the proven bound", tally.open_kwh, "kWh")
    told("processor time of a plan of 48 h at 5 min", tally.two_days_ms, "ms")
    told("the same where feared air changes the plan", tally.turned_ms, "ms")


if __name__ == "__main__":
    main()
