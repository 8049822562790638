"""The envelope: how leaky the shell is and how much outdoor air a house takes, by which way.

Parts: `leakage` (blower-door results to one power law), `infiltration` (stack and wind, basic and enhanced models),
`openings` (windows), `exchange` (everything together, with ventilation and leaky ducts), `weather` and
`shapes` (checked input).
"""

from .exchange import AirExchange, DuctLeakage, Ventilation, air_exchange, combined_airflow
from .infiltration import Exposure, basic_infiltration, enhanced_infiltration
from .leakage import Leakage, Tightness, exposed_area_m2
from .openings import cross_airflow, single_sided_airflow

__all__ = [
    "AirExchange",
    "DuctLeakage",
    "Exposure",
    "Leakage",
    "Tightness",
    "Ventilation",
    "air_exchange",
    "basic_infiltration",
    "combined_airflow",
    "cross_airflow",
    "enhanced_infiltration",
    "exposed_area_m2",
    "single_sided_airflow",
]
