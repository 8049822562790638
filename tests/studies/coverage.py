"""How good the estimates are: simulated houses, their estimates and intervals against what is known exactly.

    python tests/studies/coverage.py --houses 200 --days 3 7 14 30

prints, for each length of record, the median error of each estimate and the share of its nominal 90 % intervals that
hold the truth. `--bypass` prints instead how often a 15 % bypass is told from the same house's sound assembly, by the
air delivered alone and with the filter's drop.
"""

import argparse
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT / "model"), str(Path(__file__).parent)]

from simulated_houses import FilterDrop, SimulatedHouse, filter_drop, simulate  # noqa: E402

from motemodel.estimate import (  # noqa: E402
    Z_90,
    Answer,
    Estimate,
    Evidence,
    HouseRecord,
    Identification,
    Unknown,
    bypass_share,
    clean_drop,
    drop_when_new,
    identify,
    judge,
    quotient,
)
from motemodel.filters import USUAL_EXPONENT  # noqa: E402
from motemodel.measure import FaultRule, TimeGrid, gridded_level, gridded_state  # noqa: E402

SENSOR_PA, SENSOR_SHARE = 1.0, 0.02
"""What a service takes a pressure sensor in the field to be off, with 90 % confidence."""
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


@dataclass(frozen=True)
class Assembly:
    """What is found of one house's filter in its place: the clean air it delivers, and its drop."""

    delivered: Answer
    drop: FilterDrop


def assemblies(seed: int, days: int) -> tuple[SimulatedHouse, tuple[Assembly, Assembly]]:
    """A house with a sound assembly, and what is found of that and of the same with a 15 % bypass."""
    houses = [(slips, simulate(seed, days, bypass=slips)) for slips in (0.0, 0.15)]
    sound, leaking = (
        Assembly(estimated(house, days, seed).clean_air_delivered_m3h, filter_drop(house, seed, days, bypass=slips))
        for slips, house in houses
    )
    return houses[0][1], (sound, leaking)


def evidence(found: Assembly, expected: Estimate, airflow_m3h: float) -> Evidence:
    """What the drop adds: the bypass by both, where `airflow_m3h` is that of the survey, as good as what it expects."""
    drop = found.drop
    new = drop_when_new(drop.time_h, drop.drop_pa, 0.0)
    if isinstance(found.delivered, Unknown) or isinstance(new, Unknown):
        return Evidence()
    off = float(np.hypot(SENSOR_PA, SENSOR_SHARE * new.value))
    share = airflow_m3h / drop.rated_airflow_m3h
    return Evidence(
        bypass=bypass_share(
            quotient(found.delivered, Estimate(expected.value, expected.value, expected.value)),
            quotient(
                Estimate(new.value, new.value - off, new.value + off),
                clean_drop(drop.rated_drop_pa * share**USUAL_EXPONENT, share),
            ),
            quotient(expected, Estimate(expected.value, expected.value, expected.value)),
        )
    )


@dataclass
class Tally:
    """In how many houses the bypass is told, the sound assembly accused, and the delivery not known at all."""

    told: int = 0
    alarms: int = 0
    unknown: int = 0


def bypass_table(houses: int, days: int, first_seed: int) -> str:
    """How often a 15 % bypass is told, and how often a sound assembly is accused, each against the sound delivery.

    What is expected is the sound assembly's true delivery, once known exactly and once with the 5 % standard deviation
    of a measured airflow, which moves the drop that is expected as well. Told by delivery alone, and by delivery
    together with the drop of a filter just put in.
    """
    rows = {(by, known): Tally() for known in ("exactly", "5 %") for by in ("delivery alone", "delivery with drop")}
    for seed in range(first_seed, first_seed + houses):
        house, (sound, leaking) = assemblies(seed, days)
        tally_house(rows, seed - first_seed, house.truth(days).delivered_m3h, house.airflow_m3h, sound, leaking)
    lines = [
        f"{'told by':20} {'expected known':16} {'houses':>7} {'bypass told':>12} {'false alarms':>13}"
        f" {'cannot tell':>12}"
    ]
    for (by, known), tally in rows.items():
        shares = " ".join(
            f"{count / houses:{width}.1%}"
            for count, width in zip((tally.told, tally.alarms, tally.unknown), (12, 13, 12), strict=True)
        )
        lines.append(f"{by:20} {known:16} {houses:7d} {shares}")
    return "\n".join(lines)


def tally_house(
    rows: dict[tuple[str, str], Tally],
    draw: int,
    true_m3h: float,
    airflow_m3h: float,
    sound: Assembly,
    leaking: Assembly,
) -> None:
    """Count one house in every row."""
    for (by, known), tally in rows.items():
        sd = 0.05 if known == "5 %" else 0.0
        off = float(np.exp(np.random.default_rng(draw).normal(0.0, sd)))
        value = true_m3h * off
        expected = Estimate(value, value * (1.0 - Z_90 * sd), value * (1.0 + Z_90 * sd))
        found = []
        for assembly in (sound, leaking):
            with_drop = evidence(assembly, expected, airflow_m3h * off) if by == "delivery with drop" else None
            found.append(judge(assembly.delivered, expected, with_drop))
        tally.alarms += found[0].bypass_told
        tally.told += found[1].bypass_told
        tally.unknown += isinstance(leaking.delivered, Unknown)


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
