"""Identification of a house from ordinary life: entry, loss, what the running fan takes out, and the indoor events.

The model, in the indoor sensor's scale:

    dC/dt = (beta + beta_fan u + beta_window W) C_out + s + s_fan u - (loss + r u + a_window W) C + bursts

u is the fan's fraction on, W the windows'. r V is the extra loss while the fan runs: clean air delivered, and the air
that leaky ducts exchange meanwhile, which beta_fan shows. s and s_fan take up steady small sources and the sensors'
zero offsets. beta is the entry rate times the sensors' gain ratio: the two cannot be told apart while windows are shut.
Air through an open window brings all its particles along, so beta_window / a_window is the gain ratio itself.
"""

from dataclasses import dataclass, field

import numpy as np

from .answer import Answer, Estimate, Unknown
from .events import Event, bursts, rises, spans
from .fit import Fit, Prior, fit, robust_covariance, t_90
from .record import HouseRecord
from .recurrence import BoolArray, FloatArray, Terms, linear_recurrence, step_response

ENTRY, LOSS, FAN_LOSS, FAN_ENTRY, SOURCE, FAN_SOURCE = range(6)
_LEAST_DAYS = 2.5
_LONGEST_BRIDGE_H = 0.35
_PENETRATION = 0.8
_LEAK_DILUTION = (1.25, 0.35)


@dataclass(frozen=True)
class GainPrior:
    """What is known of the sensors' gain ratio beforehand: its value and relative standard deviation.

    Without a side-by-side spell two low-cost sensors of one make differ by about 15 % (common practice, no source).
    """

    ratio: float = 1.0
    relative_sd: float = 0.15

    def __post_init__(self) -> None:
        if not (0.05 <= self.ratio <= 20.0 and 0.0 <= self.relative_sd <= 1.0):
            raise ValueError(
                f"gain prior: ratio {self.ratio:g}, relative sd {self.relative_sd:g}; give 0.05..20 and 0..1"
            )


@dataclass(frozen=True)
class Identification:
    """What the record tells of the house. Every answer is an `Estimate` (90 %) or an `Unknown`.

    `outdoor_entry_per_h` (1/h), `loss_fan_off_per_h` (1/h), `clean_air_delivered_m3h` (m3/h), `installed_efficiency`
    (0..1), `sensor_gain_ratio` (indoor over outdoor), `fan_extra_entry_per_h` (1/h, entry that the running fan adds
    through leaky ducts). `events` in order of time. On the record's own steps (`step_h` from `start_h`):
    `modelled_indoor` (ug/m3, NaN where the inputs are unknown), `emission_ug_h` (ug/h, nought outside events),
    `usable` (steps that the estimates rest on). `usable_days`: how much that is.
    """

    outdoor_entry_per_h: Answer
    loss_fan_off_per_h: Answer
    clean_air_delivered_m3h: Answer
    installed_efficiency: Answer
    sensor_gain_ratio: Answer
    fan_extra_entry_per_h: Answer
    events: tuple[Event, ...]
    start_h: float
    step_h: float
    modelled_indoor: FloatArray = field(repr=False)
    emission_ug_h: FloatArray = field(repr=False)
    usable: BoolArray = field(repr=False)
    usable_days: float
    remarks: tuple[str, ...] = ()


def identify(
    record: HouseRecord, *, fan_airflow_m3h: Estimate | None = None, gain_prior: GainPrior | None = None
) -> Identification:
    """Identify a house from a record of days to weeks.

    `fan_airflow_m3h`: the airflow of the running fan with its interval, for the as-installed efficiency.
    `gain_prior`: what is known of the sensors beforehand. Record steps finer than a minute are averaged first.
    """
    record = record.coarsened()
    gain_prior = gain_prior or GainPrior()
    seen = _Seen.of(record)
    refusal = _refusal(record, seen)
    if refusal is not None:
        return _nothing(record, seen, refusal)

    terms = _terms(record, seen)
    prior = _prior(terms.entry.shape[1])
    burst = rises(seen.reading, seen.known, seen.outdoor_filled, record.step_h)
    theta = prior.mean
    fitted = None
    for _ in range(3):
        fitted = fit(terms, seen.reading, seen.known, seen.restarts(burst), prior, theta)
        theta = fitted.theta
        burst = _bursts(terms, seen, prior, fitted, record.step_h)
    fitted = fit(terms, seen.reading, seen.known, seen.restarts(burst), prior, theta)
    covariance, freedom = robust_covariance(fitted, prior, _blocks(record))
    emission, modelled = _account(record, seen, terms, fitted, burst)
    events = _events(record, seen, fitted, burst, emission)
    return _answers(record, seen, fitted, covariance, freedom, gain_prior, fan_airflow_m3h, events, emission, modelled)


@dataclass(frozen=True)
class _Seen:
    """The record made ready: readings with short gaps bridged by the model, inputs of each transition, restarts."""

    reading: FloatArray
    known: BoolArray
    outdoor_filled: FloatArray
    need: BoolArray

    @classmethod
    def of(cls, record: HouseRecord) -> "_Seen":
        known = np.isfinite(record.indoor)
        inputs = np.isfinite(record.outdoor) & np.isfinite(record.fan)
        need = ~inputs
        need[1:] |= ~inputs[:-1]
        index = np.arange(record.count)
        last_known = np.maximum.accumulate(np.where(known, index, -1))
        previous = np.concatenate(([-1], last_known[:-1]))
        need |= known & ((index - previous) * record.step_h > _LONGEST_BRIDGE_H)
        if record.count:
            need[0] = True
        return cls(
            reading=np.where(known, record.indoor, 0.0),
            known=known & inputs,
            outdoor_filled=np.where(np.isfinite(record.outdoor), record.outdoor, 0.0),
            need=need,
        )

    def restarts(self, burst: BoolArray) -> BoolArray:
        """First known step at or after each need, and every step of a burst and the one after it."""
        need = self.need | burst
        need[1:] |= burst[:-1]
        needed = np.cumsum(need)
        before = np.maximum.accumulate(np.where(self.known, needed, 0))
        before = np.concatenate(([0], before[:-1]))
        return np.asarray(self.known & (needed > before))


def _middle(values: FloatArray) -> FloatArray:
    """Mean input of each transition between the middles of two steps."""
    return 0.5 * (values[1:] + values[:-1])


def _terms(record: HouseRecord, seen: _Seen) -> Terms:
    fan = np.where(np.isfinite(record.fan), record.fan, 0.0)
    outdoor = _middle(seen.outdoor_filled)
    u = _middle(fan)
    u_outdoor = _middle(fan * seen.outdoor_filled)
    nothing, one = np.zeros(u.size), np.ones(u.size)
    entry = [outdoor, nothing, nothing, u_outdoor, one, u]
    loss = [nothing, one, u, nothing, nothing, nothing]
    if record.window is not None and np.nansum(record.window) * record.step_h > 1.0:
        window = np.where(np.isfinite(record.window), record.window, 0.0)
        entry += [_middle(window * seen.outdoor_filled), nothing]
        loss += [nothing, _middle(window)]
    return Terms(record.step_h, np.column_stack(entry), np.column_stack(loss))


def _prior(count: int) -> Prior:
    """Broad: what houses are like, not what this one is."""
    mean = np.array([0.4, 0.8, 2.0, 0.0, 0.5, 0.0, 2.0, 2.0][:count])
    sd = np.array([0.5, 0.8, 4.0, 0.15, 3.0, 2.0, 4.0, 4.0][:count])
    low = np.array([0.0, 0.02, -0.5, -0.3, -50.0, -50.0, 0.0, 0.0][:count])
    high = np.array([20.0, 30.0, 100.0, 5.0, 100.0, 100.0, 100.0, 100.0][:count])
    return Prior(mean, sd, low, high)


def _bursts(terms: Terms, seen: _Seen, prior: Prior, fitted: Fit, step_h: float) -> BoolArray:
    """Bursts seen by a quick filter (short memory, so that the decay after a burst is left to the fit)."""
    quick = fit(
        terms,
        seen.reading,
        seen.known,
        seen.restarts(np.zeros(seen.known.size, dtype=np.bool_)),
        prior,
        fitted.theta,
        noise_ratio=max(fitted.noise_ratio, 0.1),
        iterations=0,
    )
    standard = quick.run.innovation / (quick.scale * np.sqrt(quick.steering.variance))
    return bursts(standard, quick.steering.used, step_h)


def _blocks(record: HouseRecord) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """The block of each step: a day, or half a day when there are fewer than ten days."""
    span_h = record.count * record.step_h
    length = 24.0 if span_h >= 240.0 else 12.0
    return np.asarray((np.arange(record.count) * record.step_h / length).astype(np.intp))


def _account(
    record: HouseRecord, seen: _Seen, terms: Terms, fitted: Fit, burst: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Emission in bursts (ug/h) and the indoor level that the whole model then gives (ug/m3)."""
    phi, g, _ = step_response(terms.loss @ fitted.theta, terms.step_h)
    entry = terms.entry @ fitted.theta
    filtered = fitted.run.filtered
    excess = (filtered[1:] - phi * filtered[:-1]) / g - entry
    emission = np.zeros(record.count)
    emission[1:] = np.where(burst[1:], np.maximum(excess, 0.0) * record.volume_m3, 0.0)
    drive = np.zeros((record.count, 1))
    fresh = seen.restarts(np.zeros(record.count, dtype=np.bool_)) & seen.need
    drive[0, 0] = filtered[0]
    drive[1:, 0] = np.where(fresh[1:], filtered[1:], g * (entry + emission[1:] / record.volume_m3))
    modelled = linear_recurrence(np.where(fresh[1:], 0.0, phi), drive)[:, 0]
    inputs = np.isfinite(record.outdoor) & np.isfinite(record.fan)
    begun = np.maximum.accumulate(fresh)
    return emission, np.where(inputs & begun, modelled, np.nan)


def _events(record: HouseRecord, seen: _Seen, fitted: Fit, burst: BoolArray, emission: FloatArray) -> tuple[Event, ...]:
    joined = burst.copy()
    for (_, end), (begin, _) in zip(spans(burst)[:-1], spans(burst)[1:], strict=True):
        if (begin - end) * record.step_h <= 0.25:
            joined[end:begin] = True
    events = []
    after = max(1, round(0.5 / record.step_h))
    for first, last in spans(joined):
        mass_ug = float(emission[first:last].sum()) * record.step_h
        spread_ug = 1.645 * 1.5 * float(fitted.scale[first:last].mean()) * record.volume_m3
        spread_ug = float(np.hypot(spread_ug, 0.25 * mass_ug))
        if mass_ug <= 0.0:
            continue
        peak = float(np.max(np.where(seen.known, seen.reading, 0.0)[first : last + after]))
        emitted = Estimate(mass_ug / 1e3, max(mass_ug - spread_ug, 0.0) / 1e3, (mass_ug + spread_ug) / 1e3)
        events.append(
            Event(record.start_h + first * record.step_h, record.start_h + last * record.step_h, emitted, peak)
        )
    return tuple(events)


def _refusal(record: HouseRecord, seen: _Seen) -> Unknown | None:
    """Why nothing at all can be told, or None."""
    usable_days = float(np.count_nonzero(seen.known)) * record.step_h / 24.0
    outdoor = record.outdoor[np.isfinite(record.outdoor)]
    if not np.isfinite(record.indoor).any():
        return Unknown("no indoor PM2.5", "add an indoor PM2.5 sensor")
    if outdoor.size == 0:
        return Unknown("no usable outdoor PM2.5", "add outdoor PM2.5, measured at the house or nearby")
    if usable_days < _LEAST_DAYS:
        span_days = record.count * record.step_h / 24.0
        reason = f"only {usable_days:.1f} days with indoor, outdoor and fan signals known"
        return Unknown(
            reason + (f" out of {span_days:.1f}; too many gaps" if usable_days < 0.6 * span_days else ""),
            "collect at least three whole days",
        )
    centre = float(np.median(outdoor))
    spread = float(np.subtract(*np.quantile(outdoor, [0.95, 0.05])))
    if spread < max(0.1 * abs(centre), 0.5):
        return Unknown(
            "the outdoor reading hardly changes: its sensor is stuck, or the air gave no contrast",
            "check the outdoor sensor, or wait for days of changing outdoor air",
        )
    standing = np.count_nonzero(np.diff(outdoor) == 0.0) / max(outdoor.size - 1, 1)
    longest = max((last - first for first, last in spans(np.diff(outdoor) == 0.0)), default=0)
    if longest * record.step_h > 0.5 * record.count * record.step_h and standing > 0.5:
        return Unknown("the outdoor reading stood still for most of the time", "check the outdoor sensor")
    return None


def _nothing(record: HouseRecord, seen: _Seen, why: Unknown) -> Identification:
    return Identification(
        outdoor_entry_per_h=why,
        loss_fan_off_per_h=why,
        clean_air_delivered_m3h=why,
        installed_efficiency=why,
        sensor_gain_ratio=why,
        fan_extra_entry_per_h=why,
        events=(),
        start_h=record.start_h,
        step_h=record.step_h,
        modelled_indoor=np.full(record.count, np.nan),
        emission_ug_h=np.zeros(record.count),
        usable=np.zeros(record.count, dtype=np.bool_),
        usable_days=float(np.count_nonzero(seen.known)) * record.step_h / 24.0,
    )


def _answers(
    record: HouseRecord,
    seen: _Seen,
    fitted: Fit,
    covariance: FloatArray,
    freedom: float,
    gain_prior: GainPrior,
    fan_airflow_m3h: Estimate | None,
    events: tuple[Event, ...],
    emission: FloatArray,
    modelled: FloatArray,
) -> Identification:
    theta, t = fitted.theta, t_90(freedom)
    gain, gain_sd, gain_told = _gain(fitted, covariance, gain_prior)
    used = fitted.steering.used
    fan = np.where(np.isfinite(record.fan), record.fan, 0.0)
    on_h = float(fan[used].sum()) * record.step_h
    off_h = float((1.0 - fan[used]).sum()) * record.step_h

    entry = theta[ENTRY] / gain
    entry_sd = entry * float(np.hypot(np.sqrt(covariance[ENTRY, ENTRY]) / max(theta[ENTRY], 1e-6), gain_sd / gain))
    loss = _interval(theta[LOSS], t * float(np.sqrt(covariance[LOSS, LOSS])), 0.0)
    extra = _interval(theta[FAN_ENTRY] / gain, t * float(np.sqrt(covariance[FAN_ENTRY, FAN_ENTRY])) / gain, -np.inf)
    factor, factor_sd = _LEAK_DILUTION
    dilution = factor * max(theta[FAN_ENTRY] / gain, 0.0)
    direction = np.zeros(theta.size)
    direction[FAN_LOSS] = 1.0
    direction[FAN_ENTRY] = -factor / gain if theta[FAN_ENTRY] > 0.0 else -0.5 * factor / gain
    delivered_sd = np.hypot(np.sqrt(direction @ covariance @ direction), factor_sd / factor * dilution)
    delivered: Answer = _interval(theta[FAN_LOSS] - dilution, t * float(delivered_sd), -np.inf).scaled(record.volume_m3)

    loss_answer: Answer = loss
    extra_answer: Answer = extra
    if on_h < max(2.0, 0.005 * (on_h + off_h)):
        delivered = extra_answer = Unknown(
            f"the fan ran only {on_h:.1f} h of the usable time",
            "run the fan for an hour or two on each of three evenings",
        )
    elif off_h < max(6.0, 0.02 * (on_h + off_h)):
        loss_answer = delivered = extra_answer = Unknown(
            f"the fan rested only {off_h:.1f} h of the usable time",
            "let the fan rest for two hours or more on each of three days",
        )
    efficiency = _efficiency(delivered, fan_airflow_m3h)
    return Identification(
        outdoor_entry_per_h=_interval(entry, t * entry_sd, 0.0),
        loss_fan_off_per_h=loss_answer,
        clean_air_delivered_m3h=delivered,
        installed_efficiency=efficiency,
        sensor_gain_ratio=_interval(gain, t * gain_sd, 0.0) if gain_told else _unknown_gain(),
        fan_extra_entry_per_h=extra_answer,
        events=events,
        start_h=record.start_h,
        step_h=record.step_h,
        modelled_indoor=modelled,
        emission_ug_h=emission,
        usable=used,
        usable_days=float(np.count_nonzero(used)) * record.step_h / 24.0,
    )


def _unknown_gain() -> Unknown:
    return Unknown(
        "gain ratio and entry rate cannot be told apart behind shut windows; the entry rate's interval allows for it",
        "open windows wide for two hours with the window signal on, or hang both sensors side by side for a day",
    )


def _gain(fitted: Fit, covariance: FloatArray, prior: GainPrior) -> tuple[float, float, bool]:
    """Gain ratio, its standard deviation, and whether the record itself tells it (open windows)."""
    prior_sd = prior.ratio * prior.relative_sd
    if fitted.theta.size <= FAN_SOURCE + 1:
        return prior.ratio, prior_sd, False
    entry, loss = fitted.theta[FAN_SOURCE + 1], fitted.theta[FAN_SOURCE + 2]
    if loss <= 0.2:
        return prior.ratio, prior_sd, False
    ratio = float(entry / loss)
    slope = np.zeros(fitted.theta.size)
    slope[FAN_SOURCE + 1], slope[FAN_SOURCE + 2] = 1.0 / loss, -entry / loss**2
    sd = float(np.sqrt(slope @ covariance @ slope))
    if not 0.0 < sd < prior_sd:
        return prior.ratio, prior_sd, False
    weight = prior_sd**2 / (prior_sd**2 + sd**2)
    return weight * ratio + (1.0 - weight) * prior.ratio, float(np.sqrt(weight)) * sd, True


def _efficiency(delivered: Answer, airflow: Estimate | None) -> Answer:
    if isinstance(delivered, Unknown):
        return delivered
    if airflow is None or airflow.value <= 0.0:
        return Unknown("the fan's airflow is not known", "state the measured airflow in the house file")
    value = delivered.value / airflow.value
    relative_airflow = airflow.half_width / airflow.value
    half = float(np.hypot(delivered.half_width / airflow.value, value * relative_airflow))
    low, high = np.clip([value - half, value + half], 0.0, 1.0)
    return Estimate(float(np.clip(value, 0.0, 1.0)), float(low), float(high))


def _interval(value: float, half: float, floor: float) -> Estimate:
    value = max(float(value), floor)
    return Estimate(value, max(value - half, floor), value + half)
