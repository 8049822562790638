"""The share of the air that slips past the filter, from two measurements of the air that does go through its media."""

import numpy as np

from ..bounds import FloatArray
from ..filters import USUAL_EXPONENT
from .answer import Z_90, Answer, Estimate, Unknown

EXPONENT = Estimate(USUAL_EXPONENT, 1.0, 1.5)
"""Of the drop against airflow: mean by Li et al. (2022); nine filters in ten within (common practice, no source)."""
_STATED_DROP = 0.1
"""Nine filters of a kind in ten are within this share of the drop on their box (common practice, no source)."""
_APART_99 = 2.576
_NEW_DAYS, _LEAST_RUN_H, _NEW_RUN_H = 14.0, 6.0, 24.0


def clean_drop(stated_pa: float, airflow_share: float) -> Estimate:
    """The drop (Pa) of a clean filter of which `stated_pa` is stated or worked out, with its 90 % interval.

    `airflow_share`: the airflow that it is for over the one at which the filter was rated; far from that one, the
    exponent of the drop adds its doubt. Raises ValueError where either is not above zero.

    >>> clean_drop(40.0, 1.0)
    Estimate(value=40.0, low=36.0, high=44.0)
    """
    if not (stated_pa > 0.0 and airflow_share > 0.0):
        raise ValueError(
            f"clean drop: {stated_pa:g} Pa at {airflow_share:g} of the rated airflow; give both above zero"
        )
    half = stated_pa * float(np.hypot(_STATED_DROP, EXPONENT.half_width * np.log(airflow_share)))
    return Estimate(stated_pa, stated_pa - half, stated_pa + half)


def drop_when_new(
    time_h: FloatArray, drop_pa: FloatArray, since_h: float, accuracy: tuple[float, float] = (0.0, 0.0)
) -> Answer:
    """The drop (Pa) of a filter in its first day of running, before dust can hide what slips past it.

    `time_h` (h, increasing) and `drop_pa` at the reference airflow, shape (N,), even steps, NaN where the fan is at
    rest or nothing is known. `since_h`: when the filter went in; more than a fortnight after that it is no longer new.
    `accuracy`: how far the drop may lie below and above what was read, Pa, with 90 % confidence, at all times alike.
    """
    if time_h.ndim != 1 or time_h.shape != drop_pa.shape:
        raise ValueError(f"drop when new: time has shape {time_h.shape}, drop {drop_pa.shape}; give both alike")
    of_new = np.isfinite(drop_pa) & (time_h >= since_h) & (time_h < since_h + 24.0 * _NEW_DAYS)
    step_h = float(np.median(np.diff(time_h))) if time_h.size > 1 else 0.0
    first = drop_pa[of_new][: round(_NEW_RUN_H / max(step_h, 1e-3))]
    if first.size * step_h < _LEAST_RUN_H:
        return Unknown(
            f"fewer than {_LEAST_RUN_H:.0f} h of the filter's drop were recorded in its first {_NEW_DAYS:.0f} days",
            "record the drop from the day a filter goes in",
        )
    new, (below, above) = float(np.median(first)), accuracy
    # Readings of one hour move together: each hour's count as one.
    half = Z_90 * 1.4826 * float(np.median(np.abs(first - new))) / np.sqrt(max(first.size * step_h, 1.0))
    return Estimate(new, new - float(np.hypot(half, below)), new + float(np.hypot(half, above)))


def bypass_share(delivered: Estimate, drop: Estimate, airflow: Estimate, exponent: Estimate = EXPONENT) -> Answer:
    """The share of the fan's air that bypasses the media, beyond what was surveyed, 0..1.

    Of an assembly that was to move the airflow Q0 and moves Q, of which the share b slips past, the media see
    (1 - b) Q. Clean air delivered goes with that, and the clean filter's drop with its power n, so that

        delivered  D / D0 = (1 - b) Q / Q0        drop  p / p0 = ((1 - b) Q / Q0)^n

    are two measurements of one airflow, the media's: they are averaged by inverse variance in logarithms. How wrong Q0
    itself may be is common to both, so that no number of them makes it less; it is added once, after the average.

    `delivered` and `drop`: shares of what is expected at Q0, each with all its doubt but that of Q0. The drop is that
    of a filter just put in: dust raises it and would hide a bypass. `airflow`: Q / Q0. `exponent`: n.

    Where the two are too far apart to be the same airflow (99 %), no bypass explains them, and the answer is `Unknown`.
    What coil and ducts catch is in `delivered` and slips past nothing: counted with the media, it hides a few
    hundredths of a bypass. Raises ValueError where the airflow or the exponent is not above zero.

    >>> share = bypass_share(Estimate(0.85, 0.80, 0.90), Estimate(0.80, 0.74, 0.86), Estimate(1.0, 0.95, 1.05))
    >>> print(f"{share.value:.2f}, {share.low:.2f} to {share.high:.2f}")
    0.16, 0.10 to 0.21
    """
    if not (airflow.value > 0.0 and exponent.value > 0.0):
        raise ValueError(
            f"bypass share: airflow {airflow.value:g} and exponent {exponent.value:g}; give both above zero"
        )
    if delivered.value <= 0.0 or drop.value <= 0.0:
        return Unknown("no clean air or no drop was measured", "look at the filter, the sensors and the hose")
    n = exponent.value
    by_delivery, delivery_sd = float(np.log(delivered.value)), _relative_sd(delivered)
    by_drop = float(np.log(drop.value)) / n
    drop_sd = float(np.hypot(_relative_sd(drop) / n, by_drop * _relative_sd(exponent)))
    apart_sd = max(float(np.hypot(delivery_sd, drop_sd)), 1e-9)
    if abs(by_delivery - by_drop) > _APART_99 * apart_sd:
        return Unknown(*_no_bypass(delivered, drop, delivery_is_low=by_delivery < by_drop))
    # Of two variances, the weight of either is the other's share of their sum.
    of_drop = (delivery_sd / apart_sd) ** 2
    media = by_delivery + of_drop * (by_drop - by_delivery)
    media_sd = delivery_sd * drop_sd / apart_sd
    half = Z_90 * float(np.hypot(media_sd, _relative_sd(airflow)))
    passed = media - float(np.log(airflow.value))
    value, low, high = (float(-np.expm1(passed + off)) for off in (0.0, half, -half))
    return Estimate(max(value, 0.0), max(low, 0.0), max(high, 0.0))


def _relative_sd(estimate: Estimate) -> float:
    return estimate.half_width / (Z_90 * estimate.value)


def _no_bypass(delivered: Estimate, drop: Estimate, *, delivery_is_low: bool) -> tuple[str, str]:
    told = f"{delivered.value:.0%} of the clean air but {drop.value:.0%} of the drop that were to be expected"
    if delivery_is_low:
        return (
            f"{told}: the air goes through the filter, so that no bypass explains it",
            "look at the filter's efficiency and charge, and at the PM2.5 sensors",
        )
    return (
        f"{told}: as much clean air cannot come through so little of the filter",
        "look at the pressure hose and at the rated drop in the house file",
    )
