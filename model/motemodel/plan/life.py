"""The life of a filter in one house: years of dust, rising drop, falling airflow, fading charge, clean air delivered.

Two clocks. Hour by hour, weather and outdoor air run the fan, drive the shell and set what is in the air, by the exact
balance; period by period (a week) what the filter caught changes its drop and efficiency, and with them the operating
point. Within a period the filter is taken as it was at the start: give a small filter in a dusty house short periods.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from ..airside import AirHandler, OperatingPoint, fan_energy_kwh
from ..balance import Cleaner, Inputs, ledger, solve
from ..bounds import FloatArray, within
from ..envelope import DuctLeakage, air_exchange, enhanced_infiltration
from ..filters import CLEAN, DUST_GRID, Deposit, Filter, drop_pa, efficiency, flow_split
from ..particles import DEFAULT_GRID, HOUSE_DUST, INDOOR_COOKING, MassDistribution, SizeGrid
from .household import HOURS_PER_DAY, PM25_BINS, Household, Outdoors, Runtime, per_pm25

_UG_PER_MG = 1000.0
_FINE_BINS = DEFAULT_GRID.count
_STAGES = 200
_LARGEST_DROP_FACTOR = 200.0


@dataclass(frozen=True)
class Life:
    """A filter's life by periods, arrays (N,): state at the start of each period, means and sums over it.

    `day`, `deposited_g`, `charge_left` (1 new, 0 spent) and the operating point are at the start. `clean_air_m3h`: room
    air cleaned of PM2.5, mean over on and off time. `pm25_efficiency`: as installed, gaps included, for the PM2.5 that
    was indoors (NaN where there was none). Masses from `entered_mg` to `stored_mg` are of particles up to 10 um;
    `dust_caught_mg` is house dust, apart. `outlived`: the life ended early because the loaded filter left the blower no
    operating point on its curve.
    """

    day: FloatArray
    airflow_m3h: FloatArray
    external_static_pa: FloatArray
    filter_drop_pa: FloatArray
    fan_power_w: FloatArray
    pm25_efficiency: FloatArray
    deposited_g: FloatArray
    charge_left: FloatArray
    fan_on_fraction: FloatArray
    energy_kwh: FloatArray
    clean_air_m3h: FloatArray
    indoor_pm25_ug_m3: FloatArray
    outdoor_pm25_ug_m3: FloatArray
    entered_mg: FloatArray
    generated_mg: FloatArray
    filtered_mg: FloatArray
    settled_mg: FloatArray
    carried_out_mg: FloatArray
    stored_mg: FloatArray
    dust_caught_mg: FloatArray
    outlived: bool

    def day_when(self, values: FloatArray, bound: float) -> float:
        """First day on which `values`, one of the arrays above, comes to `bound` from the side on which it starts.

        Between periods by a straight line; infinite when it does not come to it within the life.
        """
        rising = values[0] < bound
        reached = values >= bound if rising else values <= bound
        if not reached.any():
            return np.inf
        first = int(np.argmax(reached))
        if first == 0:
            return float(self.day[0])
        share = (bound - values[first - 1]) / (values[first] - values[first - 1])
        return float(self.day[first - 1] + share * (self.day[first] - self.day[first - 1]))


def simulate_life(
    household: Household,
    handler: AirHandler,
    filter_: Filter,
    outdoors: Outdoors,
    runtime: Runtime | None = None,
    *,
    days: int = 4 * 365,
    period_days: int = 7,
) -> Life:
    """Run a filter in a house for `days` (1 to 36,500), in periods of `period_days` (1 to 91).

    A heating or cooling call is not made longer by a falling airflow. Raises NoOperatingPointError when even the clean
    filter leaves the blower no operating point, ValueError for values outside.
    """
    days = int(within("length of the life", days, 1, 36_500, "days"))
    period_days = int(within("length of a period", period_days, 1, 91, "days"))
    handler.operating_point(lambda airflow: drop_pa(filter_, airflow))
    stages = _Stages.of(handler, filter_)
    year = _Hours.of(household, outdoors, runtime or Runtime())
    sizes = _SizeSample.of(outdoors.distribution)
    deposit, air = CLEAN, np.asarray(household.penetration) * year.outdoor_ug_m3[:, 0]
    periods: list[_Period] = []
    for first_day in range(0, days, period_days):
        point, media_share = stages.at(deposit)
        if np.isnan(point.airflow_m3h):
            break
        hours = year.between(first_day, min(first_day + period_days, days))
        through = sizes.bin_efficiency(filter_, deposit) * media_share
        period, caught, air = _live_through(household, hours, through, point, air)
        periods.append(
            period._replace(
                day=float(first_day),
                deposited_g=float(deposit.mass_mg) / 1000.0,
                charge_left=float(filter_.charge_left(deposit)),
            )
        )
        deposit = deposit + caught
    columns = {name: np.array([getattr(period, name) for period in periods]) for name in _Period._fields}
    return Life(**columns, outlived=len(periods) * period_days < days)


class _Period(NamedTuple):
    """One row of a `Life`, named alike."""

    airflow_m3h: float
    external_static_pa: float
    filter_drop_pa: float
    fan_power_w: float
    pm25_efficiency: float
    fan_on_fraction: float
    energy_kwh: float
    clean_air_m3h: float
    indoor_pm25_ug_m3: float
    outdoor_pm25_ug_m3: float
    entered_mg: float
    generated_mg: float
    filtered_mg: float
    settled_mg: float
    carried_out_mg: float
    stored_mg: float
    dust_caught_mg: float
    day: float = 0.0
    deposited_g: float = 0.0
    charge_left: float = 1.0


class _Hours(NamedTuple):
    """What does not depend on the filter, hour by hour: (T,), (T,) and (bins, T)."""

    infiltration_m3h: FloatArray
    on: FloatArray
    outdoor_ug_m3: FloatArray

    @classmethod
    def of(cls, household: Household, outdoors: Outdoors, runtime: Runtime) -> "_Hours":
        infiltration = enhanced_infiltration(
            household.leakage, household.exposure, household.indoor_c, outdoors.temperature_c, outdoors.wind_m_s
        )
        return cls(infiltration, runtime.on_fraction(outdoors.temperature_c), outdoors.by_size())

    def between(self, first_day: int, end_day: int) -> "_Hours":
        hours = np.arange(first_day * HOURS_PER_DAY, end_day * HOURS_PER_DAY) % self.on.size
        return _Hours(self.infiltration_m3h[hours], self.on[hours], self.outdoor_ug_m3[:, hours])


@dataclass(frozen=True)
class _Stages:
    """Operating points worked out once for many stages of loading; a life looks its stage up between them."""

    clogging_mg: FloatArray
    points: OperatingPoint[FloatArray]
    media_share: FloatArray

    @classmethod
    def of(cls, handler: AirHandler, filter_: Filter) -> "_Stages":
        factors = np.geomspace(1.0, _LARGEST_DROP_FACTOR, _STAGES)
        clogging = np.array([filter_.loading.clogging_at(float(factor)) for factor in factors])
        # A filter whose drop never grows has one stage, for as long as it may live.
        clogging = clogging if np.isfinite(clogging).all() else np.array([0.0, np.finfo(np.float64).max])
        loaded = Deposit(clogging, clogging, np.zeros(clogging.shape))
        points = handler.operating_points(lambda airflow: drop_pa(filter_, airflow, loaded), clogging.shape)
        return cls(clogging, points, flow_split(filter_, np.nan_to_num(points.airflow_m3h), loaded).media_share)

    def at(self, deposit: Deposit) -> tuple[OperatingPoint[float], float]:
        """The operating point and the media's share of the air; NaN beyond the last stage with an operating point."""

        def between(values: FloatArray) -> float:
            return float(np.interp(deposit.clogging_mg, self.clogging_mg, values, right=np.nan))

        point = OperatingPoint(
            airflow_m3h=between(self.points.airflow_m3h),
            external_static_pa=between(self.points.external_static_pa),
            filter_drop_pa=between(self.points.filter_drop_pa),
            duct_drop_pa=between(self.points.duct_drop_pa),
            fan_power_w=between(self.points.fan_power_w),
        )
        return point, between(self.media_share)


@dataclass(frozen=True)
class _SizeSample:
    """Four diameters in each bin of the dust grid with their shares of its mass, arrays (bins, 4)."""

    diameter_um: FloatArray
    share: FloatArray

    @classmethod
    def of(cls, outdoor: MassDistribution) -> "_SizeSample":
        edges = np.log(DUST_GRID.edges_um)
        finer = SizeGrid(tuple(np.exp(np.interp(np.arange(4 * edges.size - 3) / 4.0, np.arange(edges.size), edges))))
        mass = np.where(
            np.arange(DUST_GRID.count)[:, np.newaxis] < _FINE_BINS,
            outdoor.bin_fractions(finer).reshape(-1, 4),
            HOUSE_DUST.bin_fractions(finer).reshape(-1, 4),
        )
        mass = mass + np.finfo(np.float64).tiny
        return cls(finer.midpoints_um.reshape(-1, 4), mass / mass.sum(axis=1, keepdims=True))

    def bin_efficiency(self, filter_: Filter, deposit: Deposit) -> FloatArray:
        """Mass-weighted efficiency of the media in each bin of the dust grid."""
        return np.asarray((efficiency(filter_, self.diameter_um, deposit) * self.share).sum(axis=1))


def _live_through(
    household: Household, hours: _Hours, through: FloatArray, point: OperatingPoint[float], air_ug_m3: FloatArray
) -> tuple[_Period, Deposit, FloatArray]:
    """One period with one state of the filter; `through` is its as-installed efficiency by the bins of the dust grid.

    The fan draws room air through the filter, and outdoor air through leaks of the return; both are filtered, and what
    leaks from the supply is lost to outdoors. So the balance sees two cleaners, filter and supply leak, on the room air
    drawn, and what is left of the return leak's particles as one more source.
    """
    airflow, fine = point.airflow_m3h, through[:_FINE_BINS]
    exchange = air_exchange(
        hours.infiltration_m3h,
        ventilation=household.ventilation,
        ducts=DuctLeakage(household.supply_leak * airflow, household.return_leak * airflow),
        fan_on_fraction=hours.on,
    )
    leaked_in_ug_h = exchange.duct_return_m3h * hours.outdoor_ug_m3
    lost = (1.0 - fine) * household.supply_leak
    source = household.source_ug_h * per_pm25(INDOOR_COOKING)
    inputs = Inputs(
        volume_m3=household.volume_m3,
        step_h=1.0,
        outdoor_ug_m3=hours.outdoor_ug_m3,
        infiltration_m3h=exchange.infiltration_m3h,
        penetration=household.penetration,
        deposition_per_h=household.deposition_per_h,
        emission_ug_h=source[:, np.newaxis] + (1.0 - fine - lost)[:, np.newaxis] * leaked_in_ug_h,
        intake_m3h=exchange.intake_m3h,
        intake_efficiency=household.intake_efficiency,
        outflow_m3h=exchange.out_m3h - exchange.duct_supply_m3h,
        cleaners=tuple(
            Cleaner(name, airflow * (1.0 - household.return_leak), share, hours.on)
            for name, share in (("filter", fine), ("supply leak", lost))
        ),
    )
    series = solve(inputs, air_ug_m3)
    account = ledger(inputs, series)
    leaked_in_mg = leaked_in_ug_h.sum(axis=1) / _UG_PER_MG
    filtered_mg = account.filtered[0, 0] + fine * leaked_in_mg
    running_m3 = airflow * float(hours.on.sum())
    dust_mg = through * HOUSE_DUST.bin_fractions(DUST_GRID) * household.dust_ug_m3 * running_m3 / _UG_PER_MG
    caught_mg = dust_mg + np.append(filtered_mg, np.zeros(DUST_GRID.count - _FINE_BINS))
    indoor = series.mean[:PM25_BINS]
    total = indoor.sum(axis=0)
    one_pass = np.divide(fine[:PM25_BINS] @ indoor, total, out=np.zeros(total.shape), where=total > 0.0)
    drawn_m3h = airflow * (1.0 - household.return_leak) * hours.on
    mean_indoor = indoor.mean(axis=1)
    period = _Period(
        airflow_m3h=airflow,
        external_static_pa=point.external_static_pa,
        filter_drop_pa=point.filter_drop_pa,
        fan_power_w=point.fan_power_w,
        pm25_efficiency=float(fine[:PM25_BINS] @ mean_indoor / mean_indoor.sum()) if mean_indoor.any() else np.nan,
        fan_on_fraction=float(hours.on.mean()),
        energy_kwh=float(fan_energy_kwh(point.fan_power_w, hours.on.sum())),
        clean_air_m3h=float((drawn_m3h * one_pass).mean()),
        indoor_pm25_ug_m3=float(mean_indoor.sum()),
        outdoor_pm25_ug_m3=float(hours.outdoor_ug_m3[:PM25_BINS].sum(axis=0).mean()),
        entered_mg=float((account.entered[0] + leaked_in_mg).sum()),
        generated_mg=float(source.sum()) * hours.on.size / _UG_PER_MG,
        filtered_mg=float(filtered_mg.sum()),
        settled_mg=float(account.settled.sum()),
        carried_out_mg=float((account.carried_out[0] + account.filtered[0, 1] + lost * leaked_in_mg).sum()),
        stored_mg=float(account.stored.sum()),
        dust_caught_mg=float(dust_mg.sum()),
    )
    return period, Deposit.by_size(caught_mg, DUST_GRID.midpoints_um), series.end[:, -1]
