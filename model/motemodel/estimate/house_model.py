"""The model of a lived-in house in the form that the fit works on: what is seen, and one column per parameter.

In the indoor sensor's scale:

    dC/dt = (beta m + beta_fan u + beta_window W) C_out + s + s_fan u - (loss + a (m - 1) + r u + a_window W) C
            + bursts + drift,         m = 1 + weather and slow changes of the air change, mean one over the record

u is the fan's fraction on, W the windows'. r V is the extra loss while the fan runs: clean air delivered, and the air
that leaky ducts exchange meanwhile, which beta_fan shows. s and s_fan take up steady small sources and the sensors'
zero offsets. beta is the entry rate times the sensors' gain ratio: the two cannot be told apart while windows are shut.
Air through an open window brings all its particles along, so beta_window / a_window is the gain ratio itself.
A change of the air change moves entry and that part a of the loss which is air change together.
"""

from dataclasses import dataclass

import numpy as np

from ..bounds import FloatArray
from .fit import Prior
from .outdoors import changes, outdoor_course
from .record import HouseRecord
from .recurrence import BoolArray, Terms

ENTRY, LOSS, FAN_LOSS, FAN_ENTRY, SOURCE, FAN_SOURCE, WINDOW_ENTRY, WINDOW_LOSS = range(8)

# Typical penetration of PM2.5 through a shell, to tell the air change from the entry rate: about 0.8 (Chen & Zhao 2011,
# Atmospheric Environment 45: 275-288, review). Only the share of the loss that moves with the weather depends on it.
PENETRATION = 0.8
# Zero offsets of low-cost sensors, standard deviation in ug/m3 (common practice, no source), and what the fan's source
# may be at least and at most, ug/m3/h.
_ZERO_OFFSET = 0.8
_FAN_SOURCE_SD = (0.3, 2.0)
_LONGEST_BRIDGE_H = 0.35
_KNOT_H = 8.0
_MOST_KNOTS = 64


@dataclass(frozen=True)
class Seen:
    """The record made ready.

    `reading`, `known`: indoor readings, and where they and all inputs are known. `outdoor`: the outdoor level, nought
    where unknown. `need`: steps from which the level must be taken anew from the readings. A reading that
    spans several steps is known at its middle one only, that is at one step in `every`.
    """

    reading: FloatArray
    known: BoolArray
    outdoor: FloatArray
    need: BoolArray
    every: int

    @classmethod
    def of(cls, record: HouseRecord) -> "Seen":
        """Make a record ready; gaps of the indoor reading up to twenty minutes are bridged by the model."""
        every = max(1, round(record.indoor_interval_h / record.step_h))
        known = np.isfinite(record.indoor) if every == 1 else _middles_of_held(record.indoor, every)
        inputs = np.isfinite(record.outdoor) & np.isfinite(record.fan)
        if every > 1:
            inputs = _averaged(inputs.astype(np.float64), every) > 1.0 - 1e-9
        need = ~inputs
        need[1:] |= ~inputs[:-1]
        index = np.arange(record.count)
        last_known = np.maximum.accumulate(np.where(known, index, -1))
        previous = np.concatenate(([-1], last_known[:-1]))
        need |= known & ((index - previous) * record.step_h > max(_LONGEST_BRIDGE_H, 2.2 * record.indoor_interval_h))
        if record.count:
            need[0] = True
        return cls(
            reading=np.where(known, record.indoor, 0.0),
            known=known & inputs,
            outdoor=_averaged(outdoor_course(record.outdoor, record.step_h), every),
            need=need,
            every=every,
        )

    def restarts(self, burst: BoolArray) -> BoolArray:
        """First known step at or after each need, and every step of a burst and the one after it."""
        need = self.need | burst
        need[1:] |= burst[:-1]
        needed = np.cumsum(need)
        before = np.maximum.accumulate(np.where(self.known, needed, 0))
        before = np.concatenate(([0], before[:-1]))
        return np.asarray(self.known & (needed > before))


@dataclass(frozen=True)
class HouseModel:
    """Terms and prior of one record. The last columns are the modulation of the air change.

    `modulation`: how each of them moves the air change, by transition. `has_window`: whether columns `WINDOW_ENTRY` and
    `WINDOW_LOSS` are there.
    """

    terms: Terms
    prior: Prior
    modulation: FloatArray
    has_window: bool
    entry_reference: float
    air_change_reference: float

    @property
    def base_count(self) -> int:
        """Number of parameters before the modulation."""
        return int(self.terms.entry.shape[1] - self.modulation.shape[1])

    def mean_over_period(self, parameter: int) -> FloatArray:
        """The direction d with d . theta = mean over the period of the entry coefficient or of the loss."""
        direction = np.zeros(self.terms.entry.shape[1])
        direction[parameter] = 1.0
        by = {ENTRY: self.entry_reference, LOSS: self.air_change_reference}.get(parameter, 0.0)
        if self.modulation.shape[1]:
            direction[self.base_count :] = by * self.modulation.mean(axis=0)
        return direction


def house_model(record: HouseRecord, seen: Seen, theta: FloatArray | None = None, *, slow: float = 0.0) -> HouseModel:
    """The model of a record, its modulation about the parameters `theta` of an earlier fit.

    `slow`: standard deviation of the slow relative changes of the air change; nought leaves them out.
    """
    fan = _averaged(np.where(np.isfinite(record.fan), record.fan, 0.0), seen.every)
    outdoor, u, u_outdoor = _middle(seen.outdoor), _middle(fan), _middle(fan * seen.outdoor)
    nothing, one = np.zeros(u.size), np.ones(u.size)
    entry = [outdoor, nothing, nothing, u_outdoor, one, u]
    loss = [nothing, one, u, nothing, nothing, nothing]
    has_window = record.window is not None and float(np.nansum(record.window)) * record.step_h > 1.0
    if has_window and record.window is not None:
        window = _averaged(np.where(np.isfinite(record.window), record.window, 0.0), seen.every)
        entry += [_middle(window * seen.outdoor), nothing]
        loss += [nothing, _middle(window)]
    prior = _prior(len(entry), theta)
    reference = (theta if theta is not None else prior.mean)[: len(entry)]
    beta = float(max(reference[ENTRY], 0.01))
    air_change = float(min(beta / PENETRATION, 0.95 * reference[LOSS]))

    weather = _weather(record)
    knots = _slow_changes(record) if slow > 0.0 else np.zeros((u.size, 0))
    modulation = np.hstack([weather, knots])
    sd = np.concatenate([np.full(weather.shape[1], 0.3), np.full(knots.shape[1], max(slow, 1e-6))])
    return HouseModel(
        terms=Terms(
            record.step_h,
            np.hstack([np.column_stack(entry), beta * outdoor[:, None] * modulation]),
            np.hstack([np.column_stack(loss), air_change * modulation]),
        ),
        prior=Prior(
            np.concatenate([prior.mean, np.zeros(sd.size)]),
            np.concatenate([prior.sd, sd]),
            np.concatenate([prior.low, np.full(sd.size, -2.0)]),
            np.concatenate([prior.high, np.full(sd.size, 5.0)]),
        ),
        modulation=modulation,
        has_window=has_window,
        entry_reference=beta,
        air_change_reference=air_change,
    )


def _prior(count: int, theta: FloatArray | None) -> Prior:
    """Broad: what houses are like, not what this one is.

    But the fan makes no particles: a source that comes with it is the sensor's zero offset times what the fan takes out
    (of an earlier fit, `theta`), and wide room for one would blur the delivery of a weak filter most.
    """
    mean = np.array([0.4, 0.8, 2.0, 0.0, 0.7, 0.0, 2.0, 2.0][:count])
    sd = np.array([0.5, 0.8, 4.0, 0.1, 1.5, 2.0, 4.0, 4.0][:count])
    if theta is not None:
        sd[FAN_SOURCE] = np.clip(_ZERO_OFFSET * theta[FAN_LOSS], *_FAN_SOURCE_SD)
    low = np.array([0.0, 0.02, -0.5, 0.0, -50.0, -50.0, 0.0, 0.0][:count])
    high = np.array([20.0, 30.0, 100.0, 5.0, 100.0, 100.0, 100.0, 100.0][:count])
    return Prior(mean, sd, low, high)


def _weather(record: HouseRecord) -> FloatArray:
    """Stack and wind drive by transition, each centred and scaled to unit spread over the record.

    Stack flow goes with the square root of the temperature difference and wind flow with the wind speed (ASHRAE
    Handbook Fundamentals, chapter on ventilation and infiltration, basic model); how much of each is fitted.
    """
    drives = []
    if record.outdoor_temperature is not None:
        inside = record.indoor_temperature
        known_inside = inside if inside is not None else np.full(record.count, 22.0)
        drives.append(np.sqrt(np.abs(known_inside - record.outdoor_temperature)))
    if record.wind_speed is not None:
        drives.append(np.abs(record.wind_speed))
    columns = []
    for drive in drives:
        known = np.isfinite(drive)
        spread = float(np.std(drive[known])) if known.any() else 0.0
        if spread > 1e-3:
            columns.append(_middle(np.where(known, (drive - drive[known].mean()) / spread, 0.0)))
    return np.column_stack(columns) if columns else np.zeros((record.count - 1, 0))


def _slow_changes(record: HouseRecord) -> FloatArray:
    """Hat functions over the record, eight hours apart (more in a long one): what the weather does not explain."""
    hours = (np.arange(record.count - 1) + 1.0) * record.step_h
    count = max(2, min(round(float(hours[-1]) / _KNOT_H) + 1, _MOST_KNOTS))
    place = hours / hours[-1] * (count - 1)
    return np.asarray(np.maximum(1.0 - np.abs(place[:, None] - np.arange(count)), 0.0))


def _middle(values: FloatArray) -> FloatArray:
    """Mean input of each transition between the middles of two steps."""
    return 0.5 * (values[1:] + values[:-1])


def _middles_of_held(values: FloatArray, every: int) -> BoolArray:
    """The middle step of each reading that is repeated over about `every` steps.

    A stretch of one value may be several readings alike; it is cut into as many as its length allows.
    """
    known = np.flatnonzero(np.isfinite(values))
    middles = np.zeros(values.size, dtype=np.bool_)
    if known.size == 0:
        return middles
    first = np.flatnonzero(np.concatenate(([True], changes(values[known]) | (np.diff(known) > 1))))
    length = np.diff(np.append(first, known.size))
    pieces = np.maximum(np.round(length / every), 1.0).astype(np.intp)
    of_run = np.repeat(np.arange(first.size), pieces)
    number = np.arange(of_run.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    at = first[of_run] + ((number + 0.5) * length[of_run] / pieces[of_run]).astype(np.intp)
    middles[known[at]] = True
    return middles


def _averaged(values: FloatArray, every: int) -> FloatArray:
    """Inputs averaged as the readings are: the mean level over several steps answers to the mean of its inputs."""
    return values if every == 1 else np.convolve(values, np.full(every, 1.0 / every), mode="same")
