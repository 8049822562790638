"""How good the filter's date is, 60 days ahead: simulated lives, each known exactly.

    python tests/studies/filter_date.py --lives 100

Each life has a filter, a blower and a duct, sensors, people and a climate of its own: dust that changes from day to day
and with the season, calls that follow the weather, a fan setting that somebody changes, a blower that gives less air as
the filter loads, sometimes a damper set otherwise, and a pressure sensor with gain, offset, noise, rounding and gaps.
It is made without any code of the package under test. Sixty days before the filter's true drop at the reference airflow
reaches its limit, the assessment's advice on the filter is asked for, on what the sensors have told by then.
"""

import argparse
import sys
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "model"), str(ROOT / "integration")]

from moteledger.engine.assessment import FilterAdvice  # noqa: E402
from moteledger.engine.filter_advice import filter_advice  # noqa: E402
from moteledger.engine.filter_past import FilterPast, filter_past  # noqa: E402
from moteledger.engine.grid import gridded  # noqa: E402
from moteledger.settings import House  # noqa: E402
from moteledger.store import Series  # noqa: E402

FloatArray = NDArray[np.float64]

AHEAD_DAYS = 60
WITHIN_DAYS = 10
LONGEST_DAYS = 700
LEAST_DAYS, MOST_DAYS = 100, 360
STEP_H = 0.25
CYCLE_H = 4.0
CHUNK_DAYS = 14
LIMIT_RATIO = 2.0


@dataclass(frozen=True)
class Life:
    """A life: its house file, when the record begins, when its true drop reaches the limit, what the sensors tell.

    `best_guess` is when somebody would expect it who knew all of filter, house, people and climate up to that day, and
    nothing of the weather and the dust to come but how they are on average.
    """

    house: House
    begun: date
    due: date
    best_guess: date
    time_h: FloatArray
    running: FloatArray
    drop_pa: FloatArray
    static_pa: FloatArray | None
    indoor_ug_m3: FloatArray
    airflow_m3h: FloatArray | None
    outdoor_c: FloatArray | None


@dataclass(frozen=True)
class Lives:
    """How lives are drawn and what is told of them.

    `weather`: the outdoor temperature is recorded; `climate`: the house file states its months; `blower`: it states the
    blower, which answers a growing drop about as the average of its family does, and not anyhow; `pm25`: a part of the
    dust is PM2.5, as measured indoors, and not all of it unseen; `static`: the total external static pressure is
    watched; `rated`: the filter's drop is stated at the airflows of a test report; `by_its_own`: no limit is stated,
    but twice the drop that it came with, which is not just the rated one; `for_the_air`: the fan is set to circulate in
    every house, and not for heating and cooling alone; `second`: a filter of the same kind was watched before it;
    `airflow`: it is measured in every house, and not in one of two; `unsteady` scales how much dust and people change.
    """

    weather: bool = False
    climate: bool = False
    blower: bool = False
    pm25: bool = False
    static: bool = False
    rated: bool = False
    by_its_own: bool = False
    for_the_air: bool = False
    second: bool = False
    airflow: bool = False
    unsteady: float = 1.0


_RATED = Lives(weather=True, climate=True, blower=True, pm25=True, static=True, rated=True)
_ALL = replace(_RATED, by_its_own=True, for_the_air=True, second=True, airflow=True)
CASES = {
    "nothing told of weather or blower": Lives(),
    "+ outdoor temperature recorded": Lives(weather=True),
    "+ climate in the house file": Lives(weather=True, climate=True),
    "+ blower in the house file": Lives(weather=True, climate=True, blower=True),
    "+ dust partly PM2.5, as measured": Lives(weather=True, climate=True, blower=True, pm25=True),
    "+ static pressure watched": Lives(weather=True, climate=True, blower=True, pm25=True, static=True),
    "+ rated as in a test report": _RATED,
    "+ limit by its own clean drop": replace(_RATED, by_its_own=True),
    "+ fan run for the air as well": replace(_RATED, by_its_own=True, for_the_air=True),
    "+ a filter like it watched before": replace(_RATED, by_its_own=True, for_the_air=True, second=True),
    "+ airflow measured in every house": _ALL,
    "+ people and their dust steady": replace(_ALL, unsteady=0.0),
    "static pressure alone": Lives(static=True),
}


def life(rng: np.random.Generator, how: Lives = CASES["nothing told of weather or blower"]) -> Life:
    """A life drawn by lot whose filter lasts between `LEAST_DAYS` and `MOST_DAYS`."""
    while True:
        drawn = _drawn(rng, how)
        if drawn is not None:
            return drawn


def _drawn(rng: np.random.Generator, how: Lives) -> Life | None:
    days = np.arange(LONGEST_DAYS * (2 if how.second else 1))
    begun = date(2025, 1, 1) + timedelta(days=int(rng.integers(0, 365)))
    of_year = 2.0 * np.pi * (days + begun.timetuple().tm_yday - 15) / 365.0
    mean_c, swing_k = rng.uniform(6, 18), rng.uniform(6, 14)
    usual_c = mean_c - swing_k * np.cos(of_year)
    outdoor_c = usual_c + _red(rng, days.size, 0.8, 3.0)
    # Somebody sets the fan to circulate, or no longer, once in a life at most.
    before, after = rng.choice((0.2, 0.35, 0.5) if how.for_the_air else (0.0, 0.2, 0.35), 2)
    changes_on = rng.integers(0, LONGEST_DAYS) if rng.random() < 0.3 * how.unsteady else LONGEST_DAYS
    circulated = np.where(days < changes_on, before, after)
    share = _in_runs(np.maximum(_called(outdoor_c), circulated) + _red(rng, days.size, 0.6, 0.03))
    unseen, usual_dust = _red(rng, days.size, 0.85, 0.25), rng.uniform(0.0, 0.2) * np.cos(of_year)
    dust = np.exp(how.unsteady * (unseen + usual_dust))
    clean = rng.uniform(35.0, 80.0)
    limit = LIMIT_RATIO * clean
    static = rng.uniform(100.0, 180.0)
    fall = rng.uniform(0.0, 0.35)
    bend = rng.uniform(0.0, 0.6)
    exponent = rng.uniform(1.1, 1.5)
    reference = rng.uniform(1400.0, 2400.0)
    damper = np.where((days > rng.integers(0, 3 * LONGEST_DAYS)), rng.uniform(0.9, 1.0), 1.0)
    per_day = rng.lognormal(np.log(1.0 / 90.0), 0.5)
    more = rng.spawn(1)[0]
    indoor = np.full(days.size, 8.0)
    expected_dust = np.exp(how.unsteady * usual_dust + (0.25 * how.unsteady) ** 2 / 2.0)
    blower = str(more.choice(list(BLOWERS), p=(0.5, 0.3, 0.2)))
    if how.blower:
        fall = _fall(blower, clean, static, exponent) * more.lognormal(0.0, 0.2)
    if how.pm25:
        dust, indoor, expected_dust = _partly_seen(more, how.unsteady * usual_dust)
    loaded, at_reference, airflow = 0.0, np.empty(days.size), np.empty(days.size)
    load = np.empty(days.size)
    first, changed_at = 0, more.uniform(0.8, 1.1) if how.second else np.inf
    for d in days:
        if loaded >= changed_at:
            loaded, first, changed_at = 0.0, int(d), np.inf
        left = damper[d] * (1.0 - fall * (at_reference[d - 1] - clean) / static if d > first else 1.0)
        of_day = per_day * share[d] * dust[d] * left
        # As it is at noon.
        load[d] = loaded + 0.5 * of_day
        at_reference[d] = clean * (1.0 + (1.0 - bend) * load[d] + bend * load[d] ** 2)
        airflow[d] = reference * damper[d] * (1.0 - fall * (at_reference[d] - clean) / static)
        loaded += of_day
    reached = first + np.flatnonzero(at_reference[first:] >= limit)
    if not reached.size or not LEAST_DAYS <= reached[0] - first <= MOST_DAYS or first > MOST_DAYS:
        return None
    if how.second and not first:
        return None
    known = int(reached[0]) - AHEAD_DAYS
    might = _called(usual_c[known:, np.newaxis] + 3.0 * more.normal(size=200))
    expected = _in_runs(np.maximum(might, circulated[known - 1]) + 0.03 * more.normal(size=200)).mean(axis=1)
    to_come = np.cumsum(per_day * expected * expected_dust[known:] * airflow[known - 1] / reference)
    guessed = known + 1 + int(np.argmax(load[known] + to_come >= 1.0))
    measured = bool(rng.random() < 0.5) or how.airflow
    time_h = np.arange(0.0, 24.0 * known, STEP_H)
    day = (time_h // 24.0).astype(int)
    running = (time_h % CYCLE_H < CYCLE_H * share[day] - 1e-9).astype(float)
    drop = _read(rng, at_reference[day] * (airflow[day] / reference) ** exponent * running, day)
    flow = airflow[day] * rng.normal(1.0, 0.02, time_h.size) * running if measured else None
    of_duct = more.uniform(1.8, 2.0)
    total = _total_static(at_reference, airflow / reference, damper, static, clean, fall, exponent, of_duct)
    watched = _read(more.spawn(1)[0], total[day] * running, day) if how.static else None
    swing = 4.0 * np.sin(2.0 * np.pi * (time_h - 9.0) / 24.0) + more.normal(0.0, 0.3, time_h.size)
    rated = clean * (more.lognormal(0.0, 0.05) if how.by_its_own else 1.0)
    climate = {
        "coldest_month": f"{round(mean_c - swing_k)} degC",
        "warmest_month": f"{round(mean_c + swing_k)} degC",
    }
    house = House.model_validate(
        {
            "name": "A life",
            "house": {"floor_area": "150 m2"},
            "air_handler": {"airflow": f"{reference} m3/h", "external_static": f"{static} Pa"}
            | ({"blower": blower} if how.blower else {}),
            "filter": {
                "merv": 11,
                "face_area": "0.3 m2",
                "rated_drop": [
                    {"airflow": f"{part * reference} m3/h", "drop": f"{rated * part**exponent} Pa"}
                    for part in ((0.5, 0.75, 1.0, 1.25) if how.rated else (1.0,))
                ],
                "installed": begun + timedelta(days=first),
                "longest_use": "1500 d",
            }
            | ({} if how.by_its_own else {"final_drop": f"{LIMIT_RATIO * clean} Pa"}),
            **({"outdoors": climate} if how.climate else {}),
        }
    )
    return Life(
        house=house,
        begun=begun,
        due=begun + timedelta(days=int(reached[0])),
        best_guess=begun + timedelta(days=guessed),
        time_h=time_h,
        running=running,
        drop_pa=drop,
        static_pa=watched,
        indoor_ug_m3=indoor[day],
        airflow_m3h=flow,
        outdoor_c=outdoor_c[day] + swing if how.weather else None,
    )


BLOWERS = {
    "permanent-split-capacitor": (49.0, -570.0),
    "constant-torque": (-456.0, 8.0),
    "constant-airflow": (99.0, -103.0),
}
"""How airflow follows the static pressure, cfm by in.w.c. and its square, in the average blower of a family that
moves 1,200 cfm at 0.5 in.w.c.

US Department of Energy, Technical Support Document EERE-2014-BT-STD-0048-0098, appendix 7-C.
"""


def _fall(blower: str, clean_pa: float, static_pa: float, exponent: float) -> float:
    """Share of the airflow that is lost where the filter's drop grows by the whole external static."""
    linear, square = BLOWERS[blower]

    def cfm(pa: float) -> float:
        inches = pa / 249.089
        return 1200.0 + linear * (inches - 0.5) + square * (inches**2 - 0.25)

    def beyond(left: float) -> float:
        """What the blower moves over what goes through duct and a filter of twice its clean drop."""
        return cfm((static_pa - clean_pa) * left**2 + 2.0 * clean_pa * left**exponent) / cfm(static_pa) - left

    return (1.0 - float(brentq(beyond, 0.3, 1.2))) * static_pa / clean_pa


def _total_static(
    at_reference: FloatArray,
    left: FloatArray,
    damper: FloatArray,
    static: float,
    clean: float,
    fall: float,
    exponent: float,
    of_duct: float,
) -> FloatArray:
    """Total external static pressure of each day, Pa: the duct's drop, by its power of the airflow, and the filter's.

    Where a damper has been moved, the duct is another one, and the pressure is what the blower makes at that airflow:
    what it would make with a filter that takes as much air as the damper.
    """
    filter_pa = at_reference * left**exponent
    if fall < 0.02:
        # A blower that holds its airflow is hardly slowed by anything; a damper that takes air from it anyhow makes as
        # much static as such a blower can.
        return np.where(damper < 1.0, 2.5 * static, (static - clean) * left**of_duct + filter_pa)
    risen = np.minimum((1.0 - left) * static / fall, 3.0 * static)
    as_by_filter = (static - clean) * left**of_duct + (clean + risen) * left**exponent
    return np.where(damper < 1.0, as_by_filter, (static - clean) * left**of_duct + filter_pa)


def _called(outdoor_c: FloatArray) -> FloatArray:
    return 0.015 * np.maximum(16.0 - outdoor_c, 0.0) + 0.05 * np.maximum(outdoor_c - 22.0, 0.0)


def _in_runs(share: FloatArray) -> FloatArray:
    """Runs last half an hour at least and begin every four hours."""
    return np.maximum(np.round(np.clip(share, 0.02, 1.0) * CYCLE_H / STEP_H), 2.0) * STEP_H / CYCLE_H


def _partly_seen(rng: np.random.Generator, usual: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Load of each day, indoor PM2.5, and what to expect of the load, where PM2.5 is a part of it.

    Daily means of PM2.5 measured in Beijing in four months of 2014 (Liang et al. 2015; tests/reference/data) depart
    from their month's mean by 0.46 to 1.0 of their logarithm, with 0.25 to 0.76 kept to the next day.
    """
    part, spread, kept = rng.uniform(0.1, 0.6), rng.uniform(0.46, 1.0), rng.uniform(0.25, 0.76)
    pm25 = np.exp(_red(rng, usual.size, kept, spread) - spread**2 / 2.0 + usual)
    house_dust = np.exp(_red(rng, usual.size, 0.5, 0.25) - 0.25**2 / 2.0)
    return (1.0 - part) * house_dust + part * pm25, 8.0 * pm25, 1.0 - part + part * np.exp(usual)


def _read(rng: np.random.Generator, true: FloatArray, day: NDArray[np.int_]) -> FloatArray:
    """What a pressure sensor tells: with a gain, an offset, noise, in whole Pa, now and then nothing."""
    gain, offset = rng.normal(1.0, 0.01), rng.normal(0.0, 0.5)
    read = np.round(gain * true + offset + rng.normal(0.0, 1.0, true.size))
    read[rng.random(true.size) < 0.02] = np.nan
    days = int(day[-1]) + 1
    gap = int(rng.integers(0, max(days - 5, 1)))
    read[(day >= gap) & (day < gap + rng.integers(0, 4))] = np.nan
    return np.asarray(read)


def _red(rng: np.random.Generator, count: int, kept: float, spread: float) -> FloatArray:
    """Noise with a memory, of a given standard deviation."""
    kick = rng.normal(0.0, spread * np.sqrt(1.0 - kept**2), count)
    now, found = rng.normal(0.0, spread), np.empty(count)
    for k in range(count):
        now = kept * now + kick[k]
        found[k] = now
    return found


def advice(one: Life) -> FilterAdvice:
    """What is advised on the last day known, from the whole past by fortnights as the service has it."""
    origin_us = int(datetime(one.begun.year, one.begun.month, one.begun.day, tzinfo=UTC).timestamp() * 1e6)
    end_h = float(one.time_h[-1]) + STEP_H
    edges = np.arange(end_h, 0.0, -24.0 * CHUNK_DAYS)[::-1]
    past: FilterPast | None = None
    for end in edges:
        inside = (one.time_h >= end - 24.0 * CHUNK_DAYS) & (one.time_h < end)
        if np.count_nonzero(inside) * STEP_H < 24.0:
            continue
        grid = gridded(one.house, _readings(one, inside, origin_us))
        if end == edges[-1]:
            return filter_advice(one.house, grid, grid.moment(grid.grid.end_h), before=past)
        part = filter_past(one.house, grid)
        past = part if past is None else past.then(part)
    raise ValueError("a life too short to be told")


def _readings(one: Life, inside: NDArray[np.bool_], origin_us: int) -> dict[str, Series]:
    time_h = one.time_h[inside]

    def series(values: FloatArray) -> Series:
        known = np.isfinite(values)
        # A reading tells of the quarter that ends with it; states tell of the time from then on.
        return Series((origin_us + (time_h[known] + STEP_H) * 3.6e9).astype(np.int64), values[known])

    indoor = one.indoor_ug_m3[inside] + np.sin(time_h)
    found = {
        "indoor.pm25": series(indoor),
        "outdoor.pm25": series(1.5 * indoor + 2.0),
        "filter.pressure_drop": series(one.drop_pa[inside]),
        "fan.running": Series((origin_us + time_h * 3.6e9).astype(np.int64), one.running[inside]),
    }
    if one.static_pa is not None:
        found["duct.static_pressure"] = series(one.static_pa[inside])
    if one.airflow_m3h is not None:
        found["duct.airflow"] = series(one.airflow_m3h[inside])
    if one.outdoor_c is not None:
        found["outdoor.temperature"] = series(one.outdoor_c[inside])
    return found


@dataclass(frozen=True)
class Missed:
    """Days by which the advised date is late, nan where there is none; whether its interval holds the true one.

    `guess_late`: the same of the best guess.
    """

    late: float
    held: bool
    width_days: float
    guess_late: float
    airflow_measured: bool


def missed_by(one: Life) -> Missed:
    """How far the advice on a life is off."""
    told = advice(one)
    guess, measured = float((one.best_guess - one.due).days), one.airflow_m3h is not None
    if told.change_on is None or told.change_between is None:
        return Missed(np.nan, False, np.nan, guess, measured)
    low, high = told.change_between
    late, width = float((told.change_on - one.due).days), float((high - low).days)
    return Missed(late, low <= one.due <= high, width, guess, measured)


def study(lives: int, seed: int, how: Lives = Lives()) -> list[Missed]:
    """How far the advice is off, for each life; one seed draws alike houses, weather and people for every case."""
    rng = np.random.default_rng(seed)
    return [missed_by(life(rng, how)) for _ in range(lives)]


def _printed(found: list[Missed]) -> str:
    late = np.array([one.late for one in found])
    within = np.abs(late) <= WITHIN_DAYS
    measured = np.array([one.airflow_measured for one in found])
    guess = np.abs([one.guess_late for one in found]) <= WITHIN_DAYS
    quantiles = " ".join(f"{q:4.0f}" for q in np.nanquantile(late, (0.05, 0.25, 0.5, 0.75, 0.95)))
    held, width = np.mean([one.held for one in found]), np.nanmedian([one.width_days for one in found])
    by_airflow = " ".join(f"{within[of].mean():5.0%}" if of.any() else "    -" for of in (measured, ~measured))
    return f"{within.mean():5.0%} {by_airflow}  {quantiles}  {held:4.0%} {width:5.0f}  {guess.mean():5.0%}"


def main() -> None:
    """Run the study and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lives", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    print(f"{arguments.lives} lives, seed {arguments.seed}, {AHEAD_DAYS} days ahead")  # noqa: T201
    print(f"within: share of lives with a date within {WITHIN_DAYS} days of the true one; of those whose")  # noqa: T201
    print("airflow is measured, of the others; held: the true day lies within the 90 % interval, and")  # noqa: T201
    print("its width, days, median; ceiling: for one who knows all but the weather and dust to come")  # noqa: T201
    print(f"{'':34} within  flow    no   days late, 5 25 50 75 95 %  held width ceiling")  # noqa: T201
    for name, how in CASES.items():
        print(f"{name:35} {_printed(study(arguments.lives, arguments.seed, how))}", flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
