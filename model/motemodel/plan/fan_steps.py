"""The hours ahead as a fan scheduler sees them: what each choice at each step does to the air and what it costs.

Over a step the balance is exact and affine in the concentration C at its start: it ends at decay C + gain and has the
mean mean_decay C + mean_gain. A choice is 0, leave the fan to the thermostat, or the number of a speed to ask for.
"""

from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dtbtrs

from ..balance import step_factors
from ..bounds import FloatArray, not_negative, positive
from .fan import BoolArray, FanPlan, HouseRates, Outlook

Choice = NDArray[np.intp]

_MOST_DWELL_STEPS = 100


@dataclass(frozen=True)
class Speed:
    """A speed that may be asked for: clean air over volume (1/h) and power (W) at it.

    `allowed` (T,) says where this speed may be asked for, when that differs from the outlook's own: a low speed may be
    quiet enough for the night.
    """

    name: str
    clean_air_per_h: float
    power_w: float
    allowed: BoolArray | None = None

    def __post_init__(self) -> None:
        not_negative(f"speed {self.name}: clean_air_per_h", self.clean_air_per_h)
        not_negative(f"speed {self.name}: power_w", self.power_w)

    def part(self, steps: slice) -> "Speed":
        """The same speed in some of the steps."""
        return self if self.allowed is None else replace(self, allowed=self.allowed[steps])


@dataclass(frozen=True)
class Costs:
    """What asking for the fan costs, in one currency: energy, being heard, wear.

    `price_per_kwh` and `noise_per_h`: scalar or (T,); `wear_per_h`: for each hour asked for; `per_start`: once for each
    start. Without a tariff the default makes a kilowatt-hour the currency.
    """

    price_per_kwh: ArrayLike = 1.0
    noise_per_h: ArrayLike = 0.0
    wear_per_h: float = 0.0
    per_start: float = 0.0

    def __post_init__(self) -> None:
        for field_ in fields(self):
            not_negative(field_.name, getattr(self, field_.name))

    def of_noise_and_wear(self, running: FloatArray, outlook: Outlook) -> float:
        """What a way of running the fan, `running` (T,) with the calls in it, costs beyond them apart from its energy.

        A step that runs beyond the calls after one that does not is a start.
        """
        asked = np.maximum(running - np.asarray(outlook.called), 0.0)
        begins = (asked > 0.0) & ~(np.concatenate(([0.0], asked[:-1])) > 0.0)
        per_h = np.broadcast_to(np.asarray(self.noise_per_h, dtype=np.float64), asked.shape) + self.wear_per_h
        return float((per_h * asked).sum()) * outlook.step_h + self.per_start * float(outlook.left[begins].sum())


@dataclass(frozen=True)
class Dwell:
    """Least times to run and to rest, h, and where the fan stands now: asked for or not, and for how long.

    A run keeps the speed that it begins with for its least time, so that the blower does not hunt. What is left of that
    of a run under way goes at the speed that it has, the `speed_now`th of those listed.
    """

    least_run_h: float = 0.25
    least_rest_h: float = 0.25
    running_now: bool = False
    for_h: float = np.inf
    speed_now: int = 1

    def __post_init__(self) -> None:
        not_negative("least_run_h", self.least_run_h)
        not_negative("least_rest_h", self.least_rest_h)
        if not self.for_h >= 0.0:
            raise ValueError(f"for_h: {self.for_h:g}; give the hours in the present state, zero or more")
        if self.speed_now < 1:
            raise ValueError(f"speed_now: {self.speed_now}; give the place of the speed in the list, from 1 on")

    def after(self, choice: Choice, step_h: float) -> "Dwell":
        """Where the fan stands once `choice` (T,) has been carried out, a step or more."""
        now = bool(choice[-1] > 0)
        changes = np.flatnonzero((choice > 0) != now)
        alike = choice.size if not changes.size else choice.size - 1 - int(changes[-1])
        before_h = self.for_h if not changes.size and now == self.running_now else 0.0
        speed = int(choice[-1]) if now else self.speed_now
        return replace(self, running_now=now, for_h=alike * step_h + before_h, speed_now=speed)

    def run_steps(self, step_h: float) -> int:
        """Least run in whole steps, at least one."""
        return _whole_steps("least_run_h", self.least_run_h, step_h)

    def rest_steps(self, step_h: float) -> int:
        """Least rest in whole steps, at least one."""
        return _whole_steps("least_rest_h", self.least_rest_h, step_h)

    def committed_steps(self, step_h: float) -> int:
        """Steps for which the present state still has to be kept."""
        least = self.least_run_h if self.running_now else self.least_rest_h
        left = least - self.for_h
        return int(np.ceil(left / step_h - 1e-9)) if left > 0.0 else 0


@dataclass(frozen=True)
class AirTarget:
    """The mean that is to be held, ug/m3, over each averaging period of the horizon.

    `period` (T,) numbers the period of each step, not falling; without it the whole horizon is one. A guideline for
    24 h is kept by calendar days (`calendar_days`): `past_h` hours of the first are gone, their mean `past_mean_ug_m3`.
    """

    mean_ug_m3: float
    period: NDArray[np.intp] | None = None
    past_h: float = 0.0
    past_mean_ug_m3: float = 0.0

    def __post_init__(self) -> None:
        positive("target mean_ug_m3", self.mean_ug_m3)
        not_negative("past_h", self.past_h)
        not_negative("past_mean_ug_m3", self.past_mean_ug_m3)
        if self.period is not None and (np.diff(self.period) < 0).any():
            raise ValueError("period: it falls somewhere; number the averaging periods in the order of time")

    def periods(self, steps: int) -> NDArray[np.intp]:
        """The period of each step, numbered from 0 without holes, (T,)."""
        if self.period is None:
            return np.zeros(steps, dtype=np.intp)
        if self.period.shape != (steps,):
            raise ValueError(f"period: shape {self.period.shape}; give one number a step ({steps})")
        return np.asarray(np.cumsum(np.diff(self.period, prepend=self.period[0]) > 0), dtype=np.intp)

    def allowances(self, steps: int, step_h: float) -> FloatArray:
        """Exposure, ug h/m3, that each period may still add within the target; below zero when it is lost already."""
        hours = np.bincount(self.periods(steps)) * step_h
        hours[0] += self.past_h
        allowances = self.mean_ug_m3 * hours
        allowances[0] -= self.past_h * self.past_mean_ug_m3
        return np.asarray(allowances)

    def means(self, exposure: FloatArray, steps: int, step_h: float) -> FloatArray:
        """Mean of each averaging period, ug/m3, its past included, from the exposure (K,) still to come, ug h/m3."""
        hours = np.bincount(self.periods(steps)) * step_h
        total = exposure.copy()
        hours[0] += self.past_h
        total[0] += self.past_h * self.past_mean_ug_m3
        return np.asarray(total / hours)


def calendar_days(hour_now: float, steps: int, step_h: float) -> NDArray[np.intp]:
    """The calendar day of each step ahead, 0 for today; `hour_now` 0..24 is the local time of day.

    >>> calendar_days(23.0, 4, 0.5).tolist()
    [0, 0, 1, 1]
    """
    middle = hour_now + (np.arange(steps) + 0.5) * positive("step_h", step_h)
    return np.asarray(middle // 24.0, dtype=np.intp)


@dataclass(frozen=True)
class FanSteps:
    """All that a choice j at a step t does, (J, T) each: air, cost of asking (without starts), share of it that runs.

    `start_cost` (T,) is what a start costs there: nothing where the thermostat has the fan running anyway.
    """

    step_h: float
    start_ug_m3: float
    decay: FloatArray
    gain: FloatArray
    mean_decay: FloatArray
    mean_gain: FloatArray
    cost: FloatArray
    energy_kwh: FloatArray
    running: FloatArray
    allowed: BoolArray
    start_cost: FloatArray
    _at: NDArray[np.intp] = field(repr=False)

    @property
    def count(self) -> int:
        """Number of steps T."""
        return int(self.start_cost.size)

    def trajectory(self, choice: Choice) -> FloatArray:
        """Concentration at the start of each step and at the end of the last, ug/m3, (T+1,)."""
        band = np.empty((2, self.count + 1), order="F")
        band[0] = 1.0
        chosen = self._places(choice)
        np.negative(self.decay.take(chosen), out=band[1, :-1])
        level = np.empty(self.count + 1)
        level[0] = self.start_ug_m3
        level[1:] = self.gain.take(chosen)
        solution, _ = dtbtrs(band, level, uplo="L", diag="U")
        return np.ravel(solution)

    def exposure(self, choice: Choice, level: FloatArray) -> FloatArray:
        """Exposure in each step, ug h/m3, (T,), with the concentrations `level` (T+1,) at its ends."""
        chosen = self._places(choice)
        mean = self.mean_decay.take(chosen) * level[:-1] + self.mean_gain.take(chosen)
        return np.asarray(self.step_h * mean)

    def total_cost(self, choice: Choice, running_now: bool) -> float:
        """What a schedule costs beyond the thermostat's own running."""
        asked = choice > 0
        started = asked.copy()
        started[1:] &= ~asked[:-1]
        started[0] &= not running_now
        return float(self.cost.take(self._places(choice)).sum() + self.start_cost[started].sum())

    def _places(self, choice: Choice) -> NDArray[np.intp]:
        """Where what is chosen at each step stands in the flattened arrays, (T,): taking by them is the quickest."""
        return np.asarray(choice * self.count + self._at)

    def coarser(self, width: int) -> "FanSteps":
        """The same hours with one choice for every `width` steps, exact for such; the last ones may be fewer."""
        blocks = -(-self.count // width)

        def inside(values: ArrayLike, beyond: float) -> FloatArray:
            padded = np.pad(
                np.asarray(values, dtype=np.float64), ((0, 0), (0, blocks * width - self.count)), constant_values=beyond
            )
            return padded.reshape(-1, blocks, width)

        a, g, p, r = (
            inside(values, beyond)
            for values, beyond in ((self.decay, 1.0), (self.gain, 0.0), (self.mean_decay, 0.0), (self.mean_gain, 0.0))
        )
        decay, gain = np.ones(a.shape[:2]), np.zeros(a.shape[:2])
        mean_decay, mean_gain = np.zeros_like(gain), np.zeros_like(gain)
        for i in range(width):
            mean_decay, mean_gain = mean_decay + p[..., i] * decay, mean_gain + p[..., i] * gain + r[..., i]
            decay, gain = decay * a[..., i], gain * a[..., i] + g[..., i]
        return FanSteps(
            step_h=self.step_h * width,
            start_ug_m3=self.start_ug_m3,
            decay=decay,
            gain=gain,
            mean_decay=mean_decay / width,
            mean_gain=mean_gain / width,
            cost=inside(self.cost, 0.0).sum(axis=2),
            energy_kwh=inside(self.energy_kwh, 0.0).sum(axis=2),
            running=inside(self.running, 0.0).mean(axis=2),
            allowed=np.asarray(inside(self.allowed, 1.0).all(axis=2)),
            start_cost=self.start_cost[::width],
            _at=np.arange(blocks),
        )

    def plan(self, name: str, choice: Choice) -> FanPlan:
        """The way of running the fan that a choice at each step comes to, the thermostat's running included."""
        running = self.running[choice, self._at]
        means = self.exposure(choice, self.trajectory(choice)) / self.step_h
        return FanPlan(
            name=name,
            running=running,
            mean_ug_m3=float(means.mean()),
            run_hours=float(running.sum()) * self.step_h,
            energy_kwh=float(self.energy_kwh[choice, self._at].sum()),
            indoor_ug_m3=means,
        )


def fan_steps(outlook: Outlook, rates: HouseRates, speeds: tuple[Speed, ...], costs: Costs) -> FanSteps:
    """Lay out every choice at every step.

    The thermostat's calls run the fan at the house's own rate and power for their share of a step; a speed asked for
    runs for what is left of the step. Raises ValueError for costs or speeds that do not fit the outlook's steps.
    """
    count, step_h = outlook.steps, outlook.step_h
    called = np.asarray(outlook.called, dtype=np.float64)
    price, noise = (_per_step(name, getattr(costs, name), count) for name in ("price_per_kwh", "noise_per_h"))
    left = outlook.left
    asked = np.zeros((len(speeds) + 1, count))
    clean_air = np.empty_like(asked)
    watts = np.empty_like(asked)
    clean_air[0], watts[0] = called * rates.clean_air_per_h, called * rates.fan_power_w
    allowed = np.ones(asked.shape, dtype=np.bool_)
    for j, speed in enumerate(speeds, start=1):
        allowed[j] = outlook.allowed if speed.allowed is None else _fitting(speed, count)
        asked[j] = left
        clean_air[j] = clean_air[0] + left * speed.clean_air_per_h
        watts[j] = watts[0] + left * speed.power_w
    running = called + asked
    leaked = running * rates.fan_extra_entry_per_h
    supply = (rates.entry_per_h + leaked) * outlook.outdoor_ug_m3 + rates.source_ug_m3_h
    loss = rates.loss_fan_off_per_h + leaked + clean_air
    factors = step_factors(loss * step_h)
    energy = watts * step_h / 1000.0
    cost = (energy - energy[0]) * price + asked * (noise + costs.wear_per_h) * step_h
    return FanSteps(
        step_h=step_h,
        start_ug_m3=outlook.start_ug_m3,
        decay=factors.decay,
        gain=supply * step_h * factors.phi1,
        mean_decay=factors.phi1,
        mean_gain=supply * step_h * factors.phi2,
        cost=cost,
        energy_kwh=energy,
        running=running,
        allowed=allowed,
        start_cost=costs.per_start * left,
        _at=np.arange(count),
    )


def _per_step(place: str, values: ArrayLike, count: int) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    if array.shape not in ((), (count,)):
        raise ValueError(f"{place}: shape {array.shape}; give one number, or one for each step ({count})")
    return np.broadcast_to(array, (count,))


def _fitting(speed: Speed, count: int) -> BoolArray:
    allowed = np.asarray(speed.allowed, dtype=np.bool_)
    if allowed.shape != (count,):
        raise ValueError(f"speed {speed.name}: allowed has shape {allowed.shape}; give one value a step ({count})")
    return allowed


def _whole_steps(place: str, least_h: float, step_h: float) -> int:
    steps = int(np.ceil(least_h / step_h - 1e-9))
    if steps > _MOST_DWELL_STEPS:
        raise ValueError(f"{place}: {least_h:g} h is {steps} steps; give at most {_MOST_DWELL_STEPS * step_h:g} h")
    return max(steps, 1)
