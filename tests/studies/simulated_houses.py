"""Houses that are known exactly, made without any code of the package under test.

Eight size bins, ten-second steps by the trapezoidal rule (Crank & Nicolson), outdoor air from a measured year, air
change driven by temperature difference and wind, a fan that follows the weather in cycles, cooking, people, windows,
leaky ducts, gaps round the filter; then sensors with their gain, offset, noise, drift, rounding, gaps and intervals.
"""

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

OUTDOOR_FILE = Path(__file__).parents[1] / "reference" / "data" / "outdoor_pm25_beijing_2014_extract.csv"
STEP_H = 10.0 / 3600.0
DIAMETERS_UM = np.array([0.05, 0.1, 0.2, 0.35, 0.6, 1.0, 1.6, 2.2])


@dataclass(frozen=True)
class Sensors:
    """What the house's sensors tell: ragged readings, and the signals that are there at all."""

    indoor_time_h: FloatArray
    indoor: FloatArray
    outdoor_time_h: FloatArray
    outdoor: FloatArray
    fan_time_h: FloatArray
    fan: FloatArray
    window_time_h: FloatArray | None
    window: FloatArray | None
    weather_time_h: FloatArray | None
    outdoor_temperature: FloatArray | None
    wind_speed: FloatArray | None
    indoor_temperature: float


@dataclass(frozen=True)
class Truth:
    """What an estimate is judged by; each mean is over the first `days` asked for."""

    entry_per_h: float
    loss_per_h: float
    delivered_m3h: float
    efficiency: float
    gain_ratio: float


@dataclass(frozen=True)
class SimulatedHouse:
    """One house: its readings over some days and, hour by hour, the truth; duct exchange is while the fan runs."""

    volume_m3: float
    airflow_m3h: float
    interval_h: float
    sensors: Sensors
    entry: FloatArray
    loss: FloatArray
    removed: FloatArray
    breathed: FloatArray
    gain_ratio: float
    duct_exchange_per_h: float

    def truth(self, days: float) -> Truth:
        """Means over the first `days`: entry and loss over time, delivery over the mass that passed (hourly sums)."""
        hours = int(days * 24)
        delivered = float(self.removed[:hours].sum() / max(self.breathed[:hours].sum(), 1e-12))
        return Truth(
            float(self.entry[:hours].mean()),
            float(self.loss[:hours].mean()),
            delivered,
            delivered / self.airflow_m3h,
            self.gain_ratio,
        )


@dataclass(frozen=True)
class FilterDrop:
    """A filter just put in: its drop as read each minute while the fan runs (Pa, else NaN), and what its box says."""

    time_h: FloatArray
    drop_pa: FloatArray
    rated_airflow_m3h: float
    rated_drop_pa: float


def measured_outdoors() -> tuple[FloatArray, FloatArray]:
    """Hourly PM2.5 (ug/m3, gaps bridged by straight lines) and temperature (degC): four months of 31 days."""
    with OUTDOOR_FILE.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    pm = np.array([float(row["outdoor.pm25 [ug/m3]"] or "nan") for row in rows])
    temperature = np.array([float(row["outdoor.temperature [Cel]"] or "nan") for row in rows])
    hours = np.arange(pm.size, dtype=np.float64)
    for series in (pm, temperature):
        known = np.isfinite(series)
        series[:] = np.interp(hours, hours[known], series[known])
    return pm, temperature


def simulate(seed: int, days: int, *, bypass: float | None = None) -> SimulatedHouse:
    """The house of a seed, lived in for `days`. `bypass` replaces the drawn share of air that passes by the filter."""
    rng = np.random.default_rng(seed)
    steps = round(days * 24 / STEP_H)
    time_h = np.arange(steps) * STEP_H
    pm, temperature = _weather_window(rng, days)
    hours = np.arange(pm.size, dtype=np.float64)
    scale = float(np.exp(rng.uniform(np.log(0.08), np.log(0.7))))
    outdoor_level = np.interp(time_h, hours + 0.5, pm) * scale + rng.uniform(0.5, 3.0)
    outdoor_level *= np.exp(_drift(rng, time_h, 0.35, 0.06))
    t_out = np.interp(time_h, hours, temperature)
    wind = 2.5 * np.exp(np.interp(time_h, hours, _red_noise(rng, pm.size, 8.0, 0.5)))
    wind *= 1.0 + 0.3 * np.sin(2 * np.pi * (time_h % 24.0 - 9.0) / 24.0)
    t_in = rng.uniform(20.0, 25.0)

    volume = float(np.clip(np.exp(rng.normal(np.log(350.0), 0.35)), 150.0, 900.0))
    shell = _air_change(rng, time_h, t_in - t_out, wind)

    hour_of_day = time_h % 24.0
    fan = _fan(rng, time_h, t_out, t_in)
    window, window_rate = _windows(rng, time_h)
    airflow = float(np.clip(1300.0 * (volume / 350.0) ** 0.6 * np.exp(rng.normal(0, 0.2)), 500.0, 3000.0))
    penetration, deposition, efficiency, share_out, share_in = _aerosol(rng)
    drawn_bypass = rng.choice([0.0, rng.uniform(0.02, 0.3)])
    gap = drawn_bypass if bypass is None else bypass
    removal = airflow * ((1.0 - gap) * efficiency + 0.015 * (0.3 + DIAMETERS_UM))
    leak = rng.choice([0.0, 1.0]) * rng.uniform(0.01, 0.1) * airflow
    leak_return = rng.uniform(0.0, 1.0)
    leak_filtered = 1.0 - leak_return * removal / airflow

    emission = _emission(rng, time_h, hour_of_day, volume)
    mixed = _integrate(
        outdoor=outdoor_level[:, None] * share_out,
        entry=shell[:, None] * penetration
        + (window * window_rate)[:, None]
        + (fan * leak / volume)[:, None] * leak_filtered * (0.9 * penetration + 0.1),
        loss=(shell + window * window_rate + fan * leak / volume)[:, None]
        + deposition
        + fan[:, None] * removal / volume,
        source=emission[:, None] * share_in / volume,
    )
    level = mixed.sum(axis=1)
    per_hour = round(1.0 / STEP_H)

    def hourly(series: FloatArray) -> FloatArray:
        return np.asarray(series.reshape(-1, per_hour).mean(axis=1))

    sensors, ratio, interval = _read(rng, time_h, level, outdoor_level, fan, window, t_out, wind, t_in)
    return SimulatedHouse(
        volume_m3=volume,
        airflow_m3h=airflow,
        interval_h=interval,
        sensors=sensors,
        entry=hourly(shell * float(penetration @ share_out)),
        loss=hourly(shell + (mixed @ deposition) / level),
        removed=hourly(fan * (mixed @ removal)),
        breathed=hourly(fan * level),
        gain_ratio=ratio,
        duct_exchange_per_h=float(leak / volume),
    )


def filter_drop(house: SimulatedHouse, seed: int, days: float, *, bypass: float) -> FilterDrop:
    """The drop that the sensor of a house's filter tells, by draws that leave the house of the seed as it is.

    The media pass (1 - bypass) of the airflow; their drop goes with a power of it that no estimator knows, between 1.05
    and 1.45. Single filters differ from the box by 6 % (standard deviation; nine in ten within a tenth), and are rated
    at an airflow that is not the house's; a filter takes up to 1 % more drop with each day of running; sensors are out
    by 1 % and 0.5 Pa for good, blow by 2 % from minute to minute, and show whole Pa (all common practice, no source).
    """
    rng = np.random.default_rng(seed).spawn(1)[0]
    clean_pa, exponent = float(np.exp(rng.uniform(np.log(20.0), np.log(80.0)))), rng.uniform(1.05, 1.45)
    rated_airflow = house.airflow_m3h * float(np.exp(rng.normal(0.0, 0.2)))
    box = clean_pa * (rated_airflow / house.airflow_m3h) ** exponent * float(np.exp(rng.normal(0.0, 0.06)))
    growth_per_day, gain, offset = rng.uniform(0.0, 0.01), rng.normal(1.0, 0.01), rng.normal(0.0, 0.5)
    time_h = np.arange(1, round(days * 24.0 * 60.0) + 1) / 60.0
    fan = house.sensors.fan[np.searchsorted(house.sensors.fan_time_h, time_h - 0.5 / 60.0, side="right") - 1]
    loaded = 1.0 + growth_per_day * np.cumsum(fan) / (24.0 * 60.0)
    true_pa = np.where(fan > 0.5, clean_pa * (1.0 - bypass) ** exponent * loaded, np.nan)
    shown = gain * true_pa * (1.0 + rng.normal(0.0, 0.02, time_h.size)) + offset
    return FilterDrop(time_h, np.round(shown), rated_airflow, box)


def _integrate(outdoor: FloatArray, entry: FloatArray, loss: FloatArray, source: FloatArray) -> FloatArray:
    """dC/dt = entry x outdoor + source - loss x C by the trapezoidal rule; shapes (steps, bins)."""
    supply = entry * outdoor + source
    half = 0.5 * STEP_H
    keep = (1.0 - half * loss[:-1]) / (1.0 + half * loss[1:])
    gain = half * (supply[:-1] + supply[1:]) / (1.0 + half * loss[1:])
    air = np.empty_like(outdoor)
    here = supply[0] / loss[0]
    air[0] = here
    for k in range(keep.shape[0]):
        here = keep[k] * here + gain[k]
        air[k + 1] = here
    return air


def _weather_window(rng: np.random.Generator, days: int) -> tuple[FloatArray, FloatArray]:
    pm, temperature = measured_outdoors()
    hours, month = days * 24 + 2, 31 * 24
    begin = int(rng.integers(0, 4)) * month + int(rng.integers(0, month - hours + 1))
    return pm[begin : begin + hours], temperature[begin : begin + hours]


def _red_noise(rng: np.random.Generator, count: int, memory: float, sd: float) -> FloatArray:
    keep = np.exp(-1.0 / memory)
    values = np.empty(count)
    here = rng.normal()
    for k, shock in enumerate(rng.normal(0.0, np.sqrt(1.0 - keep**2), count)):
        here = keep * here + shock
        values[k] = here
    return sd * values


def _drift(rng: np.random.Generator, time_h: FloatArray, memory_h: float, sd: float) -> FloatArray:
    """Red noise with the given memory, drawn six times a memory and joined by straight lines."""
    knots = np.arange(0.0, time_h[-1] + memory_h, memory_h / 6.0)
    return np.interp(time_h, knots, _red_noise(rng, knots.size, 6.0, sd))


def _air_change(rng: np.random.Generator, time_h: FloatArray, warmer: FloatArray, wind: FloatArray) -> FloatArray:
    """1/h through the shell: stack and wind in quadrature about a drawn mean, and what no weather station sees."""
    mean = float(np.clip(np.exp(rng.normal(np.log(0.33), 0.6)), 0.07, 1.6))
    stack, blow = rng.uniform(0.5, 1.5), rng.uniform(0.3, 1.5)
    drive = np.sqrt(stack * np.abs(warmer) + blow * wind**2 + 1.0)
    return np.asarray(mean * drive / drive.mean() * np.exp(_drift(rng, time_h, 6.0, 0.08)))


def _fan(rng: np.random.Generator, time_h: FloatArray, t_out: FloatArray, t_in: float) -> FloatArray:
    """On/off by weather demand in cycles; some houses add a part of every hour, evenings, or spells of days."""
    slope = rng.uniform(0.015, 0.05)
    demand = np.clip(slope * np.abs(t_out - rng.uniform(16.0, 20.0)), 0.03, 0.9)
    cycle_h = rng.uniform(0.25, 0.7)
    phase = (time_h / cycle_h + _drift(rng, time_h, 3.0, 0.6)) % 1.0
    fan = phase < demand
    habit = rng.choice(["none", "part of every hour", "evenings", "spells"], p=[0.4, 0.25, 0.2, 0.15])
    if habit == "part of every hour":
        fan |= (time_h % 1.0) < rng.uniform(0.15, 0.4)
    elif habit == "evenings":
        begin = rng.uniform(16.0, 20.0)
        fan |= (time_h % 24.0 > begin) & (time_h % 24.0 < begin + rng.uniform(2.0, 4.0))
    elif habit == "spells":
        fan |= _drift(rng, time_h, 10.0, 1.0) > 0.7
    return fan.astype(np.float64)


def _windows(rng: np.random.Generator, time_h: FloatArray) -> tuple[FloatArray, float]:
    window = np.zeros(time_h.size)
    if rng.random() < 0.45:
        for _ in range(rng.poisson(time_h[-1] / 24.0 * rng.uniform(0.1, 0.6))):
            begin = rng.uniform(0.0, time_h[-1])
            window[(time_h > begin) & (time_h < begin + rng.uniform(0.3, 4.0))] = 1.0
    return window, float(rng.uniform(0.8, 6.0))


def _aerosol(rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Penetration, deposition (1/h), filter efficiency; mass shares of outdoor and of cooking particles, per bin."""
    log_d = np.log(DIAMETERS_UM)
    penetration = np.clip(rng.uniform(0.75, 1.0) - 0.12 * np.maximum(log_d, 0.0) - 0.03 * (log_d < -2.5), 0.2, 1.0)
    base = np.exp(rng.normal(np.log(0.12), 0.4))
    deposition = base * (1.0 + 1.6 * (DIAMETERS_UM / 0.9) ** 1.3 + 0.6 * (0.08 / DIAMETERS_UM))
    middle = rng.uniform(0.12, 0.93)
    logit = np.log(middle / (1.0 - middle)) + 0.75 * (log_d - np.log(0.5)) + 0.35 * (log_d + 1.3) ** 2 * (log_d < -1.3)
    efficiency = 1.0 / (1.0 + np.exp(-logit))

    def shares(median: float, spread: float) -> FloatArray:
        density = np.exp(-0.5 * ((log_d - np.log(median)) / np.log(spread)) ** 2)
        return np.asarray(density / density.sum())

    outdoor = 0.85 * shares(rng.uniform(0.35, 0.6), 2.0) + 0.15 * shares(2.2, 1.6)
    return penetration, deposition, efficiency, outdoor, shares(rng.uniform(0.2, 0.5), 2.1)


def _emission(rng: np.random.Generator, time_h: FloatArray, hour_of_day: FloatArray, volume: float) -> FloatArray:
    """ug/h: meals with their own day's mood, odd events, and people by day."""
    awake = 0.25 + 0.75 * ((hour_of_day > 7.0) & (hour_of_day < 23.0))
    emission = volume * rng.uniform(0.1, 2.5) * awake * np.exp(_drift(rng, time_h, 1.0, 0.4))
    strength = rng.uniform(20.0, 120.0)
    days = int(np.ceil(time_h[-1] / 24.0))
    meals = [(day * 24.0 + at, odds) for day in range(days) for at, odds in ((7.5, 0.5), (12.5, 0.35), (18.5, 0.75))]
    starts = [at + rng.normal(0.0, 0.7) for at, odds in meals if rng.random() < odds]
    starts += list(rng.uniform(0.0, time_h[-1], rng.poisson(days * rng.uniform(0.0, 1.0))))
    for start in starts:
        length = rng.uniform(0.1, 0.8)
        rise = strength * np.exp(rng.normal(0.0, 0.8))
        first, last = np.searchsorted(time_h, [start, start + length])
        if last > first:
            into = (time_h[first:last] - start) / length
            emission[first:last] += volume * rise / length * (0.4 + 1.2 * np.sin(np.pi * into) ** 2)
    return emission


def _read(
    rng: np.random.Generator,
    time_h: FloatArray,
    level: FloatArray,
    outdoor: FloatArray,
    fan: FloatArray,
    window: FloatArray,
    t_out: FloatArray,
    wind: FloatArray,
    t_in: float,
) -> tuple[Sensors, float, float]:
    every = int(rng.choice([1, 3, 6, 6, 6, 12, 30, 60]))
    gain_in, gain_out = np.exp(rng.normal(0.0, 0.1, 2))
    noise = rng.uniform(0.2, 1.5), rng.uniform(0.01, 0.06)
    grain = rng.choice([0.1, 1.0])

    def sensed(series: FloatArray, gain: float, every: int) -> tuple[FloatArray, FloatArray]:
        blocks = series[: series.size // every * every].reshape(-1, every).mean(axis=1)
        stamp = (np.arange(blocks.size) + 1.0) * every * STEP_H
        shown = gain * blocks * np.exp(_drift(rng, stamp, 60.0, 0.02)) + rng.normal(0.0, 0.7)
        # A reading every ten seconds carries the noise of a short sample; a ten-minute mean carries less.
        quiet = min(1.0, np.sqrt(6.0 / every) if every > 6 else 1.0)
        shown = shown + quiet * rng.normal(0.0, 1.0, blocks.size) * np.hypot(noise[0], noise[1] * shown)
        wild = rng.random(blocks.size) < 2e-4
        shown = np.where(wild, shown * rng.uniform(0.0, 8.0, blocks.size), shown)
        shown = np.maximum(np.round(shown / grain) * grain, 0.0)
        kept = rng.random(blocks.size) > rng.uniform(0.0, 0.03)
        for _ in range(rng.poisson(time_h[-1] / 24.0 * rng.uniform(0.0, 0.5))):
            begin = rng.uniform(0.0, time_h[-1])
            kept &= (stamp < begin) | (stamp > begin + rng.exponential(3.0))
        return stamp[kept], shown[kept]

    indoor_time, indoor = sensed(level, gain_in, every)
    hourly_outdoors = rng.random() < 0.3
    outdoor_time, outdoor_read = sensed(outdoor, gain_out, 360 if hourly_outdoors else max(every, 6))
    switches = np.concatenate(([0], np.flatnonzero(np.diff(fan) != 0.0) + 1))
    window_told = rng.random() < 0.5
    window_switches = np.concatenate(([0], np.flatnonzero(np.diff(window) != 0.0) + 1))
    weather_told = rng.random() < 0.6
    hourly = slice(None, None, 360)
    sensors = Sensors(
        indoor_time_h=indoor_time,
        indoor=indoor,
        outdoor_time_h=outdoor_time,
        outdoor=outdoor_read,
        fan_time_h=time_h[switches],
        fan=fan[switches],
        window_time_h=time_h[window_switches] if window_told else None,
        window=window[window_switches] if window_told else None,
        weather_time_h=time_h[hourly] if weather_told else None,
        outdoor_temperature=t_out[hourly] if weather_told else None,
        wind_speed=wind[hourly] if weather_told else None,
        indoor_temperature=t_in,
    )
    return sensors, float(gain_in / gain_out), every * STEP_H
