"""The decay test: particles are left to die away with the fan resting and with it running; the difference is delivery.

Outdoor air keeps entering meanwhile, so the level dies away towards what entry upholds, not towards nought:
dC/dt = p C_out - loss C. The start and the end of each usable decay are found in the record.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import scipy

from ..bounds import FloatArray
from .answer import Z_90, Answer, Estimate, Unknown
from .fit import t_90
from .record import HouseRecord
from .recurrence import linear_recurrence, step_response

# Entry rates of houses, when nothing is known of this one: the bulk of the houses in Chen & Zhao (2011), Atmospheric
# Environment 45: 275-288, from memory.
USUAL_ENTRY = Estimate(0.35, 0.1, 0.7)
# Relative standard deviation of the loss in the hour of one decay about that of the hours near it, by wind and weather:
# over two hours losses change by 10 % (standard deviation) in simulated houses under measured weather
# (tests/studies/simulated_houses.py), which is 7 % for each of the two.
_OF_ITS_HOUR = 0.07
_MIXING_H = 5.0 / 60.0
_LEAST_LENGTH_H = 0.25
_LEAST_RISE = 8.0


@dataclass(frozen=True)
class Decay:
    """One usable decay: its span (h, the record's origin), whether the fan ran, and the loss rate it shows, 1/h.

    `by_entry_per_h`: how much of the interval's half width is doubt in the entry rate, which all decays share; the sign
    is that of the change with a higher entry rate.
    """

    start_h: float
    end_h: float
    fan_on: bool
    loss_per_h: Estimate
    readings: int
    by_entry_per_h: float = 0.0

    @property
    def own_loss_per_h(self) -> Estimate:
        """The loss rate with the interval that noise alone leaves it."""
        loss = self.loss_per_h
        half = float(np.sqrt(max(loss.half_width**2 - self.by_entry_per_h**2, 0.0)))
        return Estimate(loss.value, loss.value - half, loss.value + half)


@dataclass(frozen=True)
class DecayTest:
    """All usable decays and what they say together: loss with the fan resting and running, and the delivery, m3/h."""

    decays: tuple[Decay, ...]
    loss_fan_off_per_h: Answer
    loss_fan_on_per_h: Answer
    clean_air_delivered_m3h: Answer

    @property
    def enough(self) -> bool:
        """Whether delivery is known to within a fifth: the test may end."""
        answer = self.clean_air_delivered_m3h
        return isinstance(answer, Estimate) and answer.value > 0.0 and answer.half_width <= 0.2 * answer.value


def decay_test(record: HouseRecord, *, entry_per_h: Estimate | None = None) -> DecayTest:
    """Find and evaluate every decay in a record, and combine them.

    `entry_per_h`: the entry rate in the sensors' own scale, if known; houses' usual range otherwise. The delivery is
    the difference of the two losses times the volume; air that leaky ducts exchange while the fan runs is in it.
    """
    entry = entry_per_h or USUAL_ENTRY
    record = record.by_reading()
    spans = _usable_spans(record, entry)
    decays = tuple(decay for span in spans if (decay := fit_decay(record, *span, entry_per_h=entry)) is not None)
    off, off_by_entry = _together([decay for decay in decays if not decay.fan_on])
    on, on_by_entry = _together([decay for decay in decays if decay.fan_on])
    delivered: Answer
    if isinstance(off, Estimate) and isinstance(on, Estimate):
        # A wrong entry rate moves both losses alike: only the difference stays in the delivery. The air change of one
        # hour is not that of another: what leaves by it is in both losses, and need not be the same.
        value = on.value - off.value
        running = sum(decay.fan_on for decay in decays)
        weather = [by_weather_per_h(off.value, count) for count in (running, len(decays) - running)]
        half = float(np.linalg.norm([on.half_width, off.half_width, on_by_entry - off_by_entry, *weather]))
        delivered = Estimate(value, value - half, value + half).scaled(record.volume_m3)
    else:
        state = "resting" if isinstance(off, Unknown) else "running"
        delivered = Unknown(
            f"no decay with the fan {state}", f"let the air clear for an hour with the fan {state} after cooking"
        )
    return DecayTest(decays, _widened(off, off_by_entry), _widened(on, on_by_entry), delivered)


def by_weather_per_h(loss_fan_off_per_h: float, decays: int) -> float:
    """Half width (90 %) that the weather's changes of the air change leave in the mean loss of so many decays, 1/h."""
    return float(Z_90 * _OF_ITS_HOUR * loss_fan_off_per_h / np.sqrt(max(decays, 1)))


def _together(decays: Sequence[Decay]) -> tuple[Answer, float]:
    """The decays' loss with the interval that noise leaves it, and what doubt in the entry rate adds to all of them."""
    own = [decay.own_loss_per_h for decay in decays]
    found = combined(own)
    if isinstance(found, Unknown):
        return found, 0.0
    weight = [max(loss.half_width, 1e-6) ** -2.0 for loss in own]
    return found, float(np.average([decay.by_entry_per_h for decay in decays], weights=weight))


def _widened(answer: Answer, by_entry: float) -> Answer:
    if isinstance(answer, Unknown):
        return answer
    half = float(np.hypot(answer.half_width, by_entry))
    return Estimate(answer.value, answer.value - half, answer.value + half)


def fit_decay(record: HouseRecord, first: int, last: int, *, entry_per_h: Estimate = USUAL_ENTRY) -> Decay | None:
    """The loss rate of steps `first` to `last` (exclusive), or None where the steps do not determine it.

    Least squares on the exact solution with noise that grows with the level; the interval allows for the residuals'
    autocorrelation (effective number of readings n (1 - r)/(1 + r), Bartlett 1935) and for the entry rate's interval.
    """
    reading = record.indoor[first:last]
    outdoor = np.where(np.isfinite(record.outdoor[first:last]), record.outdoor[first:last], 0.0)
    known = np.isfinite(reading)
    if np.count_nonzero(known) < 6:
        return None
    central = _loss(reading, outdoor, known, record.step_h, entry_per_h.value)
    if central is None:
        return None
    loss, sd, freedom = central
    ends = [_loss(reading, outdoor, known, record.step_h, entry) for entry in (entry_per_h.low, entry_per_h.high)]
    moved = [sign * (end[0] - loss) for sign, end in zip((-1.0, 1.0), ends, strict=True) if end is not None]
    by_entry = max(moved, key=abs, default=0.0)
    half = float(np.hypot(t_90(freedom) * sd, by_entry))
    fan = float(np.nanmean(record.fan[first:last]))
    start = record.start_h + first * record.step_h
    return Decay(
        start_h=start,
        end_h=start + (last - first) * record.step_h,
        fan_on=fan > 0.5,
        loss_per_h=Estimate(loss, loss - half, loss + half),
        readings=int(np.count_nonzero(known)),
        by_entry_per_h=by_entry,
    )


def combined(losses: Sequence[Estimate]) -> Answer:
    """Several decays as one: weighted mean with the scatter between decays counted (DerSimonian & Laird 1986).

    DerSimonian & Laird, Controlled Clinical Trials 7: 177-188. Decays that agree within their intervals are together
    surer than any of them; where they do not, the interval is by Student's t with the degrees of freedom of the
    scatter's share of the variance (Welch-Satterthwaite; JCGM 100:2008, equation G.2b).
    """
    if not losses:
        return Unknown("no usable decay", "let the air clear for an hour after cooking, without airing")
    if len(losses) == 1:
        return losses[0]
    value = np.array([loss.value for loss in losses])
    variance = np.array([max(loss.half_width / Z_90, 1e-6) for loss in losses]) ** 2
    weight = 1.0 / variance
    mean = float(np.average(value, weights=weight))
    scatter = float(np.sum(weight * (value - mean) ** 2)) - (value.size - 1)
    between = max(scatter / float(weight.sum() - (weight**2).sum() / weight.sum()), 0.0)
    weight = 1.0 / (variance + between)
    mean = float(np.average(value, weights=weight))
    share = between * float((weight**2).sum() / weight.sum())
    freedom = (value.size - 1) / share**2 if share > 1e-4 else np.inf
    half = (t_90(freedom) if np.isfinite(freedom) else Z_90) / float(np.sqrt(weight.sum()))
    return Estimate(mean, mean - half, mean + half)


def _loss(
    reading: FloatArray,
    outdoor: FloatArray,
    known: np.ndarray[tuple[int], np.dtype[np.bool_]],
    step_h: float,
    entry: float,
) -> tuple[float, float, float] | None:
    """Loss, its standard deviation and degrees of freedom for one entry rate."""
    level = np.where(known, reading, 0.0)
    first = float(level[known][0])
    differences = np.diff(level[known])
    noise = max(1.4826 * float(np.median(np.abs(differences - np.median(differences)))) / np.sqrt(2.0), 0.03)
    scale = np.hypot(noise, 0.03 * np.maximum(level, 0.0))
    inflow = 0.5 * (outdoor[1:] + outdoor[:-1]) * entry

    def solution(parameters: FloatArray) -> FloatArray:
        phi, g, _ = step_response(np.full(level.size - 1, parameters[1]), step_h)
        drive = np.empty((level.size, 1))
        drive[0, 0] = parameters[0]
        drive[1:, 0] = g * inflow
        return linear_recurrence(phi, drive)[:, 0]

    def residual(parameters: FloatArray) -> FloatArray:
        return np.asarray(((solution(parameters) - level) / scale)[known])

    fitted = scipy.optimize.least_squares(
        residual, [first, 1.0], bounds=([0.0, 0.0], [np.inf, 100.0]), loss="soft_l1", x_scale=[first + 1.0, 1.0]
    )
    left = fitted.fun
    count = left.size
    lag = float(np.corrcoef(left[:-1], left[1:])[0, 1]) if np.ptp(left) > 0.0 else 0.0
    lag = float(np.clip(lag if np.isfinite(lag) else 0.0, 0.0, 0.97))
    effective = max(count * (1.0 - lag) / (1.0 + lag), 3.0)
    jacobian = np.asarray(fitted.jac)
    curvature = jacobian.T @ jacobian
    if not np.isfinite(curvature).all() or np.linalg.cond(curvature) > 1e14:
        return None
    spread = float(np.sum(left**2)) / max(count - 2, 1) * count / effective
    variance = spread * float(np.linalg.inv(curvature)[1, 1])
    return float(fitted.x[1]), float(np.sqrt(variance)), effective - 2.0


def _usable_spans(record: HouseRecord, entry: Estimate) -> list[tuple[int, int]]:
    """Stretches that start after a peak has mixed and end when the fan switches, the air rises or noise takes over."""
    step = record.step_h
    width = max(1, round(0.08 / step))
    level = _smoothed(record.indoor, width)
    if not np.isfinite(level).any():
        return []
    differences = np.diff(record.indoor)
    noise = 1.4826 * float(np.nanmedian(np.abs(differences))) / np.sqrt(2.0) if np.isfinite(differences).any() else 1.0
    steady = np.where(record.fan < 0.02, 0, np.where(record.fan > 0.98, 1, -1))
    steady = np.where(np.isfinite(record.indoor) & np.isfinite(record.outdoor), steady, -1)
    edges = np.flatnonzero(np.diff(np.concatenate(([-2], steady, [-2]))))
    mixing, least = round(_MIXING_H / step), max(6, round(_LEAST_LENGTH_H / step))
    spans = []
    for begin, end in pairwise(edges.tolist()):
        if steady[begin] < 0:
            continue
        at = int(begin)
        while at + least < end:
            stretch = level[at:end]
            if not np.isfinite(stretch).any():
                break
            top = at + _first_top(stretch, 3.0 * noise)
            floor = entry.value / 0.8 * float(np.nanmean(record.outdoor[top:end])) if top < end else 0.0
            rise = float(level[top]) - floor
            last = _last_usable(level, top, int(end), floor + max(3.0 * noise, 0.15 * rise), 3.0 * noise)
            first = top + mixing
            if rise > max(_LEAST_RISE, 6.0 * noise) and last - first >= least and level[last - 1] < 0.8 * level[first]:
                spans.append((first, last))
                # What is left of this decay is no second one: the next begins after the air has risen again.
                risen = np.flatnonzero(level[last:end] > level[last - 1] + max(_LEAST_RISE, 6.0 * noise))
                last = last + int(risen[0]) if risen.size else int(end)
            at = max(last, top + 1)
    return spans


def _first_top(stretch: FloatArray, margin: float) -> int:
    """Index of the first maximum after which the level falls by more than `margin`."""
    filled = np.where(np.isfinite(stretch), stretch, -np.inf)
    highest = np.maximum.accumulate(filled)
    fallen = np.flatnonzero((highest - filled > margin) & np.isfinite(filled) & (filled > -np.inf))
    until = int(fallen[0]) if fallen.size else filled.size
    return int(np.argmax(filled[: max(until, 1)]))


def _last_usable(level: FloatArray, top: int, end: int, floor: float, margin: float) -> int:
    """One past the last step before the level meets `floor` or rises by more than `margin` above its lowest."""
    stretch = np.where(np.isfinite(level[top:end]), level[top:end], np.inf)
    lowest = np.minimum.accumulate(stretch)
    stop = np.flatnonzero((stretch < floor) | ((stretch - lowest > margin) & np.isfinite(stretch)))
    return top + (int(stop[0]) if stop.size else stretch.size)


def _smoothed(values: FloatArray, width: int) -> FloatArray:
    known = np.isfinite(values).astype(np.float64)
    box = np.ones(width)
    total = np.convolve(np.where(np.isfinite(values), values, 0.0), box, mode="same")
    count = np.convolve(known, box, mode="same")
    return np.where(count > 0.5, total / np.maximum(count, 1.0), np.nan)
