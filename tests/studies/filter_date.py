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
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

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
    """A life: its house file, when the filter went in, when its true drop reaches the limit, what the sensors tell."""

    house: House
    installed: date
    due: date
    time_h: FloatArray
    running: FloatArray
    drop_pa: FloatArray
    airflow_m3h: FloatArray | None


def life(rng: np.random.Generator, unsteady: float = 1.0) -> Life:
    """A life drawn by lot whose filter lasts between `LEAST_DAYS` and `MOST_DAYS`.

    `unsteady` scales how much the dust changes from day to day, with the season and with the fan setting.
    """
    while True:
        drawn = _drawn(rng, unsteady)
        if drawn is not None:
            return drawn


def _drawn(rng: np.random.Generator, unsteady: float) -> Life | None:
    days = np.arange(LONGEST_DAYS)
    installed = date(2025, 1, 1) + timedelta(days=int(rng.integers(0, 365)))
    of_year = 2.0 * np.pi * (days + installed.timetuple().tm_yday - 15) / 365.0
    outdoor_c = rng.uniform(6, 18) - rng.uniform(6, 14) * np.cos(of_year) + _red(rng, days.size, 0.8, 3.0)
    heating = 0.015 * np.maximum(16.0 - outdoor_c, 0.0)
    cooling = 0.05 * np.maximum(outdoor_c - 22.0, 0.0)
    # Somebody sets the fan to circulate, or no longer, once in a life at most.
    before, after = rng.choice((0.0, 0.2, 0.35), 2)
    changes_on = rng.integers(0, LONGEST_DAYS) if rng.random() < 0.3 * unsteady else LONGEST_DAYS
    circulated = np.where(days < changes_on, before, after)
    share = np.clip(np.maximum(heating + cooling, circulated) + _red(rng, days.size, 0.6, 0.03), 0.02, 1.0)
    # Runs last half an hour at least and begin every four hours.
    share = np.maximum(np.round(share * CYCLE_H / STEP_H), 2.0) * STEP_H / CYCLE_H
    dust = np.exp(unsteady * (_red(rng, days.size, 0.85, 0.25) + rng.uniform(0.0, 0.2) * np.cos(of_year)))
    clean = rng.uniform(35.0, 80.0)
    limit = LIMIT_RATIO * clean
    static = rng.uniform(100.0, 180.0)
    fall = rng.uniform(0.0, 0.35)
    bend = rng.uniform(0.0, 0.6)
    exponent = rng.uniform(1.1, 1.5)
    reference = rng.uniform(1400.0, 2400.0)
    damper = np.where((days > rng.integers(0, 3 * LONGEST_DAYS)), rng.uniform(0.9, 1.0), 1.0)
    per_day = rng.lognormal(np.log(1.0 / 90.0), 0.5)
    loaded, at_reference, airflow = 0.0, np.empty(days.size), np.empty(days.size)
    for d in days:
        risen = clean * ((1.0 - bend) * loaded + bend * loaded**2)
        at_reference[d] = clean + risen
        airflow[d] = reference * damper[d] * (1.0 - fall * risen / static)
        loaded += per_day * share[d] * dust[d] * airflow[d] / reference
    reached = np.flatnonzero(at_reference >= limit)
    if not reached.size or not LEAST_DAYS <= reached[0] <= MOST_DAYS:
        return None
    known_days = int(reached[0]) - AHEAD_DAYS
    measured = bool(rng.random() < 0.5)
    return _told(
        rng,
        installed,
        int(reached[0]),
        known_days,
        clean,
        reference,
        static,
        share,
        at_reference,
        airflow,
        exponent,
        measured,
    )


def _told(
    rng: np.random.Generator,
    installed: date,
    due_day: int,
    days: int,
    clean: float,
    reference: float,
    static: float,
    share: FloatArray,
    at_reference: FloatArray,
    airflow: FloatArray,
    exponent: float,
    measured: bool,
) -> Life:
    """What the sensors tell of the first days: by the quarter of an hour, the fan in runs of its share."""
    time_h = np.arange(0.0, 24.0 * days, STEP_H)
    day = (time_h // 24.0).astype(int)
    running = (time_h % CYCLE_H < CYCLE_H * share[day] - 1e-9).astype(float)
    true = at_reference[day] * (airflow[day] / reference) ** exponent * running
    gain, offset = rng.normal(1.0, 0.01), rng.normal(0.0, 0.5)
    read = np.round(gain * true + offset + rng.normal(0.0, 1.0, time_h.size))
    read[rng.random(time_h.size) < 0.02] = np.nan
    gap = int(rng.integers(0, max(days - 5, 1)))
    read[(day >= gap) & (day < gap + rng.integers(0, 4))] = np.nan
    house = House.model_validate(
        {
            "name": "A life",
            "house": {"floor_area": "150 m2"},
            "air_handler": {"airflow": f"{reference} m3/h", "external_static": f"{static} Pa"},
            "filter": {
                "merv": 11,
                "face_area": "0.3 m2",
                "rated_drop": [{"airflow": f"{reference} m3/h", "drop": f"{clean} Pa"}],
                "final_drop": f"{LIMIT_RATIO * clean} Pa",
                "installed": installed,
                "longest_use": "1500 d",
            },
        }
    )
    flow = airflow[day] * rng.normal(1.0, 0.02, time_h.size) * running if measured else None
    return Life(house, installed, installed + timedelta(days=due_day), time_h, running, read, flow)


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
    origin_us = int(datetime(one.installed.year, one.installed.month, one.installed.day, tzinfo=UTC).timestamp() * 1e6)
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

    still = np.full(time_h.size, 8.0) + np.sin(time_h)
    found = {
        "indoor.pm25": series(still),
        "outdoor.pm25": series(still + 2.0),
        "filter.pressure_drop": series(one.drop_pa[inside]),
        "fan.running": Series((origin_us + time_h * 3.6e9).astype(np.int64), one.running[inside]),
    }
    if one.airflow_m3h is not None:
        found["duct.airflow"] = series(one.airflow_m3h[inside])
    return found


def missed_by(one: Life) -> tuple[float, bool]:
    """Days by which the advised date is late, nan where there is none; whether its interval holds the true one."""
    told = advice(one)
    if told.change_on is None or told.change_between is None:
        return np.nan, False
    return float((told.change_on - one.due).days), told.change_between[0] <= one.due <= told.change_between[1]


def study(lives: int, seed: int, unsteady: float = 1.0) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Days late and whether the interval holds, for each life."""
    rng = np.random.default_rng(seed)
    found = [missed_by(life(rng, unsteady)) for _ in range(lives)]
    return np.array([late for late, _ in found]), np.array([held for _, held in found])


def main() -> None:
    """Run the study and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--lives", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--unsteady", type=float, default=1.0, help="scale of what changes in the lives")
    arguments = parser.parse_args()
    late, held = study(arguments.lives, arguments.seed, arguments.unsteady)
    known = np.isfinite(late)
    within = np.abs(late[known]) <= WITHIN_DAYS
    print(f"lives {late.size}, with a date {known.sum()}, {AHEAD_DAYS} days ahead")  # noqa: T201
    print(f"  within {WITHIN_DAYS} days {within.sum() / late.size:.0%}")  # noqa: T201
    quantiles = np.quantile(late[known], (0.05, 0.25, 0.5, 0.75, 0.95))
    print(f"  days late, 5 25 50 75 95 %: {' '.join(f'{q:.0f}' for q in quantiles)}")  # noqa: T201
    print(f"  the true day within the 90 % interval {held.mean():.0%}")  # noqa: T201


if __name__ == "__main__":
    main()
