"""The spell in which the indoor sensor hung beside the outdoor one: what it tells, and that it tells nothing else."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from motemodel.estimate import Answer, Estimate, GainPrior, HouseRecord, gain_side_by_side

from ..settings import House
from ..store import to_us
from .grid import GriddedHouse


def beside(house: House, grid: GriddedHouse) -> NDArray[np.bool_] | None:
    """The steps that lie in the declared spell, shape (steps,); None where the house file declares none."""
    spell = house.sensor("indoor.pm25").beside_outdoors
    if spell is None:
        return None
    begin, end = (grid.hours(to_us(moment if moment.tzinfo else moment.replace(tzinfo=house.zone))) for moment in spell)
    edges = grid.grid.edges_h
    return np.asarray((edges[:-1] >= begin - 1e-9) & (edges[1:] <= end + 1e-9))


def gain_told(house: House, grid: GriddedHouse) -> Answer | None:
    """The gain ratio that the declared spell tells, or why it does not; None where the house file declares none."""
    steps = beside(house, grid)
    if steps is None:
        return None
    indoor, outdoor = (np.where(steps, grid.values_or_nan(f"{place}.pm25"), np.nan) for place in ("indoor", "outdoor"))
    return gain_side_by_side(indoor, outdoor, grid.grid.step_h)


def gain_prior(told: Answer | None) -> GainPrior | None:
    """What the identification may take for granted of the two sensors; None where that is nothing."""
    return GainPrior.of(told) if isinstance(told, Estimate) and told.value > 0.0 else None


def without_spell(record: HouseRecord, steps: NDArray[np.bool_] | None) -> HouseRecord:
    """The record without the readings of a sensor that did not hang in its room."""
    return record if steps is None else replace(record, indoor=np.where(steps, np.nan, record.indoor))
