"""A month of ordinary life at one minute, from the gridded signals to every estimate with its interval."""

import numpy as np
from scipy.optimize import least_squares

from motemodel.bounds import FloatArray
from motemodel.estimate import Estimate, HouseRecord, identify

from .row import BenchRow, Plain
from .timing import best_of

DAY_STEPS = 24 * 60
MONTH_STEPS = 30 * DAY_STEPS
_STEP_H = 1.0 / 60.0
_VOLUME_M3 = 340.0
_ENTRY, _LOSS, _FAN_LOSS = 0.35, 0.7, 2.5
_RUNS, _PLAIN_RUNS = 3, 1


def month(steps: int = MONTH_STEPS) -> HouseRecord:
    """An invented house of constant rates: the fan on for ten minutes of each half hour, cooking twice a day."""
    rng = np.random.default_rng(30)
    hours = np.arange(steps) * _STEP_H
    outdoor = 16.0 + 8.0 * np.sin(hours / 4.3) + 4.0 * np.sin(hours / 1.3)
    fan = (np.arange(steps) % 30 < 10).astype(np.float64)
    cooking = np.where((hours % 12.0 > 6.0) & (hours % 12.0 < 6.4), 100.0, 0.0)
    air = _by_loop(np.array([_ENTRY, _LOSS, _FAN_LOSS]), outdoor, fan, cooking, 6.0)
    read = np.maximum(np.round(air + rng.normal(0.0, 0.5, steps), 1), 0.0)
    return HouseRecord(_STEP_H, _VOLUME_M3, outdoor, read, fan)


def identified_month(steps: int = MONTH_STEPS, plain_steps: int = DAY_STEPS) -> BenchRow:
    """Time the identification whole: events, noise, parameters, intervals; in processor time.

    Beside it the plain way: least squares on a series made by a loop of steps, of the first `plain_steps`. It knows
    neither events nor lasting disturbances and gives no interval that allows for them.
    """
    record = month(steps)
    timing = best_of(lambda: identify(record), _RUNS)
    delivered = identify(record).clean_air_delivered_m3h
    true = _FAN_LOSS * _VOLUME_M3
    stretch = month(plain_steps)
    plain_s = best_of(lambda: by_least_squares(stretch), _PLAIN_RUNS).processor_seconds
    plain_error = abs(by_least_squares(stretch)[2] / _FAN_LOSS - 1.0)
    return BenchRow(
        name="identified-month",
        work=f"{steps:,} steps of 1 min to entry, loss, clean air delivered and events, on one core",
        measured=timing.processor_seconds,
        aim=1.0,
        error=abs(delivered.value / true - 1.0) if isinstance(delivered, Estimate) else None,
        plain=(
            Plain(
                "least squares on a loop of steps, blind to events",
                plain_s * steps / plain_steps,
                plain_error,
                scaled_from=f"{plain_steps / DAY_STEPS:g} d" if plain_steps < steps else "",
            ),
        ),
        note=f"errors are those of the clean air delivered; on the clock {1e3 * timing.clock_seconds:.0f} ms",
    )


def by_least_squares(record: HouseRecord) -> FloatArray:
    """Entry, loss and what the fan adds to it, 1/h, by scipy's least squares on a plain loop."""
    nothing = np.zeros(record.count)

    def residual(rates: FloatArray) -> FloatArray:
        return _by_loop(rates, record.outdoor, record.fan, nothing, float(record.indoor[0])) - record.indoor

    fitted = least_squares(residual, [0.5, 1.0, 1.0], bounds=(0.0, 50.0), loss="soft_l1")
    return np.asarray(fitted.x, dtype=np.float64)


def _by_loop(
    rates: FloatArray, outdoor: FloatArray, fan: FloatArray, source: FloatArray, start_ug_m3: float
) -> FloatArray:
    """Levels at the steps' ends, each step exact for constant inputs; `source` ug/m3 per h."""
    entry, loss, fan_loss = rates
    air = np.empty(outdoor.size)
    here = start_ug_m3
    for step in range(outdoor.size):
        rate = loss + fan_loss * fan[step]
        settled = (entry * outdoor[step] + source[step]) / max(rate, 1e-9)
        here = settled + (here - settled) * np.exp(-rate * _STEP_H)
        air[step] = here
    return air
