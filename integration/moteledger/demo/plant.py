"""The heating, the blower and the filter of the simulated house.

A thermostat with a night set-back drives a warm-air furnace; the house's heat balance, and not a timetable, makes the
cycles. The blower follows each call with a short lag, and also circulates when the people ask for it.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from motemodel.units import M3H_PER_CFM, PA_PER_INCH_WATER

from .aerosol import gap_airflow_m3h
from .people import TICK_S, TICKS_PER_DAY, TICKS_PER_HOUR

SURVEYED_AIRFLOW_M3H = 1080.0 * M3H_PER_CFM
SURVEYED_STATIC_PA = 0.62 * PA_PER_INCH_WATER
_RATED = ((800.0 * M3H_PER_CFM, 0.11 * PA_PER_INCH_WATER), (1200.0 * M3H_PER_CFM, 0.19 * PA_PER_INCH_WATER))
GAP_LENGTH_M, GAP_WIDTH_M, GAP_DEPTH_M, GAP_BENDS = 0.5, 1.5e-3, 0.03, 1

# The drop grows in proportion to the dust caught and is twice the clean one at this mass (common practice, no source).
DUST_DOUBLING_DROP_G = 150.0
DUST_AT_START_G = 12.0
# Lint and dust above 10 um that the filter catches beside the simulated particles, per air moved (invented).
LINT_UG_M3 = 60.0

_HEAT_LOSS_W_K = 220.0
_HEAT_LOSS_WINDOW_W_K = 300.0
_FURNACE_W = 11_000.0
_OTHER_GAINS_W = 500.0
_HEAT_CAPACITY_J_K = 5.0e6
_DAY_SET_POINT, _NIGHT_SET_POINT, _HALF_DEADBAND = 21.0, 18.0, 0.3
_DAY_STARTS_H, _NIGHT_STARTS_H = 6.25, 22.5
_FAN_ON_LAG, _FAN_OFF_LAG = 30 // TICK_S, 90 // TICK_S


@dataclass
class Thermostat:
    """Indoor temperature (degC), whether the furnace burns, and for how many ticks the blower has lagged behind it."""

    temperature: float = 20.0
    heating: bool = False
    lag: int = 0
    blower_follows: bool = False

    def run(
        self,
        first_local_tick: int,
        outdoor: NDArray[np.float64],
        window_open: NDArray[np.bool_],
        circulate: NDArray[np.bool_],
    ) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
        """Run one tick per entry of `outdoor` (degC); returns indoor temperature, heating and fan at each tick's start.

        `first_local_tick` counts from a local midnight.
        """
        count = len(outdoor)
        temperature, heating, fan = np.empty(count), np.empty(count, np.bool_), np.empty(count, np.bool_)
        tick_of_day = (first_local_tick + np.arange(count)) % TICKS_PER_DAY
        by_day = (tick_of_day >= _DAY_STARTS_H * TICKS_PER_HOUR) & (tick_of_day < _NIGHT_STARTS_H * TICKS_PER_HOUR)
        set_point = np.where(by_day, _DAY_SET_POINT, _NIGHT_SET_POINT).tolist()
        loss = np.where(window_open, _HEAT_LOSS_W_K + _HEAT_LOSS_WINDOW_W_K, _HEAT_LOSS_W_K).tolist()
        for i, outside in enumerate(outdoor.tolist()):
            self._decide(set_point[i])
            temperature[i], heating[i] = self.temperature, self.heating
            fan[i] = self.blower_follows or circulate[i]
            heat = _OTHER_GAINS_W + self.heating * _FURNACE_W - loss[i] * (self.temperature - outside)
            self.temperature += heat * TICK_S / _HEAT_CAPACITY_J_K
        return temperature, heating, fan

    def _decide(self, set_point: float) -> None:
        if self.temperature > set_point + _HALF_DEADBAND:
            self.heating = False
        elif self.temperature < set_point - _HALF_DEADBAND:
            self.heating = True
        if self.heating == self.blower_follows:
            self.lag = 0
        else:
            self.lag += 1
            if self.lag > (_FAN_ON_LAG if self.heating else _FAN_OFF_LAG):
                self.blower_follows, self.lag = self.heating, 0


_EXPONENT = float(np.log(_RATED[1][1] / _RATED[0][1]) / np.log(_RATED[1][0] / _RATED[0][0]))


def filter_drop_pa(airflow_m3h: float, dust_g: float) -> float:
    """Pressure drop of the filter carrying `dust_g`: a power law through both rated points, raised by the dust."""
    clean: float = _RATED[1][1] * (airflow_m3h / _RATED[1][0]) ** _EXPONENT
    return clean * (1.0 + dust_g / DUST_DOUBLING_DROP_G)


@dataclass(frozen=True)
class Running:
    """The blower at work: airflow (m3/h), filter drop and total external static (Pa), share of the air through gaps."""

    airflow_m3h: float
    drop_pa: float
    static_pa: float
    gap_share: float


def _blower_airflow_m3h(static_pa: float) -> float:
    """Constant-torque blower: cfm falls by 456 p - 8 p^2, p in in.w.c., through the surveyed point (US DOE 2014)."""
    p, surveyed = static_pa / PA_PER_INCH_WATER, SURVEYED_STATIC_PA / PA_PER_INCH_WATER
    return SURVEYED_AIRFLOW_M3H + M3H_PER_CFM * (-456.0 * (p - surveyed) + 8.0 * (p**2 - surveyed**2))


@lru_cache(maxsize=256)
def running(dust_g: float) -> Running:
    """Where blower, duct (square law through the survey with a clean filter) and loaded filter meet."""
    duct = (SURVEYED_STATIC_PA - filter_drop_pa(SURVEYED_AIRFLOW_M3H, 0.0)) / SURVEYED_AIRFLOW_M3H**2

    def static(airflow: float) -> float:
        return duct * airflow**2 + filter_drop_pa(airflow, dust_g)

    airflow = float(brentq(lambda q: _blower_airflow_m3h(static(q)) - q, 10.0, 2.0 * SURVEYED_AIRFLOW_M3H))
    drop = filter_drop_pa(airflow, dust_g)
    gap = gap_airflow_m3h(drop, GAP_LENGTH_M, GAP_WIDTH_M, GAP_DEPTH_M, GAP_BENDS)
    return Running(airflow, drop, static(airflow), gap / airflow)
