"""Where blower and system meet: the operating point, clean and at every stage of loading."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Self, TypeVar

import numpy as np
import scipy
from numpy.typing import ArrayLike

from ..bounds import FloatArray, not_negative, positive, within
from .blower import Blower
from .resistance import DuctCurve, Resistance

Values = TypeVar("Values", float, FloatArray)

_BISECTIONS = 60
_LOOKED_AT = 200


class NoOperatingPointError(ValueError):
    """The system holds back more, or less, air than the blower's curve covers; the message says by how much."""


@dataclass(frozen=True)
class OperatingPoint(Generic[Values]):
    """What the blower settles at: numbers, or arrays over stages of loading (NaN where it finds no point).

    `external_static_pa` is the sum of `filter_drop_pa` and `duct_drop_pa`.
    """

    airflow_m3h: Values
    external_static_pa: Values
    filter_drop_pa: Values
    duct_drop_pa: Values
    fan_power_w: Values


@dataclass(frozen=True)
class AirHandler:
    """A blower and everything it works against except the filter.

    >>> from motemodel.airside import BlowerFamily, DuctCurve
    >>> blower = Blower.surveyed(BlowerFamily.PERMANENT_SPLIT_CAPACITOR, airflow_m3h=2000.0, static_pa=150.0)
    >>> handler = AirHandler.surveyed(blower, 2000.0, 150.0, filter_drop=DuctCurve(2000.0, 50.0, exponent=1.4))
    >>> thicker = handler.operating_point(DuctCurve(2000.0, 80.0, exponent=1.4))
    >>> round(thicker.airflow_m3h), round(thicker.external_static_pa)
    (1917, 167)
    """

    blower: Blower
    duct: Resistance

    @classmethod
    def surveyed(
        cls,
        blower: Blower,
        airflow_m3h: float,
        external_static_pa: float,
        filter_drop: Resistance,
        duct_exponent: float = 2.0,
    ) -> Self:
        """From one measured point: what the filter in place did not hold back, the duct did.

        Raises ValueError where that filter alone drops more than was measured in all.
        """
        of_filter = float(filter_drop(airflow_m3h))
        if of_filter > external_static_pa:
            raise ValueError(
                f"external static: {external_static_pa:g} Pa measured, but the filter alone drops {of_filter:.3g} Pa "
                f"at {airflow_m3h:g} m3/h; measure again, or correct the filter's drop"
            )
        return cls(blower, DuctCurve(airflow_m3h, external_static_pa - of_filter, duct_exponent))

    def operating_point(self, filter_drop: Resistance) -> OperatingPoint[float]:
        """The point at which the system's drop equals the blower's static, found by Brent's method.

        Raises NoOperatingPointError when it lies outside the blower's range.
        """
        low, high = self.blower.static_range_pa
        excess = self._excess(filter_drop)
        if float(excess(np.asarray(high))) > 0.0:
            raise NoOperatingPointError(
                f"external static: at {high:.0f} Pa, the end of the blower's curve, {self._moved(high):.0f} m3/h would "
                f"drop {self._asked(filter_drop, high):.0f} Pa; choose a filter or ducts that hold back less"
            )
        if float(excess(np.asarray(low))) < 0.0:
            raise NoOperatingPointError(
                f"external static: at {low:.0f} Pa, the start of the blower's curve, {self._moved(low):.0f} m3/h would "
                f"drop only {self._asked(filter_drop, low):.0f} Pa; give a table that starts lower"
            )
        static = scipy.optimize.brentq(
            lambda pressure: float(excess(np.asarray(pressure))), low, high, xtol=1e-10, rtol=1e-12
        )
        airflow = self.blower.airflow_m3h(static)
        return OperatingPoint(
            airflow_m3h=float(airflow),
            external_static_pa=static,
            filter_drop_pa=float(filter_drop(airflow)),
            duct_drop_pa=float(self.duct(airflow)),
            fan_power_w=float(self.blower.power_w(static)),
        )

    def filter_drop_at(self, airflow_m3h: float) -> float:
        """The drop, Pa, of the filter behind which blower and ducts settle at an airflow: what the ducts leave of it.

        The inverse of `operating_point`, for the drop that a filter may come to before too little air passes. Of two
        statics with that airflow the higher one counts, since a filter that loads gets there last. Zero or below where
        the ducts alone hold back as much. Raises NoOperatingPointError where the blower moves more up to the end of its
        curve, or less all along it.
        """
        airflow = float(positive("airflow", airflow_m3h))
        statics = np.linspace(*self.blower.static_range_pa, _LOOKED_AT)
        enough = self.blower.airflow_m3h(statics) >= airflow
        if not enough.any():
            raise NoOperatingPointError(
                f"airflow: the blower moves less than {airflow:g} m3/h all along its curve; ask for less"
            )
        if enough[-1]:
            raise NoOperatingPointError(
                f"airflow: at {statics[-1]:.0f} Pa, the end of its curve, the blower moves more than "
                f"{airflow:g} m3/h still; give a table that ends higher"
            )
        last = int(np.flatnonzero(enough)[-1])
        static = scipy.optimize.brentq(
            lambda pressure: float(self.blower.airflow_m3h(pressure)) - airflow,
            statics[last],
            statics[last + 1],
            xtol=1e-10,
            rtol=1e-12,
        )
        return float(static - self.duct(airflow))

    def operating_points(
        self, filter_drop: Callable[[FloatArray], FloatArray], stages: tuple[int, ...]
    ) -> OperatingPoint[FloatArray]:
        """The points of many stages of loading at once, by bisection; arrays of shape `stages`.

        `filter_drop` takes airflows of that shape, one a stage, and returns drops of that shape. Where a stage has no
        operating point on the blower's curve all its figures are NaN.
        """
        excess = self._excess(filter_drop)
        low, high = (np.full(stages, end) for end in self.blower.static_range_pa)
        found = (excess(low) >= 0.0) & (excess(high) <= 0.0)
        for _ in range(_BISECTIONS):
            middle = (low + high) / 2.0
            above = excess(middle) > 0.0
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        static = (low + high) / 2.0
        airflow = self.blower.airflow_m3h(static)

        def where_found(values: FloatArray) -> FloatArray:
            return np.where(found, values, np.nan)

        return OperatingPoint(
            airflow_m3h=where_found(airflow),
            external_static_pa=where_found(static),
            filter_drop_pa=where_found(filter_drop(airflow)),
            duct_drop_pa=where_found(self.duct(airflow)),
            fan_power_w=where_found(self.blower.power_w(static)),
        )

    def _excess(self, filter_drop: Callable[[FloatArray], FloatArray]) -> Callable[[FloatArray], FloatArray]:
        """How much more the system would drop than the static at which the blower moves that air; falls with static."""

        def excess(static_pa: FloatArray) -> FloatArray:
            airflow = self.blower.airflow_m3h(static_pa)
            return np.asarray(filter_drop(airflow) + self.duct(airflow) - static_pa)

        return excess

    def _moved(self, static_pa: float) -> float:
        return float(self.blower.airflow_m3h(static_pa))

    def _asked(self, filter_drop: Resistance, static_pa: float) -> float:
        return float(self._excess(filter_drop)(np.asarray(static_pa))) + static_pa


def fan_energy_kwh(fan_power_w: ArrayLike, runtime_h: ArrayLike) -> FloatArray:
    """Fan energy, kWh, of a power (W) over a runtime (h), for instance of one year; arrays broadcast.

    >>> float(fan_energy_kwh(400.0, 1500.0))
    600.0
    """
    hours = within("fan runtime", runtime_h, 0.0, 1e6, "h")
    return np.asarray(not_negative("fan power", fan_power_w) * hours / 1000.0)
