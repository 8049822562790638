"""How much less air a loaded filter lets through where nobody measures it, and what its drop would be else."""

import numpy as np

from motemodel.airside import AirHandler, DuctCurve, NoOperatingPointError, series
from motemodel.bounds import FloatArray
from motemodel.filters import USUAL_EXPONENT, Filter, fit_power_law
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
_EXPONENTS = ((1.0, 1.0), (USUAL_EXPONENT, 2.0), (1.4, 1.0))
"""With what power of the airflow a filter's drop may go, and how likely: about Li et al.'s mean (2022), as filters lie
between laminar and turbulent (common practice, no source)."""
_RATED_APART = 1.5
"""Rated airflows as far apart as this tell the power; closer ones, mostly how their drops were rounded."""
_FAMILY_SPREAD, _SEEN_SPREAD = 0.5, 0.02
"""How far a blower may be from its family's fall, as a share of it, and a day's airflow from what is read of it."""
_TABLE = 2000
_STATED = ((0.5, 1.0), (1.0, 2.0), (1.5, 1.0))
_NOT_STATED = ((0.0, 1.0), (1.0, 2.0), (2.0, 1.0))


def clean_drop_at(house: House, reference_m3h: float | None) -> float | None:
    """The surveyed filter's clean drop at an airflow, Pa; None where it is not surveyed."""
    fitted = assembly(house.filter) if house.filter is not None else None
    return None if fitted is None or reference_m3h is None else float(clean_drop_pa(fitted, reference_m3h))


def drop_exponents(house: House) -> tuple[tuple[float, float], ...]:
    """With what power of the airflow the drop of a house's filter may go, and how likely each is.

    One alone where the filter is rated at airflows far enough apart, as a test report has it (ANSI/ASHRAE 52.2: at 50
    to 125 % of the rated airflow).
    """
    rated = house.filter.rated_drop if house.filter is not None else ()
    airflows = [point.airflow for point in rated]
    if len(rated) < 2 or max(airflows) < _RATED_APART * min(airflows):
        return _EXPONENTS
    return ((fit_power_law(airflows, [point.drop for point in rated]).exponent, 1.0),)


def drop_exponent(house: House) -> float:
    """The likeliest of them."""
    return max(drop_exponents(house), key=lambda each: each[1])[0]


class AirflowFall:
    """The fall of a house's airflow with the drop of its filter; nothing falls where no clean drop is surveyed."""

    def __init__(self, house: House, reference_m3h: float | None) -> None:
        self._clean_pa = clean_drop_at(house, reference_m3h)
        self._static_pa = house.air_handler.external_static or _USUAL_STATIC_PA
        self._per_static = _per_static(house)
        self._exponent = drop_exponent(house)
        told = house.air_handler.blower_table or "blower" in house.air_handler.model_fields_set
        self.may_be = _STATED if told else _NOT_STATED
        """Times the usual fall that it may be, and how likely: single blowers differ from their family's average, and
        families from each other (common practice, no source)."""

    def full(self, drop_pa: FloatArray, times_usual: float = 1.0) -> FloatArray:
        """The drop (Pa) as it would be had the airflow not fallen, from the drop as read."""
        if self._clean_pa is None:
            return drop_pa
        # What is read rises with the full drop up to where the airflow has fallen as far as it may, so a table of it
        # is turned round; beyond its end nothing more falls.
        full = np.linspace(0.0, self._clean_pa + self._static_pa, _TABLE)
        read = np.maximum.accumulate(full * self._left(full, times_usual))
        beyond = drop_pa / float(self._left(full[-1:], times_usual)[0])
        found = np.where(drop_pa < read[-1], np.interp(drop_pa, read, full), beyond)
        # Below zero, as with its hoses swapped, a sensor tells nothing of the airflow.
        return np.asarray(np.where(drop_pa < 0.0, drop_pa, found))

    def as_read(self, full_pa: FloatArray) -> FloatArray:
        """The drop (Pa) as it was read, from `full` of it with the usual fall."""
        return full_pa * self._left(full_pa, 1.0)

    def airflow_share(self, full_pa: FloatArray, times_usual: float = 1.0) -> FloatArray:
        """What is left of the airflow at a drop as it would be had nothing fallen, 0..1."""
        if self._clean_pa is None:
            return np.ones_like(full_pa)
        grown = np.clip((full_pa - self._clean_pa) / self._static_pa, 0.0, 1.0)
        return np.asarray(1.0 - times_usual * self._per_static * grown)

    def seen(self, full_pa: FloatArray, airflow_share: FloatArray) -> float:
        """Airflow share lost for each Pa, of days whose airflow is known; while they tell little, the family's."""
        usual = self._per_static / self._static_pa
        grown = np.maximum(full_pa - (self._clean_pa or float(full_pa.min())), 0.0)
        worth = np.array([1.0 / max(_FAMILY_SPREAD * usual, 1e-6) ** 2, float(np.sum(grown**2)) / _SEEN_SPREAD**2])
        lost = float(np.sum(grown * (1.0 - airflow_share))) / _SEEN_SPREAD**2
        return float(np.clip((worth[0] * usual + lost) / worth.sum(), 0.0, 2.0 * usual + 0.001))

    def _left(self, full_pa: FloatArray, times_usual: float) -> FloatArray:
        """What is left of the drop."""
        return np.asarray(self.airflow_share(full_pa, times_usual) ** self._exponent)


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
