"""Blowers: airflow and power against external static pressure.

A curve is either one of the published ones or the user's own table. A `Blower` is a curve with three scales (airflow,
pressure, power), which is all that a survey, the fan laws and the density of the air change.
"""

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Protocol, Self

import numpy as np
import scipy
from numpy.typing import ArrayLike

from ..bounds import FloatArray, not_negative, positive, within
from ..units import M3H_PER_CFM, PA_PER_INCH_WATER, SECONDS_PER_HOUR

RATED_STATIC_PA = 0.5 * PA_PER_INCH_WATER
"""0.5 in.w.c., the usual rated total external static pressure."""

NOMINAL_AIRFLOW_M3H_PER_TON = 400.0 * M3H_PER_CFM
"""400 cfm per ton of cooling (common practice, no source)."""

TABLE_MARGIN_PA = 0.1 * PA_PER_INCH_WATER
"""How far a table is continued past either end, in a straight line: 0.1 in.w.c., one step of the usual tables."""


class BlowerFamily(StrEnum):
    """How the motor answers a rising static pressure."""

    PERMANENT_SPLIT_CAPACITOR = "permanent-split-capacitor"
    CONSTANT_TORQUE = "constant-torque"
    CONSTANT_AIRFLOW = "constant-airflow"


class FanCurve(Protocol):
    """Airflow and power over a range of external static pressure."""

    @property
    def static_range_pa(self) -> tuple[float, float]:
        """Lowest and highest external static pressure, Pa, for which the curve holds."""

    def airflow_m3h(self, static_pa: FloatArray) -> FloatArray:
        """Airflow, m3/h, at an external static pressure, Pa, within the range."""

    def power_w(self, static_pa: FloatArray) -> FloatArray:
        """Electric power, W, at an external static pressure, Pa, within the range."""


@dataclass(frozen=True)
class _Coefficients:
    airflow: tuple[float, float]
    intensity: tuple[float, float]
    intensity_by_capacity: tuple[float, float, float, float]


_CAPACITY_TONS = (2.0, 3.0, 4.0, 5.0)
_REFERENCE_CFM = 1200.0
_COEFFICIENTS = {
    BlowerFamily.PERMANENT_SPLIT_CAPACITOR: _Coefficients((49.0, -570.0), (-0.2, 0.19), (0.49, 0.52, 0.55, 0.57)),
    BlowerFamily.CONSTANT_TORQUE: _Coefficients((-456.0, 8.0), (0.12, 0.07), (0.18, 0.19, 0.21, 0.23)),
    BlowerFamily.CONSTANT_AIRFLOW: _Coefficients((99.0, -103.0), (0.25, -0.01), (0.11, 0.12, 0.13, 0.15)),
}


@dataclass(frozen=True)
class FamilyCurve:
    """The average residential blower of a family that moves 1,200 cfm at 0.5 in.w.c.

    US Department of Energy, Technical Support Document EERE-2014-BT-STD-0048-0098, appendix 7-C: airflow is a quadratic
    in static pressure, power per airflow another with a constant for the unit's capacity (2 to 5 tons; 1.5 to 6 are
    accepted and read as the nearer end). Holds from 0 to 1.2 in.w.c. (299 Pa), the range of such blowers' tables (from
    memory). The published constant-airflow curve rises by 2 % to 0.48 in.w.c. before it falls.
    """

    family: BlowerFamily
    capacity_tons: float = 3.0

    def __post_init__(self) -> None:
        within("cooling capacity of the blower's unit", self.capacity_tons, 1.5, 6.0, "tons")

    @property
    def static_range_pa(self) -> tuple[float, float]:
        """0 to 1.2 in.w.c., in Pa."""
        return 0.0, 1.2 * PA_PER_INCH_WATER

    def airflow_m3h(self, static_pa: FloatArray) -> FloatArray:
        """Airflow, m3/h."""
        linear, square = _COEFFICIENTS[self.family].airflow
        inches = static_pa / PA_PER_INCH_WATER
        rated = linear * 0.5 + square * 0.25
        return np.asarray((_REFERENCE_CFM - rated + linear * inches + square * inches**2) * M3H_PER_CFM)

    def power_w(self, static_pa: FloatArray) -> FloatArray:
        """Electric power, W."""
        linear, square = _COEFFICIENTS[self.family].intensity
        inches = static_pa / PA_PER_INCH_WATER
        constant = np.interp(self.capacity_tons, _CAPACITY_TONS, _COEFFICIENTS[self.family].intensity_by_capacity)
        watts_per_cfm = constant + linear * inches + square * inches**2
        return np.asarray(watts_per_cfm * self.airflow_m3h(static_pa) / M3H_PER_CFM)


@dataclass(frozen=True)
class MeasuredSplitCapacitorCurve:
    """Permanent-split-capacitor blowers as measured: Q = Q_free - 10 (exp(5.35 P) - 1), cfm and in.w.c., never below 0.

    Fit to field measurements, as given in the open-source package resdx (resdx/fan.py, commit c671051). Near 1 in.w.c.
    it falls to nothing, where the average curve of `FamilyCurve` is kinder; power per airflow is taken constant.
    `rated_airflow_m3h` is that at `RATED_STATIC_PA`. Holds from 0 to 1 in.w.c.
    """

    rated_airflow_m3h: float = _REFERENCE_CFM * M3H_PER_CFM
    watts_per_m3h: float = 0.414 / M3H_PER_CFM

    def __post_init__(self) -> None:
        within("rated airflow", self.rated_airflow_m3h, 100.0, 20_000.0, "m3/h")
        within("power per airflow", self.watts_per_m3h, 0.01, 2.0, "W per m3/h")

    @property
    def static_range_pa(self) -> tuple[float, float]:
        """0 to 1 in.w.c., in Pa."""
        return 0.0, PA_PER_INCH_WATER

    @staticmethod
    def reduction_m3h(static_pa: ArrayLike) -> FloatArray:
        """By how much airflow is below free delivery, m3/h."""
        return np.asarray(10.0 * np.expm1(5.35 * np.asarray(static_pa) / PA_PER_INCH_WATER) * M3H_PER_CFM)

    def airflow_m3h(self, static_pa: FloatArray) -> FloatArray:
        """Airflow, m3/h."""
        free = self.rated_airflow_m3h + self.reduction_m3h(RATED_STATIC_PA)
        return np.asarray(np.maximum(free - self.reduction_m3h(static_pa), 0.0))

    def power_w(self, static_pa: FloatArray) -> FloatArray:
        """Electric power, W."""
        return np.asarray(self.watts_per_m3h * self.airflow_m3h(static_pa))


@dataclass(frozen=True)
class HeldAirflowCurve:
    """A constant-airflow blower that holds its airflow exactly, at a power per airflow that rises with static pressure.

    W/cfm rises by 0.235 per in.w.c. from its value at 0.5 in.w.c.: fit to field measurements, as given in the
    open-source package resdx (resdx/fan.py, commit c671051). Holds from 0 to 1 in.w.c.
    """

    held_airflow_m3h: float
    watts_per_m3h: float

    def __post_init__(self) -> None:
        within("held airflow", self.held_airflow_m3h, 100.0, 20_000.0, "m3/h")
        within("power per airflow", self.watts_per_m3h, 0.07, 2.0, "W per m3/h")

    @property
    def static_range_pa(self) -> tuple[float, float]:
        """0 to 1 in.w.c., in Pa."""
        return 0.0, PA_PER_INCH_WATER

    def airflow_m3h(self, static_pa: FloatArray) -> FloatArray:
        """Airflow, m3/h."""
        return np.full(np.shape(static_pa), self.held_airflow_m3h)

    def power_w(self, static_pa: FloatArray) -> FloatArray:
        """Electric power, W."""
        rise = 0.235 / M3H_PER_CFM * (static_pa - RATED_STATIC_PA) / PA_PER_INCH_WATER
        return np.asarray((self.watts_per_m3h + rise) * self.held_airflow_m3h)


@dataclass(frozen=True)
class TableCurve:
    """The maker's or the surveyor's table: airflow (and power) at rising external static pressures.

    Monotone piecewise cubic interpolation (Fritsch and Carlson 1980), continued in a straight line for at most
    `TABLE_MARGIN_PA` past either end and never below zero. Statics 0 to 1000 Pa, rising; two rows or more; airflow may
    rise with static by no more than 5 % of the largest (constant-airflow tables waver), or the columns are mixed up.
    `watts` may be left empty: then the power is unknown and asking for it raises ValueError.
    """

    static_pa: tuple[float, ...]
    airflows_m3h: tuple[float, ...]
    watts: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        static = within("blower table static", self.static_pa, 0.0, 1000.0, "Pa")
        airflow = not_negative("blower table airflow", self.airflows_m3h)
        watts = not_negative("blower table power", self.watts)
        if static.ndim != 1 or static.size < 2 or (np.diff(static) <= 0.0).any():
            raise ValueError(
                f"blower table static: {self.static_pa} does not rise; give two or more pressures, lowest first"
            )
        if airflow.shape != static.shape or watts.size not in (0, static.size):
            raise ValueError(
                f"blower table: {static.size} pressures, {airflow.size} airflows, {watts.size} powers; "
                "give one airflow per pressure, and one power per pressure or none"
            )
        if (np.diff(airflow) > 0.05 * airflow.max()).any():
            raise ValueError(
                f"blower table airflow: {self.airflows_m3h} rises with static pressure; check the order of the columns"
            )

    @property
    def static_range_pa(self) -> tuple[float, float]:
        """The table's range with its margins, from 0 up, Pa."""
        return max(self.static_pa[0] - TABLE_MARGIN_PA, 0.0), self.static_pa[-1] + TABLE_MARGIN_PA

    def airflow_m3h(self, static_pa: FloatArray) -> FloatArray:
        """Airflow, m3/h."""
        return _interpolated(self.static_pa, self.airflows_m3h, static_pa)

    def power_w(self, static_pa: FloatArray) -> FloatArray:
        """Electric power, W."""
        if not self.watts:
            raise ValueError("blower table: no power given; add the watts at each static pressure")
        return _interpolated(self.static_pa, self.watts, static_pa)


@dataclass(frozen=True)
class Blower:
    """A blower in its cabinet: a curve and the scales by which this one differs from it.

    Airflow(P) = airflow_scale curve(P / pressure_scale), power likewise with power_scale. `external_static` is the
    static pressure the blower works against outside its cabinet: ducts, grilles, and filter and coil where they are
    outside it.

    >>> blower = Blower.surveyed(BlowerFamily.PERMANENT_SPLIT_CAPACITOR, airflow_m3h=1900.0, static_pa=150.0)
    >>> round(float(blower.airflow_m3h(150.0)), 6)
    1900.0
    """

    curve: FanCurve
    family: BlowerFamily
    airflow_scale: float = 1.0
    pressure_scale: float = 1.0
    power_scale: float = 1.0

    def __post_init__(self) -> None:
        for place, scale in (
            ("airflow scale", self.airflow_scale),
            ("pressure scale", self.pressure_scale),
            ("power scale", self.power_scale),
        ):
            within(f"blower {place}", scale, 1e-3, 1e3)

    @classmethod
    def surveyed(
        cls,
        family: BlowerFamily,
        airflow_m3h: float,
        static_pa: float = RATED_STATIC_PA,
        fan_power_w: float | None = None,
        capacity_tons: float | None = None,
    ) -> Self:
        """The family's curve made to pass through a surveyed airflow (100 to 20,000 m3/h) at its external static.

        Similar blowers of another size move airflow in proportion at the same static, so the whole curve is stretched
        in airflow. `fan_power_w` (10 to 5000 W) stretches the power; without it the family's power per airflow stands.
        `capacity_tons` defaults to the airflow over 400 cfm per ton, within 2 to 5. Figures measured on site already
        know the site's air; only figures from the maker's sheet need `at_density` afterwards.
        """
        within("surveyed airflow", airflow_m3h, 100.0, 20_000.0, "m3/h")
        tons = airflow_m3h / NOMINAL_AIRFLOW_M3H_PER_TON if capacity_tons is None else capacity_tons
        curve = FamilyCurve(family, float(np.clip(tons, 2.0, 5.0)) if capacity_tons is None else tons)
        static = within("surveyed external static", static_pa, *curve.static_range_pa, "Pa")
        scale = airflow_m3h / float(curve.airflow_m3h(static))
        blower = cls(curve, family, airflow_scale=scale, power_scale=scale)
        return blower if fan_power_w is None else blower.with_power(fan_power_w, static_pa)

    @classmethod
    def from_table(
        cls,
        static_pa: ArrayLike,
        airflow_m3h: ArrayLike,
        power_w: ArrayLike = (),
        family: BlowerFamily = BlowerFamily.PERMANENT_SPLIT_CAPACITOR,
    ) -> Self:
        """A blower by its own table, see `TableCurve`; the family matters only for the density of the air."""
        columns = (np.atleast_1d(np.asarray(column, dtype=np.float64)) for column in (static_pa, airflow_m3h, power_w))
        return cls(TableCurve(*(tuple(map(float, column)) for column in columns)), family)

    @property
    def static_range_pa(self) -> tuple[float, float]:
        """Lowest and highest external static pressure, Pa, for which the blower is known."""
        low, high = self.curve.static_range_pa
        return low * self.pressure_scale, high * self.pressure_scale

    def airflow_m3h(self, static_pa: ArrayLike) -> FloatArray:
        """Airflow, m3/h, at an external static pressure, Pa, in its shape; ValueError outside `static_range_pa`.

        This is also the airflow of a blower whose external static has been measured.
        """
        return np.asarray(self.airflow_scale * self.curve.airflow_m3h(self._on_curve(static_pa)))

    def power_w(self, static_pa: ArrayLike) -> FloatArray:
        """Electric power, W, at an external static pressure, Pa, in its shape; ValueError outside the range."""
        return np.asarray(self.power_scale * self.curve.power_w(self._on_curve(static_pa)))

    def with_power(self, fan_power_w: float, static_pa: float) -> Self:
        """The same blower with its power made to be `fan_power_w` (10 to 5000 W) at `static_pa`."""
        within("fan power", fan_power_w, 10.0, 5000.0, "W")
        return replace(self, power_scale=self.power_scale * fan_power_w / float(self.power_w(static_pa)))

    def at_speed(self, ratio: float) -> Self:
        """The blower at another speed (ratio 0.2 to 2) by the fan laws: airflow with it, pressure squared, power cubed.

        ASHRAE Handbook Systems and Equipment (2016), chapter 21, table 2.
        """
        within("speed ratio", ratio, 0.2, 2.0)
        return self._scaled(airflow=ratio, pressure=ratio**2, power=ratio**3)

    def at_density(self, ratio: float) -> Self:
        """The blower in air of another density (ratio to the curve's own air, 0.5 to 1.5).

        Constant speed (permanent split capacitor, tables of it): pressure and power go with density, fan laws as above.
        Constant torque: density times speed squared stays, so at one pressure airflow and power go with density^-0.5.
        Constant airflow: the motor makes up for it; the curve is left as it is (common practice, no source).
        """
        within("density ratio", ratio, 0.5, 1.5)
        match self.family:
            case BlowerFamily.PERMANENT_SPLIT_CAPACITOR:
                return self._scaled(airflow=1.0, pressure=ratio, power=ratio)
            case BlowerFamily.CONSTANT_TORQUE:
                return self._scaled(airflow=ratio**-0.5, pressure=1.0, power=ratio**-0.5)
            case BlowerFamily.CONSTANT_AIRFLOW:
                return self

    def _scaled(self, *, airflow: float, pressure: float, power: float) -> Self:
        return replace(
            self,
            airflow_scale=self.airflow_scale * airflow,
            pressure_scale=self.pressure_scale * pressure,
            power_scale=self.power_scale * power,
        )

    def _on_curve(self, static_pa: ArrayLike) -> FloatArray:
        low, high = self.static_range_pa
        slack = 1e-9 * high
        static = within("external static", static_pa, low - slack, high + slack, "Pa")
        return np.asarray(static / self.pressure_scale)


def air_power_efficiency(airflow_m3h: ArrayLike, static_pa: ArrayLike, power_w: ArrayLike) -> FloatArray:
    """Share of the electric power that leaves as moved air: Q dp / W, ASHRAE Handbook (2016), fans chapter."""
    airflow = not_negative("airflow", airflow_m3h) / SECONDS_PER_HOUR
    return np.asarray(airflow * not_negative("external static", static_pa) / positive("fan power", power_w))


def _interpolated(static: tuple[float, ...], values: tuple[float, ...], wanted: FloatArray) -> FloatArray:
    curve = scipy.interpolate.PchipInterpolator(static, values)
    slope = curve.derivative()
    inside = np.clip(wanted, static[0], static[-1])
    return np.asarray(np.maximum(curve(inside) + slope(inside) * (wanted - inside), 0.0))
