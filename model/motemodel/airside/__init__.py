"""The airside: blower, ducts and filters meet at one operating point.

Parts: `friction` and `resistance` (what holds the air back), `blower` (what moves it), `operating` (where the two
meet), `airflow` (measured on site), `limits` (what must not be asked of the system).
"""

from .airflow import STANDARD_DENSITY_KG_M3, airflow_from_drop, airflow_from_temperature_rise, density_ratio
from .blower import (
    NOMINAL_AIRFLOW_M3H_PER_TON,
    RATED_STATIC_PA,
    Blower,
    BlowerFamily,
    FamilyCurve,
    FanCurve,
    HeldAirflowCurve,
    MeasuredSplitCapacitorCurve,
    TableCurve,
    air_power_efficiency,
)
from .friction import equivalent_diameter_m, friction_factor, velocity_pressure_pa
from .limits import Breach, Limits, breaches
from .operating import AirHandler, NoOperatingPointError, OperatingPoint, fan_energy_kwh
from .resistance import (
    DuctCurve,
    Fitting,
    PartlyCoveredCoil,
    Resistance,
    RoundDuct,
    contraction_loss,
    expansion_loss,
    parallel,
    series,
    split,
)

__all__ = [
    "NOMINAL_AIRFLOW_M3H_PER_TON",
    "RATED_STATIC_PA",
    "STANDARD_DENSITY_KG_M3",
    "AirHandler",
    "Blower",
    "BlowerFamily",
    "Breach",
    "DuctCurve",
    "FamilyCurve",
    "FanCurve",
    "Fitting",
    "HeldAirflowCurve",
    "Limits",
    "MeasuredSplitCapacitorCurve",
    "NoOperatingPointError",
    "OperatingPoint",
    "PartlyCoveredCoil",
    "Resistance",
    "RoundDuct",
    "TableCurve",
    "air_power_efficiency",
    "airflow_from_drop",
    "airflow_from_temperature_rise",
    "breaches",
    "contraction_loss",
    "density_ratio",
    "equivalent_diameter_m",
    "expansion_loss",
    "fan_energy_kwh",
    "friction_factor",
    "parallel",
    "series",
    "split",
    "velocity_pressure_pa",
]
