"""Identification of a house from ordinary life: entry, loss, what the running fan takes out, and the indoor events.

`house_model` says what is fitted, `fit` how, `recurrence` solves it.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from ..bounds import FloatArray
from ..measure import ClockLag, clock_lag, shifted
from .airing import airings, calm_ratio, gain_of
from .answer import Z_90, Answer, Estimate, Unknown
from .events import Event, bursts, rises, spans
from .fit import Fit, fit, robust_covariance, t_90
from .gain import GainPrior
from .house_model import (
    ENTRY,
    FAN_ENTRY,
    FAN_LOSS,
    LOSS,
    WINDOW_ENTRY,
    WINDOW_LOSS,
    HouseModel,
    Seen,
    changes,
    house_model,
)
from .record import HouseRecord
from .recurrence import BoolArray, Noise, linear_recurrence, step_response

_LEAST_DAYS = 2.5
_LONGEST_DAYS = 45.0
# Share of readings of nought with the fan on. In integrated houses a half still gave the truth, seven tenths twice it.
_MOST_NOUGHTS = 0.6
_LEAK_DILUTION = (1.25, 0.35)
# Relative spread of the slow changes of the air change that no weather signal explains.
_SLOW = 0.3
# Falls are left out only when they are beyond doubt: a wrong loss would make every decay look like one.
_FALL_THRESHOLD = 5.5


@dataclass(frozen=True)
class _ModelError:
    """Relative standard deviations of what one well-mixed room and one kind of particle leave out.

    Particles of several sizes do not decay as one; the hours that tell most are not the mean of the period; windows
    that no signal tells of stand open now and then (`loss_windows_unknown`). Set so that nominal 90 % intervals cover
    about 90 % over simulated houses with particles of many sizes (tests/studies/coverage.py; set on the houses of
    seeds 3000 to 3059 and 5000 to 5089, checked on others). Spells found without a window signal give gains that are
    some percent too low (`gain_by_airing`, seeds 300 to 344).
    """

    entry: float = 0.13
    loss: float = 0.1
    loss_windows_unknown: float = 0.17
    delivered: float = 0.036
    gain: float = 0.06
    gain_by_airing: float = 0.1


_MODEL_ERROR = _ModelError()


@dataclass(frozen=True)
class Identification:
    """What the record tells of the house. Every answer is an `Estimate` (90 %) or an `Unknown`.

    `outdoor_entry_per_h` (1/h), `loss_fan_off_per_h` (1/h), `clean_air_delivered_m3h` (m3/h), `installed_efficiency`
    (0..1), `sensor_gain_ratio` (indoor over outdoor), `fan_extra_entry_per_h` (1/h, entry that the running fan adds
    through leaky ducts). `events` in order of time.

    On steps of `step_h` from `start_h`, not always the record's own (see `identify`): `modelled_indoor` (ug/m3, NaN
    where the inputs are unknown), `emission_ug_h` (ug/h, nought outside events), `usable` (steps that the estimates
    rest on). `usable_days`: how much that is.
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


@dataclass(frozen=True)
class _GainFound:
    """What is known of the sensors' gain ratio beside the fit itself.

    `by_airing`: by spells in which the house stood open (`airing`), where no window signal tells of any.
    `calm_ratio`: indoor over outdoor reading in `calm_h` calm hours.
    """

    prior: GainPrior
    by_airing: Estimate | None
    spells: int
    calm_ratio: float
    calm_h: float

    @classmethod
    def of(
        cls,
        record: HouseRecord,
        seen: Seen,
        model: HouseModel,
        fitted: Fit,
        burst: BoolArray,
        odd: BoolArray,
        prior: GainPrior,
    ) -> "_GainFound":
        spells = airings(record, seen, model, fitted, burst, odd) if record.window is None else ()
        return cls(prior, gain_of(spells), len(spells), *calm_ratio(record, burst))


def identify(
    record: HouseRecord, *, fan_airflow_m3h: Estimate | None = None, gain_prior: GainPrior | None = None
) -> Identification:
    """Identify a house from a record of days to weeks.

    `fan_airflow_m3h`: the airflow of the running fan with its interval, for the as-installed efficiency.
    `gain_prior`: what is known of the sensors beforehand. Steps finer than a minute (two minutes in a record of weeks)
    are averaged first, and of a long record the last 45 days are taken: over months a house and its filter change. A
    fan whose clock is wrong is put right by what the air shows.
    """
    whole_h = record.count * record.step_h
    record = record.last_days(_LONGEST_DAYS).coarsened()
    gain_prior = gain_prior or GainPrior()
    clocks = clock_lag(record.indoor, record.fan, record.step_h)
    if clocks.told:
        record = replace(record, fan=shifted(record.fan, round(clocks.lag_h / record.step_h)))
    seen = Seen.of(record)
    refusal = _refusal(record, seen)
    if refusal is not None:
        return _nothing(record, seen, refusal)

    burst = rises(
        np.where(np.isfinite(record.indoor), record.indoor, 0.0),
        np.isfinite(record.indoor),
        seen.outdoor,
        record.step_h,
    )
    model = house_model(record, seen)
    theta = model.prior.mean
    odd = np.zeros(record.count, dtype=np.bool_)
    noise = Noise(0.01, 3.0)
    for turn in range(3):
        fitted = fit(
            model.terms,
            seen.reading,
            seen.known,
            seen.restarts(burst | odd),
            model.prior,
            theta,
            noise=noise,
            seek_noise=turn < 2,
            iterations=3,
            every=seen.every,
        )
        theta, noise = fitted.theta, fitted.noise
        model = house_model(record, seen, theta)
        burst, odd = _bursts(model, seen, fitted)
    sensors = _GainFound.of(record, seen, model, fitted, burst, odd, gain_prior)
    restart = seen.restarts(burst | odd)
    model = house_model(record, seen, theta, slow=_SLOW)
    theta = np.concatenate([theta, np.zeros(model.prior.mean.size - theta.size)])
    fitted = fit(
        model.terms,
        seen.reading,
        seen.known,
        restart,
        model.prior,
        theta,
        noise=noise,
        iterations=2,
        every=seen.every,
    )
    covariance, freedom = robust_covariance(
        fitted, model.prior, _blocks(record, 24.0 if record.count * record.step_h >= 240.0 else 12.0)
    )
    emission, modelled = _account(record, seen, model, fitted, burst)
    events = _events(record, seen, fitted, burst, emission)
    found = _answers(record, model, fitted, covariance, freedom, sensors, fan_airflow_m3h, events, emission, modelled)
    return replace(found, remarks=(*_remarks(record, whole_h, odd, clocks), *found.remarks))


def _remarks(record: HouseRecord, whole_h: float, odd: BoolArray, clocks: ClockLag) -> tuple[str, ...]:
    odd_h = float(np.count_nonzero(odd)) * record.step_h
    minutes = 60.0 * abs(clocks.lag_h)
    said = (
        (
            clocks.told,
            f"the air follows the fan {minutes:.0f} min {'later' if clocks.lag_h > 0.0 else 'earlier'} than the stamps "
            "say: one of the two clocks is wrong; the estimates move the fan's times by that, put the clock right",
        ),
        (
            whole_h > record.count * record.step_h + 24.0,
            f"the last {_LONGEST_DAYS:.0f} of {whole_h / 24.0:.0f} days were used",
        ),
        (
            record.window is None and odd_h > 0.25,
            f"{odd_h:.1f} h in which the air fell faster than this house explains were left out (windows open?); "
            "without a window signal the loss may come out too high",
        ),
    )
    return tuple(text for holds, text in said if holds)


def _bursts(model: HouseModel, seen: Seen, fitted: Fit) -> tuple[BoolArray, BoolArray]:
    """Bursts, and falls too fast for the house as it is (a window that no signal tells of), both left out of the fit.

    Seen by a quick filter of short memory, so that the decay after a burst is left to the fit.
    """
    quick = fit(
        model.terms,
        seen.reading,
        seen.known,
        seen.restarts(np.zeros(seen.known.size, dtype=np.bool_)),
        model.prior,
        fitted.theta,
        noise=replace(fitted.noise, quick=max(fitted.noise.quick, 0.1)),
        iterations=0,
        every=seen.every,
    )
    standard = quick.run.innovation / (quick.scale * np.sqrt(quick.steering.variance))
    used, step_h = quick.steering.used, model.terms.step_h
    burst = bursts(standard, used, step_h, seen.every)
    return burst, bursts(-standard, used, step_h, seen.every, _FALL_THRESHOLD) & ~burst


def _blocks(record: HouseRecord, length_h: float) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """The number of the stretch of `length_h` that each step lies in."""
    return np.asarray((np.arange(record.count) * record.step_h / length_h).astype(np.intp))


def _account(
    record: HouseRecord, seen: Seen, model: HouseModel, fitted: Fit, burst: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Emission in bursts (ug/h) and the indoor level that the whole model then gives (ug/m3)."""
    phi, g, _ = step_response(model.terms.loss @ fitted.theta, record.step_h)
    entry = model.terms.entry @ fitted.theta
    filtered = fitted.run.filtered
    excess = (filtered[1:] - phi * filtered[:-1]) / g - entry - fitted.run.drift[:-1]
    emission = np.zeros(record.count)
    emission[1:] = np.where(burst[1:], np.maximum(excess, 0.0) * record.volume_m3, 0.0)
    drive = np.zeros((record.count, 1))
    fresh = seen.restarts(np.zeros(record.count, dtype=np.bool_)) & seen.need
    drive[0, 0] = filtered[0]
    drive[1:, 0] = np.where(
        fresh[1:], filtered[1:], g * (entry + fitted.run.drift[:-1] + emission[1:] / record.volume_m3)
    )
    modelled = linear_recurrence(np.where(fresh[1:], 0.0, phi), drive)[:, 0]
    inputs = np.isfinite(record.outdoor) & np.isfinite(record.fan)
    begun = np.maximum.accumulate(fresh)
    return emission, np.where(inputs & begun, modelled, np.nan)


def _events(record: HouseRecord, seen: Seen, fitted: Fit, burst: BoolArray, emission: FloatArray) -> tuple[Event, ...]:
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


def _refusal(record: HouseRecord, seen: Seen) -> Unknown | None:
    """Why nothing at all can be told, or None."""
    usable_days = float(np.count_nonzero(seen.known)) * seen.every * record.step_h / 24.0
    for values, why in (
        (record.indoor, Unknown("no indoor PM2.5", "add an indoor PM2.5 sensor")),
        (
            record.outdoor,
            Unknown("no usable outdoor PM2.5", "add outdoor PM2.5, measured at the house or nearby"),
        ),
        (
            record.fan,
            Unknown("nothing tells when the fan ran", "add the fan's state or runtime, or the calls that run it"),
        ),
    ):
        if not np.isfinite(values).any():
            return why
    outdoor = record.outdoor[np.isfinite(record.outdoor)]
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
    longest = max((last - first for first, last in spans(~changes(outdoor))), default=0)
    if longest > 0.5 * record.count:
        return Unknown("the outdoor reading stood still for most of the time", "check the outdoor sensor")
    return None


def _nothing(record: HouseRecord, seen: Seen, why: Unknown) -> Identification:
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
        usable_days=float(np.count_nonzero(seen.known)) * seen.every * record.step_h / 24.0,
    )


def _answers(
    record: HouseRecord,
    model: HouseModel,
    fitted: Fit,
    covariance: FloatArray,
    freedom: float,
    sensors: _GainFound,
    fan_airflow_m3h: Estimate | None,
    events: tuple[Event, ...],
    emission: FloatArray,
    modelled: FloatArray,
) -> Identification:
    theta, t = fitted.theta, t_90(freedom)
    gain, gain_sd, gain_from = _gain(model, fitted, covariance, sensors)
    used, every = fitted.steering.used, max(1, round(record.indoor_interval_h / record.step_h))
    fan = np.where(np.isfinite(record.fan), record.fan, 0.0)
    on_h = float(fan[used].sum()) * every * record.step_h
    off_h = float((1.0 - fan[used]).sum()) * every * record.step_h

    toward_entry, toward_loss = model.mean_over_period(ENTRY), model.mean_over_period(LOSS)
    beta = float(toward_entry @ theta)
    beta_sd = float(np.sqrt(toward_entry @ covariance @ toward_entry))
    entry = max(beta, 0.0) / gain
    entry_half = float(np.hypot(t * beta_sd / gain, Z_90 * entry * np.hypot(gain_sd / gain, _MODEL_ERROR.entry)))
    loss_value = float(toward_loss @ theta)
    loss_half = t * float(np.sqrt(toward_loss @ covariance @ toward_loss))
    loss_error = _MODEL_ERROR.loss if record.window is not None else _MODEL_ERROR.loss_windows_unknown
    loss = _interval(loss_value, float(np.hypot(loss_half, Z_90 * loss_error * loss_value)), 0.0)
    extra = _interval(theta[FAN_ENTRY] / gain, t * float(np.sqrt(covariance[FAN_ENTRY, FAN_ENTRY])) / gain, -np.inf)
    factor, factor_sd = _LEAK_DILUTION
    dilution = factor * max(theta[FAN_ENTRY] / gain, 0.0)
    direction = np.zeros(theta.size)
    direction[FAN_LOSS] = 1.0
    direction[FAN_ENTRY] = -factor / gain if theta[FAN_ENTRY] > 0.0 else -0.5 * factor / gain
    delivered_sd = np.hypot(np.sqrt(direction @ covariance @ direction), factor_sd / factor * dilution)
    cleaned = float(theta[FAN_LOSS]) - dilution
    cleaned_half = float(np.hypot(t * delivered_sd, Z_90 * _MODEL_ERROR.delivered * abs(cleaned)))
    delivered: Answer = _interval(cleaned, cleaned_half, -np.inf).scaled(record.volume_m3)

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
    elif float(np.mean(record.indoor[used & (fan > 0.5)] <= 0.0)) > _MOST_NOUGHTS:
        delivered = extra_answer = Unknown(
            "with the fan running the indoor sensor mostly reads nought, which hides how clean the air is",
            "wait for days of dirtier outdoor air, or use a sensor that reads tenths of a microgram",
        )
    efficiency = _efficiency(delivered, fan_airflow_m3h)
    return Identification(
        outdoor_entry_per_h=_interval(entry, entry_half, 0.0),
        loss_fan_off_per_h=loss_answer,
        clean_air_delivered_m3h=delivered,
        installed_efficiency=efficiency,
        sensor_gain_ratio=_interval(gain, t * gain_sd, 0.0) if gain_from else _unknown_gain(sensors),
        fan_extra_entry_per_h=extra_answer,
        events=events,
        start_h=record.start_h,
        step_h=record.step_h,
        modelled_indoor=modelled,
        emission_ug_h=emission,
        usable=used,
        usable_days=float(np.count_nonzero(used)) * every * record.step_h / 24.0,
        remarks=(f"sensor gain ratio: from {gain_from}",) if gain_from else (),
    )


def _unknown_gain(sensors: _GainFound) -> Unknown:
    reason = (
        "gain ratio and entry rate cannot be told apart behind shut windows; the entry rate's interval allows for it"
    )
    if sensors.calm_h > 0.0:
        reason += (
            f" (in {sensors.calm_h:.0f} calm hours the indoor sensor read {sensors.calm_ratio:.2f} of the outdoor one, "
            "which is gain ratio times infiltration factor)"
        )
    return Unknown(
        reason,
        "open windows wide for two hours with the window signal on, or hang both sensors side by side for a day and "
        "state when in the house file (sensors.beside_outdoors)",
    )


def _gain(model: HouseModel, fitted: Fit, covariance: FloatArray, sensors: _GainFound) -> tuple[float, float, str]:
    """Gain ratio, its standard deviation, and what tells it (a side-by-side spell, windows; "" for nothing)."""
    prior = sensors.prior
    prior_sd = prior.ratio * prior.relative_sd
    nothing_new = prior.ratio, prior_sd, "the spell with both sensors side by side" if prior.measured else ""
    if model.has_window:
        entry, loss = fitted.theta[WINDOW_ENTRY], fitted.theta[WINDOW_LOSS]
        if loss <= 0.2:
            return nothing_new
        ratio = float(entry / loss)
        slope = np.zeros(fitted.theta.size)
        slope[WINDOW_ENTRY], slope[WINDOW_LOSS] = 1.0 / loss, -entry / loss**2
        sd, by_model = float(np.sqrt(slope @ covariance @ slope)), _MODEL_ERROR.gain
        source = "hours with windows open"
    elif sensors.by_airing is not None:
        ratio, sd = sensors.by_airing.value, sensors.by_airing.half_width / Z_90
        by_model = _MODEL_ERROR.gain_by_airing
        source = f"{sensors.spells} spells in which the house stood open, though no signal tells of windows"
    else:
        return nothing_new
    sd = float(np.hypot(sd, by_model * ratio))
    if not 0.0 < sd < prior_sd:
        return nothing_new
    weight = prior_sd**2 / (prior_sd**2 + sd**2)
    return weight * ratio + (1.0 - weight) * prior.ratio, float(np.sqrt(weight)) * sd, source


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
