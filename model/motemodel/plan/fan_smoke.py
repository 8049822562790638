"""When filtering through the central fan cannot hold the target: what more clean air could, and what an intake adds."""

from dataclasses import replace

import numpy as np

from ..bounds import FloatArray, fraction, not_negative, positive
from .fan import FanPlan, HouseRates, Outlook, planned

_BRACKETS = 60
_MOST_PER_H = 1e4


def room_cleaner_m3h(
    running: FloatArray, outlook: Outlook, rates: HouseRates, target_ug_m3: float, volume_m3: float
) -> float:
    """Clean air, m3/h, that a cleaner running throughout has to add for the mean over the outlook to be the target.

    `running` (T,) is what the central fan does meanwhile, calls included. Found by bracketing the exact balance, so
    the air that is indoors already counts too. Nought where the target is held without, infinite where 10,000 air
    changes an hour would not do. The rated delivery of a room cleaner is such a clean airflow (ANSI/AHAM AC-1), of its
    own room: rooms with shut doors need one each. For the air change, the settling and the reduction that AC-1 counts
    it is that standard's two thirds of a cfm for each square foot of floor (from memory).
    """
    positive("target_ug_m3", target_ug_m3)
    positive("volume_m3", volume_m3)

    def mean(extra_per_h: float) -> float:
        cleaned = replace(rates, loss_fan_off_per_h=rates.loss_fan_off_per_h + extra_per_h)
        return planned("", running, outlook, cleaned).mean_ug_m3

    if mean(0.0) <= target_ug_m3:
        return 0.0
    if mean(_MOST_PER_H) > target_ug_m3:
        return np.inf
    low, high = 0.0, _MOST_PER_H
    for _ in range(_BRACKETS):
        middle = (low + high) / 2.0
        low, high = (middle, high) if mean(middle) > target_ug_m3 else (low, middle)
    return high * volume_m3


def without_intake(rates: HouseRates, intake_m3h: float, intake_efficiency: float, volume_m3: float) -> HouseRates:
    """The house with its outdoor-air intake shut, from the house with it open.

    Shut, it brings in (1 - efficiency) of the particles of its airflow less, and that airflow dilutes no longer.
    Raises ValueError when the intake is more than the whole entry or loss of the house.
    """
    per_h = float(not_negative("intake_m3h", intake_m3h) / positive("volume_m3", volume_m3))
    brought = per_h * (1.0 - float(fraction("intake_efficiency", intake_efficiency)))
    if brought > rates.entry_per_h * (1.0 + 1e-9) or per_h > rates.loss_fan_off_per_h * (1.0 + 1e-9):
        raise ValueError(
            f"intake_m3h: {intake_m3h:g} is more air than enters or leaves the house in all "
            f"({rates.entry_per_h:g} and {rates.loss_fan_off_per_h:g} 1/h); give rates with the intake open"
        )
    return replace(
        rates,
        entry_per_h=max(rates.entry_per_h - brought, 0.0),
        loss_fan_off_per_h=max(rates.loss_fan_off_per_h - per_h, 0.0),
    )


def intake_shut_gain(
    plan: FanPlan, outlook: Outlook, rates: HouseRates, intake_m3h: float, intake_efficiency: float, volume_m3: float
) -> float:
    """How much lower the mean indoors is with the intake shut, ug/m3; below nought where it dilutes indoor sources."""
    shut = without_intake(rates, intake_m3h, intake_efficiency, volume_m3)
    return plan.mean_ug_m3 - planned(plan.name, plan.running, outlook, shut).mean_ug_m3
