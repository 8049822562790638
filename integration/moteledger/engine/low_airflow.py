"""Whether the air handler moves too little air: by the filter's limits or for each ton of cooling."""

import numpy as np

from motemodel.airside import Limits
from motemodel.estimate import Estimate
from motemodel.units import W_PER_TON

from ..settings import House
from .assessment import FilterAdvice
from .filter_load import FilterLoad
from .grid import GriddedHouse
from .survey import Survey

_NEAR_LIMIT = 0.8
_RUNS_THROUGHOUT = 0.99
_LATELY_H = 24.0


def low_airflow(house: House, gridded: GriddedHouse, filter_: FilterAdvice, load: FilterLoad, expected: Survey) -> bool:
    """Whether the filter's drop is above 80 % of its limit, or the airflow low, or below 350 cfm per ton of cooling.

    Low is an airflow that may already be the least that coil and furnace bear, by the filter's limits.
    The least airflow per ton is that of California's Title 24, 150.0(m)13; 400 within 350 to 450 is common practice.
    It is judged where the house file gives the cooling capacity.
    """
    limit, drop = filter_.drop_limit_pa, filter_.drop_at_reference_pa
    if limit is not None and drop.value is not None and drop.value > _NEAR_LIMIT * limit:
        return True
    today = gridded.moment(gridded.grid.end_h).astimezone(house.zone).date()
    if any(
        each.reason == "airflow" and each.earliest is not None and each.earliest <= today for each in filter_.limits
    ):
        return True
    capacity_w, airflow = house.air_handler.cooling_capacity, _airflow_m3h(gridded, load, expected)
    if not capacity_w or airflow is None:
        return False
    return airflow / (capacity_w / W_PER_TON) < Limits().least_airflow_m3h_per_ton


def _airflow_m3h(gridded: GriddedHouse, load: FilterLoad, expected: Survey) -> float | None:
    """The airflow as read lately, else at the filter's present drop, else as surveyed; None where nobody knows."""
    read = airflow_read_lately(gridded)
    if read is not None:
        return read
    if load.airflow_m3h is not None:
        return load.airflow_m3h
    return expected.airflow_m3h.value if isinstance(expected.airflow_m3h, Estimate) else None


def airflow_read_lately(gridded: GriddedHouse) -> float | None:
    """Median of the airflow's readings of the last day while cooling ran, or where that is not known the fan."""
    airflow, cooling = gridded.values("duct.airflow"), gridded.values("cooling.running")
    if airflow is None:
        return None
    running = np.nan_to_num(gridded.fan if cooling is None else cooling) >= _RUNS_THROUGHOUT
    lately = np.arange(airflow.size) >= airflow.size - round(_LATELY_H / gridded.grid.step_h)
    known = airflow[running & lately & np.isfinite(airflow)]
    return float(np.median(known)) if known.size else None
