"""How good the estimates are: simulated houses, their estimates and intervals against what is known exactly.

    python tests/studies/coverage.py --houses 200 --days 3 7 14 30

prints, for each length of record, the median error of each estimate and the share of its nominal 90 % intervals that
hold the truth. `--bypass` prints instead how often a 15 % bypass is told from the same house's sound assembly.
"""

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "model"), str(Path(__file__).parent)]

from simulated_houses import SimulatedHouse, simulate  # noqa: E402

from motemodel.estimate import Estimate, HouseRecord, Identification, Unknown, identify, judge  # noqa: E402
from motemodel.measure import FaultRule, TimeGrid, gridded_level, gridded_state  # noqa: E402

NAMES = {
    "outdoor_entry_per_h": "entry_per_h",
    "loss_fan_off_per_h": "loss_per_h",
    "clean_air_delivered_m3h": "delivered_m3h",
    "installed_efficiency": "efficiency",
    "sensor_gain_ratio": "gain_ratio",
}


@dataclass(frozen=True)
class Score:
    """One estimate of one house: relative error, whether the interval holds the truth, relative half width."""

    name: str
    error: float
    inside: bool
    half_width: float


def record_of(house: SimulatedHouse, days: float) -> HouseRecord:
    """The house's readings over the first `days`, as the package itself would grid them."""
    sensors = house.sensors
    grid = TimeGrid.covering(0.0, days * 24.0, 1.0 / 60.0)
    level = FaultRule(low=0.0, high=20_000.0)

    def weather(time: np.ndarray | None, values: np.ndarray | None) -> np.ndarray | None:
        return None if time is None else gridded_level(time, values, grid, hold_h=3.0).values

    return HouseRecord(
        step_h=grid.step_h,
        volume_m3=house.volume_m3,
        indoor_interval_h=house.interval_h if house.interval_h > grid.step_h else 0.0,
        outdoor=gridded_level(sensors.outdoor_time_h, sensors.outdoor, grid, hold_h=3.0, rule=level).values,
        indoor=gridded_level(sensors.indoor_time_h, sensors.indoor, grid, hold_h=0.25, rule=level).values,
        fan=gridded_state(sensors.fan_time_h, sensors.fan, grid, hold_h=48.0).values,
        window=None
        if sensors.window_time_h is None
        else gridded_state(sensors.window_time_h, sensors.window, grid, hold_h=1e4).values,
        outdoor_temperature=weather(sensors.weather_time_h, sensors.outdoor_temperature),
        wind_speed=weather(sensors.weather_time_h, sensors.wind_speed),
        indoor_temperature=None if sensors.weather_time_h is None else np.full(grid.count, sensors.indoor_temperature),
    )


def estimated(house: SimulatedHouse, days: float, seed: int) -> Identification:
    """Identification, with a fan airflow known as a contractor knows it: 5 % off, and said so."""
    off = float(np.exp(np.random.default_rng(seed).normal(0.0, 0.05)))
    airflow = house.airflow_m3h * off
    return identify(
        record_of(house, days), fan_airflow_m3h=Estimate(airflow, airflow * (1 - 0.082), airflow * (1 + 0.082))
    )


def scores(house: SimulatedHouse, days: float, seed: int) -> list[Score]:
    """Every estimate that the package ventures, against the truth over the same days."""
    truth = house.truth(days)
    answers = estimated(house, days, seed)
    found = []
    for name, true_name in NAMES.items():
        answer, true = getattr(answers, name), getattr(truth, true_name)
        if isinstance(answer, Estimate):
            found.append(
                Score(name, answer.value / true - 1.0, answer.low <= true <= answer.high, answer.half_width / true)
            )
    return found


def coverage_table(houses: int, lengths: list[int], first_seed: int) -> str:
    """The table, one line for each estimate and length of record."""
    collected: dict[tuple[str, int], list[Score]] = {(name, days): [] for name in NAMES for days in lengths}
    for seed in range(first_seed, first_seed + houses):
        house = simulate(seed, max(lengths))
        for days in lengths:
            for score in scores(house, days, seed):
                collected[score.name, days].append(score)
    lines = [
        f"{'estimate':26} {'days':>4} {'told':>5} {'covered':>8} {'median error':>13} {'bias':>7} {'half width':>11}"
    ]
    for (name, days), found in collected.items():
        if not found:
            lines.append(f"{name:26} {days:4d} {0:5d}")
            continue
        error = np.array([score.error for score in found])
        lines.append(
            f"{name:26} {days:4d} {len(found):5d} {np.mean([score.inside for score in found]):8.1%} "
            f"{np.median(np.abs(error)):13.1%} {np.median(error):+7.1%} "
            f"{np.median([score.half_width for score in found]):11.1%}"
        )
    return "\n".join(lines)


def bypass_table(houses: int, days: int, first_seed: int) -> str:
    """How often a 15 % bypass is told, and how often a sound assembly is accused, each against the sound delivery.

    What is expected is the sound assembly's true delivery, once known exactly and once with the 5 % standard deviation
    of a measured airflow.
    """
    lines = [
        f"{'expected delivery known to':28} {'houses':>7} {'bypass told':>12} {'false alarms':>13} {'cannot tell':>12}"
    ]
    pairs = []
    for seed in range(first_seed, first_seed + houses):
        sound, leaking = simulate(seed, days, bypass=0.0), simulate(seed, days, bypass=0.15)
        pairs.append(
            (
                sound.truth(days).delivered_m3h,
                estimated(sound, days, seed).clean_air_delivered_m3h,
                estimated(leaking, days, seed).clean_air_delivered_m3h,
            )
        )
    for label, sd in (("exactly", 0.0), ("5 %", 0.05)):
        told, alarms, unknown = 0, 0, 0
        for seed, (true, sound_answer, leaking_answer) in enumerate(pairs):
            value = true * float(np.exp(np.random.default_rng(seed).normal(0.0, sd)))
            expected = Estimate(value, value * (1.0 - 1.645 * sd), value * (1.0 + 1.645 * sd))
            told += judge(leaking_answer, expected).below_expected
            alarms += judge(sound_answer, expected).below_expected
            unknown += isinstance(leaking_answer, Unknown)
        lines.append(f"{label:28} {houses:7d} {told / houses:12.1%} {alarms / houses:13.1%} {unknown / houses:12.1%}")
    return "\n".join(lines)


def main() -> None:
    """Read the command line and print the table."""
    parser = argparse.ArgumentParser(description="coverage and error of the estimates over simulated houses")
    parser.add_argument("--houses", type=int, default=200)
    parser.add_argument("--days", type=int, nargs="+", default=[3, 7, 14, 30])
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--bypass", action="store_true", help="print the bypass table (ten days) instead")
    options = parser.parse_args()
    if options.bypass:
        sys.stdout.write(bypass_table(options.houses, 10, options.seed) + "\n")
        return
    sys.stdout.write(coverage_table(options.houses, options.days, options.seed) + "\n")


if __name__ == "__main__":
    main()
