"""The hours ahead, the house, and what a way of running the fan comes to in them.

PM2.5 as one size class: dC/dt = entry C_out + source - (loss + u clean_air) C, solved exactly by `balance`.
"""

from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from ..balance import Cleaner, Inputs, solve
from ..bounds import FloatArray, fraction, not_negative, positive

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class HouseRates:
    """The house as the plan sees it, all 1/h: entry P a, loss with the fan off, clean air while it runs over volume.

    `source_ug_m3_h` is what is made indoors on average, per volume; `fan_power_w` what the running fan draws;
    `fan_extra_entry_per_h` the outdoor air that leaky ducts draw in, and push out, while it runs.
    """

    entry_per_h: float
    loss_fan_off_per_h: float
    clean_air_per_h: float
    fan_power_w: float
    source_ug_m3_h: float = 0.0
    fan_extra_entry_per_h: float = 0.0

    def __post_init__(self) -> None:
        for field in fields(self):
            not_negative(field.name, getattr(self, field.name))


@dataclass(frozen=True)
class Outlook:
    """The T steps ahead.

    `outdoor_ug_m3`; `called`: the share of each step that heating or cooling runs the fan anyway; `allowed`: whether
    the fan may be run for the air; `start_ug_m3`: indoor PM2.5 now; `into_hour_h`: how far into an hour of the clock
    the first step begins, so that a plan made anew every minute keeps its minutes of each hour; `barred`: the share of
    each step, calls apart, in which the fan is kept from running after cooling (`barred_after_cooling`).
    """

    step_h: float
    outdoor_ug_m3: FloatArray
    called: FloatArray
    allowed: BoolArray
    start_ug_m3: float
    into_hour_h: float = 0.0
    barred: FloatArray | None = None

    def __post_init__(self) -> None:
        fraction("into_hour_h", self.into_hour_h)
        positive("step_h", self.step_h)
        not_negative("start_ug_m3", self.start_ug_m3)
        shapes = {
            not_negative("outdoor_ug_m3", self.outdoor_ug_m3).shape,
            fraction("called", self.called).shape,
            np.shape(self.allowed),
        }
        if self.barred is not None:
            shapes.add(fraction("barred", self.barred).shape)
        if len(shapes) != 1 or len(next(iter(shapes))) != 1 or next(iter(shapes)) == (0,):
            raise ValueError(f"outlook: shapes {sorted(shapes)} differ or are empty; give one value a step to each")

    @property
    def steps(self) -> int:
        """Number of steps."""
        return int(self.outdoor_ug_m3.size)

    @property
    def left(self) -> FloatArray:
        """Share of each step in which the fan runs only if it is asked for, (T,)."""
        left = 1.0 - np.asarray(self.called, dtype=np.float64)
        return left if self.barred is None else np.maximum(left - self.barred, 0.0)

    def part(self, steps: slice, start_ug_m3: float) -> "Outlook":
        """Some of the steps by themselves, from another start."""
        return replace(
            self,
            outdoor_ug_m3=self.outdoor_ug_m3[steps],
            called=self.called[steps],
            allowed=self.allowed[steps],
            barred=None if self.barred is None else self.barred[steps],
            start_ug_m3=start_ug_m3,
            into_hour_h=(self.into_hour_h + (steps.start or 0) * self.step_h) % 1.0,
        )

    def running(self, asked: BoolArray) -> FloatArray:
        """Share of each step that the fan runs if it is asked for where it may be, (T,)."""
        return np.asarray(self.called + self.left * (asked & self.allowed))


@dataclass(frozen=True)
class FanPlan:
    """One way to run the fan: `running` (T,) 0..1, the mean PM2.5 (ug/m3), hours run, energy (kWh).

    `indoor_ug_m3` (T,) is the mean of each step.
    """

    name: str
    running: FloatArray
    mean_ug_m3: float
    run_hours: float
    energy_kwh: float
    indoor_ug_m3: FloatArray

    @property
    def peak_ug_m3(self) -> float:
        """Highest mean of a step, ug/m3."""
        return float(self.indoor_ug_m3.max())

    def hours_above(self, level_ug_m3: float, step_h: float) -> float:
        """Hours in steps whose mean is above a level."""
        return float(np.count_nonzero(self.indoor_ug_m3 > level_ug_m3)) * step_h


def planned(name: str, running: FloatArray, outlook: Outlook, rates: HouseRates) -> FanPlan:
    """What a way of running the fan comes to; `running` (T,) includes the thermostat's own calls."""
    mean = _indoor_means(running, outlook, rates)
    hours = float(running.sum()) * outlook.step_h
    return FanPlan(name, running, float(mean.mean()), hours, hours * rates.fan_power_w / 1000.0, mean)


def barred_after_cooling(cooling: FloatArray, guard_h: float, call_h: float) -> FloatArray:
    """Share of time in which the fan has to rest after cooling, where cooling runs for a share `cooling` of it.

    A coil sheds the water that hangs on it into the air that is blown over it after the call, so no run is forced for
    `guard_h` after each. Calls of `call_h` come cooling / call_h times an hour and are each followed by the guard, as
    far as the pauses between them are long enough.

    >>> barred_after_cooling(np.array([0.0, 0.25, 0.9]), 0.25, 0.25).round(2).tolist()
    [0.0, 0.25, 0.1]
    """
    share = fraction("cooling", cooling)
    guard, call = float(not_negative("guard_h", guard_h)), float(positive("call_h", call_h))
    return np.asarray(np.minimum(share / call * guard, 1.0 - share))


def _indoor_means(running: FloatArray, outlook: Outlook, rates: HouseRates) -> FloatArray:
    """Mean indoor PM2.5 of each step, (T,)."""
    # Rates per volume are airflows of a house of one cubic metre.
    leaked = running * rates.fan_extra_entry_per_h
    inputs = Inputs(
        volume_m3=1.0,
        step_h=outlook.step_h,
        outdoor_ug_m3=outlook.outdoor_ug_m3[np.newaxis, :],
        infiltration_m3h=rates.entry_per_h,
        intake_m3h=leaked,
        outflow_m3h=rates.loss_fan_off_per_h + leaked,
        emission_ug_h=rates.source_ug_m3_h,
        cleaners=(Cleaner("fan", rates.clean_air_per_h, 1.0, running),),
    )
    return np.asarray(solve(inputs, outlook.start_ug_m3).mean[0])
