"""Estimates of the model as figures of the document."""

import math

from motemodel.estimate import Answer, Estimate, Unknown

from .assessment import Figure, Known, NotKnown


def figure(answer: Answer, unit: str) -> Figure:
    """An answer of the model with its unit, or its reason in words."""
    if isinstance(answer, Unknown):
        return NotKnown(reason=str(answer))
    return Known(value=answer.value, low=answer.low, high=answer.high, unit=unit)


def product(*estimates: Estimate) -> Estimate:
    """The product of independent positive estimates; relative spreads add in quadrature (JCGM 100:2008, 5.1.6)."""
    value = math.prod(estimate.value for estimate in estimates)
    down = math.hypot(*(1.0 - estimate.low / estimate.value for estimate in estimates))
    up = math.hypot(*(estimate.high / estimate.value - 1.0 for estimate in estimates))
    return Estimate(value, value * max(1.0 - down, 0.0), value * (1.0 + up))


def total(*estimates: Estimate) -> Estimate:
    """The sum of independent estimates; spreads add in quadrature (JCGM 100:2008, 5.1.2)."""
    value = sum(estimate.value for estimate in estimates)
    down = math.hypot(*(estimate.value - estimate.low for estimate in estimates))
    up = math.hypot(*(estimate.high - estimate.value for estimate in estimates))
    return Estimate(value, value - down, value + up)


def spread(value: float, ratio: float) -> Estimate:
    """A positive value whose 90 % interval reaches from value / ratio to value * ratio."""
    return Estimate(value, value / ratio, value * ratio)
