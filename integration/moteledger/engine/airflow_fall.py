"""How much less air a loaded filter lets through where nobody measures it, and what its drop would be else."""

import numpy as np

from motemodel.airside import AirHandler, DuctCurve, NoOperatingPointError, series
from motemodel.bounds import FloatArray
from motemodel.filters import USUAL_EXPONENT, Filter
from motemodel.filters import drop_pa as clean_drop_pa

from ..settings import BlowerType, House
from .survey import assembly
from .system import ComparisonError, surveyed_system

_USUAL_STATIC_PA = 150.0
_USUAL_FALL = {
    BlowerType.PERMANENT_SPLIT_CAPACITOR: 0.17,
    BlowerType.CONSTANT_TORQUE: 0.14,
    BlowerType.CONSTANT_AIRFLOW: 0.02,
}
"""Share of the airflow lost where the filter's drop grows by the whole external static, about as the families' average
blowers have it (`airside.FamilyCurve`), for systems that are not surveyed."""
_STATED = ((0.5, 1.0), (1.0, 2.0), (1.5, 1.0))
_NOT_STATED = ((0.0, 1.0), (1.0, 2.0), (2.0, 1.0))


def clean_drop_at(house: House, reference_m3h: float | None) -> float | None:
    """The surveyed filter's clean drop at an airflow, Pa; None where it is not surveyed."""
    fitted = assembly(house.filter) if house.filter is not None else None
    return None if fitted is None or reference_m3h is None else float(clean_drop_pa(fitted, reference_m3h))


class AirflowFall:
    """The fall of a house's airflow with the drop of its filter; nothing falls where no clean drop is surveyed."""

    def __init__(self, house: House, reference_m3h: float | None) -> None:
        self._clean_pa = clean_drop_at(house, reference_m3h)
        self._static_pa = house.air_handler.external_static or _USUAL_STATIC_PA
        self._per_static = _per_static(house)
        told = house.air_handler.blower_table or "blower" in house.air_handler.model_fields_set
        self.may_be = _STATED if told else _NOT_STATED
        """Times the usual fall that it may be, and how likely: single blowers differ from their family's average, and
        families from each other (common practice, no source)."""

    def full(self, drop_pa: FloatArray, times_usual: float = 1.0) -> FloatArray:
        """The drop (Pa) as it would be had the airflow not fallen, from the drop as read."""
        full = drop_pa
        for _ in range(4):
            full = drop_pa / self._left(full, times_usual)
        return full

    def as_read(self, full_pa: FloatArray) -> FloatArray:
        """The drop (Pa) as it was read, from `full` of it with the usual fall."""
        return full_pa * self._left(full_pa, 1.0)

    def airflow_share(self, full_pa: FloatArray, times_usual: float = 1.0) -> FloatArray:
        """What is left of the airflow at a drop as it would be had nothing fallen, 0..1."""
        if self._clean_pa is None:
            return np.ones_like(full_pa)
        grown = np.clip((full_pa - self._clean_pa) / self._static_pa, 0.0, 1.0)
        return np.asarray(1.0 - times_usual * self._per_static * grown)

    def _left(self, full_pa: FloatArray, times_usual: float) -> FloatArray:
        """What is left of the drop."""
        return np.asarray(self.airflow_share(full_pa, times_usual) ** USUAL_EXPONENT)


def _per_static(house: House) -> float:
    """Share of the airflow lost for a growth of the drop by the external static: by the blower's and duct's curves.

    Taken between the clean filter and one of twice its drop, where the house file says enough for an operating point.
    """
    fitted = assembly(house.filter) if house.filter is not None else None
    try:
        if fitted is not None and house.air_handler.external_static is not None:
            return _by_curves(house, fitted)
    except (ComparisonError, NoOperatingPointError):
        pass
    return _USUAL_FALL[house.air_handler.blower]


def _by_curves(house: House, fitted: Filter) -> float:
    system = surveyed_system(house)
    rest = system.external_static_pa - float(clean_drop_pa(fitted, system.airflow_m3h))
    handler = AirHandler(system.blower, series(DuctCurve(system.airflow_m3h, max(rest, 0.0))))
    clean, loaded = (
        handler.operating_point(lambda airflow, n=n: n * np.asarray(clean_drop_pa(fitted, airflow))) for n in (1.0, 2.0)
    )
    grown = float(clean_drop_pa(fitted, clean.airflow_m3h)) / system.external_static_pa
    return float(np.clip((1.0 - loaded.airflow_m3h / clean.airflow_m3h) / grown, 0.0, 0.45))
