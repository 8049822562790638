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
    """The product of independent estimates; what each one's bounds change adds in quadrature (JCGM 100:2008, 5.1.2).

    A product of numbers that cannot be negative is not negative either.
    """
    values = [estimate.value for estimate in estimates]
    value = math.prod(values)
    falls, rises = [], []
    for place, estimate in enumerate(estimates):
        others = math.prod(values[:place] + values[place + 1 :])
        changes = (others * (estimate.low - estimate.value), others * (estimate.high - estimate.value))
        falls.append(min(changes))
        rises.append(max(changes))
    low = value - math.hypot(*falls)
    if all(estimate.low >= 0.0 for estimate in estimates):
        low = max(low, 0.0)
    return Estimate(value, low, value + math.hypot(*rises))


def total(*estimates: Estimate) -> Estimate:
    """The sum of independent estimates; spreads add in quadrature (JCGM 100:2008, 5.1.2)."""
    value = sum(estimate.value for estimate in estimates)
    down = math.hypot(*(estimate.value - estimate.low for estimate in estimates))
    up = math.hypot(*(estimate.high - estimate.value for estimate in estimates))
    return Estimate(value, value - down, value + up)


def spread(value: float, ratio: float) -> Estimate:
    """A positive value whose 90 % interval reaches from value / ratio to value * ratio."""
    return Estimate(value, value / ratio, value * ratio)
