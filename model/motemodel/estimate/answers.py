"""The answers that a fit gives, each with the interval that data, sensors and the model's own error leave it."""

from dataclasses import dataclass

import numpy as np

from ..bounds import FloatArray
from .airing import airings, calm_ratio, gain_of
from .answer import Z_90, Answer, Estimate, Unknown
from .fit import Fit, t_90
from .gain import GainPrior
from .house_model import ENTRY, FAN_ENTRY, FAN_LOSS, LOSS, WINDOW_ENTRY, WINDOW_LOSS, HouseModel, Seen
from .record import HouseRecord
from .recurrence import BoolArray

# Share of readings of nought with the fan on. In integrated houses a half still gave the truth, seven tenths twice it.
_MOST_NOUGHTS = 0.6
# Of particles through the cracks of ducts; and the air that ducts exchange over the entry that it shows, with a filter
# that keeps two fifths, the efficiency not being known.
_DUCT_PENETRATION = 0.9
_LEAK_DILUTION = (1.4, 0.4)


@dataclass(frozen=True)
class _ModelError:
    """What one well-mixed room and one kind of particle leave out: relative standard deviations, and biases.

    Windows that no signal tells of stand open now and then (`loss_windows_unknown`). Particles of several sizes do not
    decay as one: the coarse ones settle first, and what is left behind decays more slowly than the mean of the mass.
    And the hours of little air change have the cleaner air, which is read more precisely, so that they tell more than
    their share. Both make entry and loss low, by `entry_low` and `loss_low`, as shares of the truth: with particles all
    alike and an air change that stands still the bias is gone. Set so that nominal 90 % intervals cover about 90 % over
    simulated houses (tests/studies/coverage.py; set on the houses of seeds 71000 to 71059 and, for the delivery, 51000
    to 51099 and 94000 to 94319 with and without a bypass, checked on others). Spells found without a window signal give
    gains that are some percent too low (`gain_by_airing`, seeds 300 to 344).
    """

    entry: float = 0.13
    entry_low: float = 0.04
    loss: float = 0.12
    loss_windows_unknown: float = 0.16
    loss_low: float = 0.015
    delivered: float = 0.044
    gain: float = 0.06
    gain_by_airing: float = 0.1


_MODEL_ERROR = _ModelError()


@dataclass(frozen=True, kw_only=True)
class Answers:
    """What a record tells of a house. Every answer is an `Estimate` (90 %) or an `Unknown`.

    `outdoor_entry_per_h` (1/h), `loss_fan_off_per_h` (1/h), `clean_air_delivered_m3h` (m3/h), `installed_efficiency`
    (0..1), `sensor_gain_ratio` (indoor over outdoor), `fan_extra_entry_per_h` (1/h, entry that the running fan adds
    through leaky ducts).
    """

    outdoor_entry_per_h: Answer
    loss_fan_off_per_h: Answer
    clean_air_delivered_m3h: Answer
    installed_efficiency: Answer
    sensor_gain_ratio: Answer
    fan_extra_entry_per_h: Answer
    remarks: tuple[str, ...] = ()

    @classmethod
    def none(cls, why: Unknown) -> "Answers":
        """Nothing can be told, for one reason."""
        return cls(
            outdoor_entry_per_h=why,
            loss_fan_off_per_h=why,
            clean_air_delivered_m3h=why,
            installed_efficiency=why,
            sensor_gain_ratio=why,
            fan_extra_entry_per_h=why,
        )


@dataclass(frozen=True)
class GainFound:
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
    ) -> "GainFound":
        """Look for spells with the house open, where no window signal tells of them."""
        spells = airings(record, seen, model, fitted, burst, odd) if record.window is None else ()
        return cls(prior, gain_of(spells), len(spells), *calm_ratio(record, burst))


def answers(
    record: HouseRecord,
    model: HouseModel,
    fitted: Fit,
    covariance: FloatArray,
    freedom: float,
    sensors: GainFound,
    fan_airflow_m3h: Estimate | None,
) -> Answers:
    """What the fitted parameters say, with their covariance and its degrees of freedom, or why they say nothing."""
    theta, t = fitted.theta, t_90(freedom)
    gain, gain_sd, gain_from = _gain(model, fitted, covariance, sensors)
    used, every = fitted.steering.used, max(1, round(record.indoor_interval_h / record.step_h))
    fan = np.where(np.isfinite(record.fan), record.fan, 0.0)
    on_h = float(fan[used].sum()) * every * record.step_h
    off_h = float((1.0 - fan[used]).sum()) * every * record.step_h
    running = used & (fan > 0.5)

    toward_entry, toward_loss = model.mean_over_period(ENTRY), model.mean_over_period(LOSS)
    outdoor_scale = gain * (1.0 - _MODEL_ERROR.entry_low)
    beta_sd = float(np.sqrt(toward_entry @ covariance @ toward_entry))
    entry = max(float(toward_entry @ theta), 0.0) / outdoor_scale
    entry_half = float(
        np.hypot(t * beta_sd / outdoor_scale, Z_90 * entry * np.hypot(gain_sd / gain, _MODEL_ERROR.entry))
    )
    loss_value = float(toward_loss @ theta) / (1.0 - _MODEL_ERROR.loss_low)
    loss_half = t * float(np.sqrt(toward_loss @ covariance @ toward_loss)) / (1.0 - _MODEL_ERROR.loss_low)
    loss_error = _MODEL_ERROR.loss if record.window is not None else _MODEL_ERROR.loss_windows_unknown
    loss = _interval(loss_value, float(np.hypot(loss_half, Z_90 * loss_error * loss_value)), 0.0)
    extra = _interval(theta[FAN_ENTRY] / gain, t * float(np.sqrt(covariance[FAN_ENTRY, FAN_ENTRY])) / gain, -np.inf)
    factor, factor_sd = _leak_dilution(float(theta[FAN_LOSS]) * record.volume_m3, fan_airflow_m3h)
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
    elif np.count_nonzero(running & (record.indoor <= 0.0)) > _MOST_NOUGHTS * np.count_nonzero(running):
        delivered = extra_answer = Unknown(
            "with the fan running the indoor sensor mostly reads nought, which hides how clean the air is",
            "wait for days of dirtier outdoor air, or use a sensor that reads tenths of a microgram",
        )
    efficiency = _efficiency(delivered, fan_airflow_m3h)
    return Answers(
        outdoor_entry_per_h=_interval(entry, entry_half, 0.0),
        loss_fan_off_per_h=loss_answer,
        clean_air_delivered_m3h=delivered,
        installed_efficiency=efficiency,
        sensor_gain_ratio=_interval(gain, t * gain_sd, 0.0) if gain_from else _unknown_gain(sensors),
        fan_extra_entry_per_h=extra_answer,
        remarks=(f"sensor gain ratio: from {gain_from}",) if gain_from else (),
    )


def _leak_dilution(removed_m3h: float, airflow: Estimate | None) -> tuple[float, float]:
    """Air exchanged by leaky ducts over the entry that it shows, and its standard deviation.

    What leaks in on the return side passes the filter before it enters the rooms, what leaks in elsewhere does not.
    Which share that is, is not known: any from none to all, evenly. All of it comes through cracks, as through a shell.
    """
    if airflow is None or airflow.value <= 0.0:
        return _LEAK_DILUTION
    removed = float(np.clip(removed_m3h / airflow.value, 0.0, 0.9))
    unfiltered = 1.0 - 0.5 * removed
    factor = 1.0 / (_DUCT_PENETRATION * unfiltered)
    return factor, factor * float(np.hypot(0.1, removed / np.sqrt(12.0) / unfiltered))


def _unknown_gain(sensors: GainFound) -> Unknown:
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


def _gain(model: HouseModel, fitted: Fit, covariance: FloatArray, sensors: GainFound) -> tuple[float, float, str]:
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
