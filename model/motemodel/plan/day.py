"""What the air of a house comes to on a day of unchanging weather, outdoor air and fan."""

import numpy as np
from numpy.typing import ArrayLike

from ..balance import steady_state
from ..bounds import FloatArray, fraction, not_negative, within
from ..envelope import DuctLeakage, air_exchange
from ..particles import INDOOR_COOKING
from .household import Household, per_pm25

_LARGEST_AIRFLOW_M3H = 1e5


def steady_air(
    household: Household,
    outdoor_ug_m3: ArrayLike,
    infiltration_m3h: float,
    *,
    airflow_m3h: float = 0.0,
    fan_on_fraction: float = 0.0,
    efficiency: ArrayLike = 0.0,
) -> FloatArray:
    """Concentration indoors by the bins of the default grid, ug/m3, in the steady state of the balance of `Life`.

    `outdoor_ug_m3` (bins,); `infiltration_m3h` through the shell with fans at rest; `airflow_m3h` of the central fan
    while it runs, `fan_on_fraction` of the time; `efficiency` as installed, one number or (bins,). The first
    `PM25_BINS` bins are PM2.5. Raises ValueError for numbers outside their bounds.

    >>> from motemodel.envelope import Leakage
    >>> from motemodel.plan import PM25_BINS
    >>> house = Household(450.0, Leakage.from_air_changes(7.0, 450.0))
    >>> smoke = np.array([10.0, 60.0, 60.0, 20.0, 10.0])
    >>> unfiltered = steady_air(house, smoke, 120.0)[:PM25_BINS].sum()
    >>> filtered = steady_air(house, smoke, 120.0, airflow_m3h=2000.0, fan_on_fraction=1.0, efficiency=0.7)
    >>> bool(filtered[:PM25_BINS].sum() < unfiltered / 3)
    True
    """
    outdoor = not_negative("outdoor concentration", outdoor_ug_m3)
    airflow = float(within("airflow", airflow_m3h, 0.0, _LARGEST_AIRFLOW_M3H, "m3/h"))
    on = float(fraction("fan on fraction", fan_on_fraction))
    caught = fraction("efficiency", efficiency)
    exchange = air_exchange(
        infiltration_m3h,
        ventilation=household.ventilation,
        ducts=DuctLeakage(household.supply_leak * airflow, household.return_leak * airflow),
        fan_on_fraction=on,
    )
    # As in a life: return leaks are filtered before they reach the rooms, supply leaks are lost after the filter.
    lost = (1.0 - caught) * household.supply_leak
    entering_m3h = (
        np.asarray(household.penetration) * exchange.infiltration_m3h
        + (1.0 - household.intake_efficiency) * exchange.intake_m3h
        + (1.0 - caught - lost) * exchange.duct_return_m3h
    )
    source = household.source_ug_h * per_pm25(INDOOR_COOKING)
    removing_m3h = (
        exchange.out_m3h
        - exchange.duct_supply_m3h
        + np.asarray(household.deposition_per_h) * household.volume_m3
        + on * airflow * (1.0 - household.return_leak) * (caught + lost)
    )
    return steady_state((entering_m3h * outdoor + source) / household.volume_m3, removing_m3h / household.volume_m3)
