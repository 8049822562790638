"""Identification of a house from ordinary life: entry, loss, what the running fan takes out, and the indoor events.

`house_model` says what is fitted, `fit` how, `recurrence` solves it; `answers` says what that tells, `account` what was
made indoors.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from ..bounds import FloatArray
from ..measure import spans
from .account import account, events_of, sudden
from .answer import Estimate, Unknown
from .answers import Answers, GainFound, answers
from .events import Event, rises
from .fit import fit, robust_covariance
from .gain import GainPrior
from .house_model import Seen, house_model
from .outdoors import changes
from .record import HouseRecord
from .recurrence import BoolArray, Noise

_LEAST_DAYS = 2.5
_LONGEST_DAYS = 45.0
# Relative spread of the slow changes of the air change that no weather signal explains.
_SLOW = 0.3


@dataclass(frozen=True, kw_only=True)
class Identification(Answers):
    """The answers, and what they rest on: `events` in order of time, and the course of the account behind them.

    On steps of `step_h` from `start_h`, not always the record's own (see `identify`): `modelled_indoor` (ug/m3, NaN
    where the inputs are unknown), `emission_ug_h` (ug/h, nought outside events), `usable` (steps that the estimates
    rest on). `usable_days`: how much that is.
    """

    events: tuple[Event, ...]
    start_h: float
    step_h: float
    modelled_indoor: FloatArray = field(repr=False)
    emission_ug_h: FloatArray = field(repr=False)
    usable: BoolArray = field(repr=False)
    usable_days: float


def identify(
    record: HouseRecord, *, fan_airflow_m3h: Estimate | None = None, gain_prior: GainPrior | None = None
) -> Identification:
    """Identify a house from a record of days to weeks.

    `fan_airflow_m3h`: the airflow of the running fan with its interval, for the as-installed efficiency.
    `gain_prior`: what is known of the sensors beforehand. Steps finer than a minute (two minutes in a record of weeks)
    are averaged first, and of a long record the last 45 days are taken: over months a house and its filter change. The
    fan's times are taken for the air's; where nobody has seen to that yet, give `record.with_fan_in_time()`.
    """
    whole_h = record.count * record.step_h
    record = record.last_days(_LONGEST_DAYS).coarsened()
    gain_prior = gain_prior or GainPrior()
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
        burst, odd = sudden(model, seen, fitted)
    sensors = GainFound.of(record, seen, model, fitted, burst, odd, gain_prior)
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
    emission, modelled = account(record, seen, model, fitted, burst)
    told = answers(record, model, fitted, covariance, freedom, sensors, fan_airflow_m3h)
    return _identification(
        record,
        seen,
        told,
        events=events_of(record, seen, fitted, burst, emission),
        modelled=modelled,
        emission=emission,
        usable=fitted.steering.used,
        remarks=_remarks(record, whole_h, odd),
    )


def _remarks(record: HouseRecord, whole_h: float, odd: BoolArray) -> tuple[str, ...]:
    odd_h = float(np.count_nonzero(odd)) * record.step_h
    said = (
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


def _blocks(record: HouseRecord, length_h: float) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    """The number of the stretch of `length_h` that each step lies in."""
    return np.asarray((np.arange(record.count) * record.step_h / length_h).astype(np.intp))


def _refusal(record: HouseRecord, seen: Seen) -> Unknown | None:
    """Why nothing at all can be told, or None."""
    usable_days = _days(record, seen, seen.known)
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
    longest = max((last - first for first, last in spans(~changes(outdoor)).tolist()), default=0)
    if longest > 0.5 * record.count:
        return Unknown("the outdoor reading stood still for most of the time", "check the outdoor sensor")
    return None


def _nothing(record: HouseRecord, seen: Seen, why: Unknown) -> Identification:
    unknown, nothing = np.full(record.count, np.nan), np.zeros(record.count)
    return replace(
        _identification(record, seen, Answers.none(why), modelled=unknown, emission=nothing, usable=nothing > 0.0),
        usable_days=_days(record, seen, seen.known),
    )


def _identification(
    record: HouseRecord,
    seen: Seen,
    told: Answers,
    *,
    events: tuple[Event, ...] = (),
    modelled: FloatArray,
    emission: FloatArray,
    usable: BoolArray,
    remarks: tuple[str, ...] = (),
) -> Identification:
    return Identification(
        **vars(told) | {"remarks": (*remarks, *told.remarks)},
        events=events,
        start_h=record.start_h,
        step_h=record.step_h,
        modelled_indoor=modelled,
        emission_ug_h=emission,
        usable=usable,
        usable_days=_days(record, seen, usable),
    )


def _days(record: HouseRecord, seen: Seen, steps: BoolArray) -> float:
    """How long the readings at those steps last, in days."""
    return float(np.count_nonzero(steps)) * seen.every * record.step_h / 24.0
