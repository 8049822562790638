"""The air of the simulated house in time: a size-resolved mass balance, left to a general integrator (LSODA).

Nothing is solved in closed form: the outdoor air, the wind and the temperatures move within every spell, and LSODA
(Hindmarsh's ODEPACK, by scipy) follows them to the tolerance asked for. Beside the concentrations it carries the PM2.5
that entered, was made, filtered, settled and carried out, so that the account is integrated too and can be checked.
"""

from dataclasses import dataclass
from enum import IntEnum
from typing import Any

import numpy as np
from scipy.integrate import odeint

from .aerosol import (
    COOKING_MODES,
    OUTDOOR_MODES,
    Array,
    SizeClasses,
    coil_and_duct_efficiency,
    crack_penetration,
    deposition_per_h,
    filter_efficiency,
)
from .outdoor import Hour
from .plant import LINT_UG_M3, Running
from .shell import CEILING_HEIGHT_M, VOLUME_M3, infiltration_m3h, window_airflow_m3h

# Share of the blower's air that leaks in before the filter and out behind the coil, each: tight ducts.
DUCT_LEAKAGE = 0.03
CRACK_HEIGHT_MM, CRACK_DEPTH_M, CRACK_DROP_PA = 0.25, 0.03, 4.0
WALL_AREA_PER_VOLUME_PER_M, TURBULENCE_PER_S = 4.0, 1.0
_UG_PER_MG = 1000.0


class Account(IntEnum):
    """What the state holds behind the concentrations: PM2.5 in mg since the run began, dust on the filter in g."""

    ENTERED = 0
    GENERATED = 1
    FILTERED = 2
    SETTLED = 3
    CARRIED_OUT = 4
    DUST_G = 5


@dataclass(frozen=True)
class Conditions:
    """What stays the same for one spell, which lies within one hour: `running` is None while the fan rests."""

    hour: Hour
    indoor_temperature: float
    window_open: bool
    emission_ug_h: float
    running: Running | None


@dataclass(frozen=True, eq=False)
class Moments:
    """The air at several moments: PM2.5 (ug/m3), account (see `Account`), and the true terms of its balance.

    `infiltration_m3h` through the shell; `deposition_per_h` of PM2.5; `one_pass_efficiency` of PM2.5 by filter, coil
    and ducts, NaN while the fan rests.
    """

    pm25: Array
    account: Array
    infiltration_m3h: Array
    deposition_per_h: Array
    one_pass_efficiency: Array


class Room:
    """The well-mixed air of the house in `count` size classes, integrated to the relative `tolerance`."""

    def __init__(self, count: int, tolerance: float) -> None:
        classes = SizeClasses.of(count)
        diameter = classes.diameter_um
        self._tolerance = tolerance
        self._count = count
        self._fine = classes.fine
        self._outdoor = classes.shares(*OUTDOOR_MODES)
        self._cooking = classes.shares(*COOKING_MODES)
        self._penetration = crack_penetration(diameter, CRACK_HEIGHT_MM, CRACK_DEPTH_M, CRACK_DROP_PA)
        self._deposition = deposition_per_h(diameter, CEILING_HEIGHT_M, WALL_AREA_PER_VOLUME_PER_M, TURBULENCE_PER_S)
        self._medium = filter_efficiency(diameter)
        self._coil = coil_and_duct_efficiency(diameter)
        self.pm25_penetration = float(self._fine @ (self._penetration * self._outdoor))

    def at_rest(self, pm25_outdoor: float, dust_g: float) -> Array:
        """A state to start from: half of the outdoor air's particles, nothing on the account but the filter's dust."""
        return np.concatenate([0.5 * pm25_outdoor * self._outdoor, np.zeros(Account.DUST_G), [dust_g]])

    def dust_g(self, state: Array) -> float:
        """Dust on the filter, g."""
        return float(state[self._count + Account.DUST_G])

    def follow(self, state: Array, conditions: Conditions, fractions: Array) -> Array:
        """The states at `fractions` of the hour (rising, the first that of `state`), shape (len(fractions), state)."""
        return np.asarray(
            odeint(
                self._slope(conditions),
                state,
                fractions,
                rtol=self._tolerance,
                atol=1e-3 * self._tolerance,
                tcrit=fractions[-1:],
            )
        )

    def _one_pass(self, running: Running) -> tuple[Array, Array]:
        """What filter (gaps included) and filter, coil and ducts together catch in one pass, by size."""
        filtered = self._medium * (1.0 - running.gap_share)
        return filtered, 1.0 - (1.0 - filtered) * (1.0 - self._coil)

    def _slope(self, conditions: Conditions) -> Any:
        count, fine, hour = self._count, self._fine, conditions.hour
        settled = VOLUME_M3 * self._deposition
        filtered = leaked = caught = np.zeros(count)
        lint_g_h = 0.0
        if conditions.running is not None:
            airflow = conditions.running.airflow_m3h
            by_filter, in_one_pass = self._one_pass(conditions.running)
            from_room = (1.0 - DUCT_LEAKAGE) * airflow
            filtered = from_room * in_one_pass
            caught = from_room * by_filter
            leaked = DUCT_LEAKAGE * from_room * (1.0 - in_one_pass)
            lint_g_h = airflow * LINT_UG_M3 / 1e6
        lost = settled + filtered + leaked
        entering_ducts = float(fine @ (leaked * self._outdoor))
        fluxes = np.stack([fine, fine * filtered, fine * settled, fine * leaked, caught])
        made = conditions.emission_ug_h * self._cooking
        (c2, c1, c0), (t1, t0), (w1, w0) = hour.pm25, hour.temperature, hour.wind

        def slope(state: Array, fraction: float) -> Array:
            outdoor = (c2 * fraction + c1) * fraction + c0
            difference = conditions.indoor_temperature - (t1 * fraction + t0)
            wind = max(w1 * fraction + w0, 0.0)
            shell = infiltration_m3h(difference, wind)
            window = window_airflow_m3h(difference, wind) if conditions.window_open else 0.0
            air = state[:count]
            entering = (shell * self._penetration + window + leaked) * self._outdoor * outdoor
            rate = np.empty_like(state)
            rate[:count] = (entering + made - (lost + (shell + window)) * air) / VOLUME_M3
            pm25, by_pass, on_surfaces, by_ducts, dust = (fluxes @ air).tolist()
            rate[count:] = (
                (shell * self.pm25_penetration + window + entering_ducts) * outdoor / _UG_PER_MG,
                conditions.emission_ug_h / _UG_PER_MG,
                by_pass / _UG_PER_MG,
                on_surfaces / _UG_PER_MG,
                (by_ducts + (shell + window) * pm25) / _UG_PER_MG,
                dust / 1e6 + lint_g_h,
            )
            return rate

        return slope

    def moments(self, states: Array, conditions: Conditions, fractions: Array) -> Moments:
        """What the air is at several states of one spell."""
        air = states[:, : self._count] * self._fine
        pm25 = air.sum(axis=1)
        hour = conditions.hour
        difference = conditions.indoor_temperature - np.polyval(hour.temperature, fractions)
        wind = np.polyval(hour.wind, fractions)
        shell = np.array([infiltration_m3h(dt, u) for dt, u in zip(difference.tolist(), wind.tolist(), strict=True)])
        efficiency = np.full(len(states), np.nan)
        if conditions.running is not None:
            efficiency = air @ self._one_pass(conditions.running)[1] / pm25
        return Moments(pm25, states[:, self._count :], shell, air @ self._deposition / pm25, efficiency)
