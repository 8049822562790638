"""How long a fan-off / fan-on decay test of a house must be, from what level, and how often, to prove its delivery.

A decay is fitted by weighted least squares, so its width can be foretold: it is that of a regression line's slope.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import stdtrit

from ..bounds import FloatArray
from ..estimate import USUAL_ENTRY, Estimate, by_weather_per_h

MIXING_H = 5.0 / 60.0
"""After a peak, and after the fan switches, the rooms even out first; the fit begins this much later."""
_SHORTEST_FIT_H = 0.25
_FEWEST_READINGS = 6
_LEAST_RISE_UG_M3 = 8.0
_USED_UP_SHARE = 0.15
_HAS_FALLEN_TO = 0.7
"""What `decay_test` calls a usable decay: its least length and rise, where it ends, and how far it must have fallen
(there to 0.8; noise takes its share)."""
_STRETCH_STEP_H = 5.0 / 60.0
_LONGEST_STRETCH_H = 4.0
_MOST_REPEATS = 8


@dataclass(frozen=True)
class SensorNoise:
    """An indoor sensor: a reading's standard deviation is hypot(`floor_ug_m3`, `share` x level), every `interval_h`.

    `correlation` is that between a reading's error and the next one's: uneven mixing outlasts a minute. The defaults
    are those of a light-scattering sensor in a lived-in room (common practice, no source).
    """

    floor_ug_m3: float = 1.0
    share: float = 0.03
    interval_h: float = 1.0 / 60.0
    correlation: float = 0.3

    def __post_init__(self) -> None:
        _check("noise floor", self.floor_ug_m3, 0.0, 1e3, "ug/m3", above=True)
        _check("noise share", self.share, 0.0, 1.0, "of the level")
        _check("reading interval", self.interval_h, 1.0 / 3600.0, 0.25, "h")
        _check("correlation", self.correlation, 0.0, 0.95, "")


@dataclass(frozen=True)
class ProofConditions:
    """What is expected of the house: loss with the fan off (1/h), clean air delivered (m3/h), and the air round it.

    `start_ug_m3` is the indoor level from which a decay begins. `entry_per_h` with its interval, and the outdoor level,
    say what the level dies away to.
    """

    volume_m3: float
    loss_fan_off_per_h: float
    clean_air_m3h: float
    start_ug_m3: float
    outdoor_ug_m3: float = 0.0
    entry_per_h: Estimate = USUAL_ENTRY

    def __post_init__(self) -> None:
        _check("volume", self.volume_m3, 1.0, 1e6, "m3")
        _check("loss with the fan off", self.loss_fan_off_per_h, 0.01, 30.0, "1/h")
        _check("clean air", self.clean_air_m3h, 0.0, 1e6, "m3/h", above=True)
        _check("start level", self.start_ug_m3, 0.0, 1e5, "ug/m3", above=True)
        _check("outdoor level", self.outdoor_ug_m3, 0.0, 1e5, "ug/m3")
        _check("entry rate", self.entry_per_h.low, 0.0, 30.0, "1/h")

    @property
    def clean_air_per_h(self) -> float:
        """Clean air delivered per volume of the house, 1/h."""
        return self.clean_air_m3h / self.volume_m3

    @property
    def loss_fan_on_per_h(self) -> float:
        """Loss while the fan runs, 1/h."""
        return self.loss_fan_off_per_h + self.clean_air_per_h


@dataclass(frozen=True)
class ProofPlan:
    """The test: so long with the fan off, so long with it on, so often, each from the start level.

    `one_peak`: the fan-on stretch goes on from where the fan-off stretch ends; otherwise it needs a peak of its own.
    `relative_half_width` is what the 90 % interval of the clean air delivered should come to, as a share of it.
    """

    fan_off_h: float
    fan_on_h: float
    repeats: int
    one_peak: bool
    relative_half_width: float
    wanted: float

    @property
    def reaches(self) -> bool:
        """Whether the test should come to the width that is wanted."""
        return self.relative_half_width <= self.wanted

    @property
    def total_h(self) -> float:
        """Hours of all stretches together, without the time that raising the level takes."""
        return self.repeats * (self.fan_off_h + self.fan_on_h)


def loss_half_width(
    start_ug_m3: float, loss_per_h: float, stretch_h: FloatArray, conditions: ProofConditions, sensor: SensorNoise
) -> FloatArray:
    """Half width (90 %) of a decay's loss, 1/h, for stretches of `stretch_h` (n,) hours from the peak on; inf if none.

    In clean outdoor air the logarithm of the level is a straight line in time, each reading's error on it its own over
    the level; the slope's variance is 1 / sum w (t - mean t)2 with weights w = (level / error)2 (Bevington & Robinson
    2003, Data Reduction and Error Analysis, 3rd ed., section 6.4, from memory; the regression of ASTM E741's
    concentration decay, from memory, with weights). Entry upholds a level that falls as the loss rises: to t comes what
    that moves the reading. Correlated errors leave n (1 - r)/(1 + r) readings (Bartlett 1935). What the entry rate's
    interval does to the slope is the same regression on what it does to the level, added in quadrature. Past its usable
    end a longer stretch tells no more.
    """
    return _in_all(_doubt(start_ug_m3, loss_per_h, stretch_h, conditions, sensor))


def _in_all(doubt: FloatArray) -> FloatArray:
    return np.asarray(np.hypot(doubt[0], doubt[1]))


def _doubt(
    start_ug_m3: float, loss_per_h: float, stretch_h: FloatArray, conditions: ProofConditions, sensor: SensorNoise
) -> FloatArray:
    """Half widths (90 %) of a decay's loss by the sensor's noise and by doubt in what enters, 1/h; shape (2, n)."""
    floor = conditions.entry_per_h.value * conditions.outdoor_ug_m3 / loss_per_h
    rise = start_ug_m3 - floor
    held = max(3.0 * sensor.floor_ug_m3, _USED_UP_SHARE * rise)
    nothing = np.stack([np.full(stretch_h.size, np.inf), np.zeros(stretch_h.size)])
    if rise <= max(_LEAST_RISE_UG_M3, 6.0 * sensor.floor_ug_m3):
        return nothing
    usable_h = float(np.log(rise / held)) / loss_per_h
    count = int(min(usable_h, float(stretch_h.max(initial=0.0))) / sensor.interval_h - MIXING_H / sensor.interval_h)
    if count < _FEWEST_READINGS:
        return nothing
    since = sensor.interval_h * (np.arange(count) + 0.5)
    above = rise * np.exp(-loss_per_h * (since + MIXING_H))
    weight = (above / np.hypot(sensor.floor_ug_m3, sensor.share * (floor + above))) ** 2
    towards_upheld = -np.expm1(-loss_per_h * since) / (loss_per_h * above)
    by_loss = since + floor * towards_upheld
    by_entry = conditions.outdoor_ug_m3 * towards_upheld
    sums = [np.cumsum(weight * each) for each in (1.0, by_loss, by_loss**2, by_entry, by_loss * by_entry)]
    spread = np.maximum(sums[2] - sums[1] ** 2 / sums[0], 1e-300)
    slope_by_entry = (sums[4] - sums[1] * sums[3] / sums[0]) / spread
    fewer = (1.0 + sensor.correlation) / (1.0 - sensor.correlation)
    readings = np.arange(1, count + 1)
    student = stdtrit(np.maximum(readings / fewer - 2.0, 1.0), 0.95)
    doubt = np.stack([student * np.sqrt(fewer / spread), conditions.entry_per_h.half_width * slope_by_entry])
    fallen = (floor + above) < _HAS_FALLEN_TO * (floor + above[0])
    doubt[0, ~fallen | (readings < _FEWEST_READINGS) | (readings * sensor.interval_h < _SHORTEST_FIT_H)] = np.inf
    half = _in_all(doubt)
    narrowest = np.maximum.accumulate(np.where(half <= np.minimum.accumulate(half), np.arange(count), 0))
    at = np.floor((stretch_h - MIXING_H) / sensor.interval_h + 1e-9).astype(int) - 1
    return np.where(at >= 0, doubt[:, narrowest[np.clip(at, 0, count - 1)]], nothing)


def plan_proof(
    conditions: ProofConditions, sensor: SensorNoise | None = None, *, wanted: float = 0.15, most_repeats: int = 8
) -> ProofPlan:
    """The shortest test that should tell the clean air delivered to within `wanted` (half of the 90 % interval).

    One peak for both stretches is preferred, then a peak for each, then repeats; where none comes to `wanted`, the best
    of them. Raises ValueError for a width outside 0.01 to 1.

    >>> plan = plan_proof(ProofConditions(400.0, 0.6, 900.0, start_ug_m3=120.0))
    >>> plan.reaches, plan.repeats, plan.one_peak
    (True, 1, True)
    """
    _check("wanted half width", wanted, 0.01, 1.0, "of the clean air delivered")
    if not 1 <= most_repeats <= _MOST_REPEATS:
        raise ValueError(f"proof: {most_repeats} repeats at most; give 1 to {_MOST_REPEATS}")
    sensor = sensor or SensorNoise()
    stretch = _STRETCH_STEP_H * np.arange(4.0, round(_LONGEST_STRETCH_H / _STRETCH_STEP_H) + 1, dtype=np.float64)
    off = _doubt(conditions.start_ug_m3, conditions.loss_fan_off_per_h, stretch, conditions, sensor)[:, :, None]
    on_loss = conditions.loss_fan_on_per_h
    left = [float(level) for level in _level_after(conditions, stretch)]
    on = {
        True: np.stack([_doubt(level, on_loss, stretch, conditions, sensor) for level in left], axis=1),
        False: _doubt(conditions.start_ug_m3, on_loss, stretch, conditions, sensor)[:, None, :],
    }
    plans = [
        _shortest(
            _width(conditions, off, on[one_peak], repeats) / conditions.clean_air_per_h,
            stretch,
            repeats,
            one_peak,
            wanted,
        )
        for repeats in range(1, most_repeats + 1)
        for one_peak in (True, False)
    ]
    return next((plan for plan in plans if plan.reaches), min(plans, key=lambda plan: plan.relative_half_width))


def _width(conditions: ProofConditions, off: FloatArray, on: FloatArray, repeats: int) -> FloatArray:
    """Half width of the difference of two losses, 1/h: noise and the weather of its hour are each decay's own, an entry
    rate in doubt moves both alike."""
    weather = by_weather_per_h(conditions.loss_fan_off_per_h, repeats)
    noise = np.hypot(off[0], on[0]) * narrowed_by(repeats)
    return np.asarray(np.hypot(np.hypot(noise, on[1] - off[1]), weather * np.sqrt(2.0)))


def start_needed(
    conditions: ProofConditions, sensor: SensorNoise | None = None, *, wanted: float = 0.15, most_ug_m3: float = 150.0
) -> float | None:
    """The least level, ug/m3, from which a test without repeats should do; None if `most_ug_m3` is not enough.

    The default is a level that ordinary cooking reaches and that nobody should be asked to exceed in a home (common
    practice, no source).
    """

    def reaches(level: float) -> bool:
        return plan_proof(replace(conditions, start_ug_m3=level), sensor, wanted=wanted, most_repeats=1).reaches

    low, high = _LEAST_RISE_UG_M3, most_ug_m3
    if not reaches(high):
        return None
    while high > 1.03 * low:
        middle = float(np.sqrt(low * high))
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return high


def peak_from_release(emitted_mg: float, over_h: float, conditions: ProofConditions) -> float:
    """The level, ug/m3, to which an even release of `emitted_mg` over `over_h` raises the well-mixed house, fan off.

    The single-zone balance solved exactly, from the level that entry upholds.
    """
    _check("release", emitted_mg, 0.0, 1e6, "mg")
    _check("time of release", over_h, 0.0, 24.0, "h", above=True)
    loss = conditions.loss_fan_off_per_h
    upheld = conditions.entry_per_h.value * conditions.outdoor_ug_m3 / loss
    return upheld - 1000.0 * emitted_mg / conditions.volume_m3 * float(np.expm1(-loss * over_h)) / (loss * over_h)


def narrowed_by(repeats: int) -> float:
    """Half width of several like decays that agree over that of one, as `combined` has it.

    >>> [round(narrowed_by(repeats), 2) for repeats in (1, 2, 3, 8)]
    [1.0, 0.71, 0.58, 0.35]
    """
    return float(repeats**-0.5)


def _level_after(conditions: ProofConditions, stretch_h: FloatArray) -> FloatArray:
    floor = conditions.entry_per_h.value * conditions.outdoor_ug_m3 / conditions.loss_fan_off_per_h
    rise = conditions.start_ug_m3 - floor
    return np.asarray(floor + rise * np.exp(-conditions.loss_fan_off_per_h * stretch_h))


def _shortest(width: FloatArray, stretch: FloatArray, repeats: int, one_peak: bool, wanted: float) -> ProofPlan:
    """The shortest pair of stretches within `wanted`, `width` being (fan-off, fan-on); else the narrowest pair."""
    total = stretch[:, None] + stretch[None, :]
    within = width <= wanted
    score = np.where(within, total, np.inf) if within.any() else width
    off, on = np.unravel_index(int(np.argmin(score)), width.shape)
    return ProofPlan(float(stretch[off]), float(stretch[on]), repeats, one_peak, float(width[off, on]), wanted)


def _check(name: str, value: float, low: float, high: float, unit: str, *, above: bool = False) -> None:
    if not (np.isfinite(value) and low <= value <= high) or (above and value == low):
        bounds = f"above {low:g}, up to {high:g}" if above else f"{low:g} to {high:g}"
        raise ValueError(f"proof: {name} of {value:g} {unit} cannot be; give {bounds} {unit}".rstrip())
