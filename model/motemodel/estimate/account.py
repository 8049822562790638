"""What was made indoors: bursts, left out of the fit, what they emitted, and the level that the whole model gives."""

from dataclasses import replace
from itertools import pairwise

import numpy as np

from ..bounds import FloatArray
from ..measure import spans
from .answer import Z_90, Estimate
from .events import Event, bursts
from .fit import Fit, fit
from .house_model import HouseModel, Seen
from .record import HouseRecord
from .recurrence import BoolArray, linear_recurrence, step_response

# Falls are left out only when they are beyond doubt: a wrong loss would make every decay look like one.
_FALL_THRESHOLD = 5.5


def sudden(model: HouseModel, seen: Seen, fitted: Fit) -> tuple[BoolArray, BoolArray]:
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


def account(
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


def events_of(
    record: HouseRecord, seen: Seen, fitted: Fit, burst: BoolArray, emission: FloatArray
) -> tuple[Event, ...]:
    """Each burst with the mass that it emitted, bursts up to a quarter of an hour apart as one."""
    joined = burst.copy()
    for (_, end), (begin, _) in pairwise(spans(burst).tolist()):
        if (begin - end) * record.step_h <= 0.25:
            joined[end:begin] = True
    events = []
    after = max(1, round(0.5 / record.step_h))
    for first, last in spans(joined).tolist():
        mass_ug = float(emission[first:last].sum()) * record.step_h
        spread_ug = Z_90 * 1.5 * float(fitted.scale[first:last].mean()) * record.volume_m3
        spread_ug = float(np.hypot(spread_ug, 0.25 * mass_ug))
        if mass_ug <= 0.0:
            continue
        peak = float(np.max(np.where(seen.known, seen.reading, 0.0)[first : last + after]))
        emitted = Estimate(mass_ug / 1e3, max(mass_ug - spread_ug, 0.0) / 1e3, (mass_ug + spread_ug) / 1e3)
        events.append(
            Event(record.start_h + first * record.step_h, record.start_h + last * record.step_h, emitted, peak)
        )
    return tuple(events)
