"""What is true of the simulated house, for comparison with what is estimated from its readings."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from .aerosol import Array
from .plant import SURVEYED_AIRFLOW_M3H, filter_drop_pa
from .room import DUCT_LEAKAGE, Account
from .shell import VOLUME_M3

TRACE_EVERY = 6


@dataclass(frozen=True)
class Event:
    """One meal cooked: from when to when, and the PM2.5 it gave off, mg."""

    start: datetime
    end: datetime
    emitted_mg: float


@dataclass(frozen=True)
class Ledger:
    """The true account of PM2.5 over the period, mg: what came, what took it, what more hangs in the air at the end.

    `filtered_mg` holds filter, coil and ducts; `entered_mg` and `carried_out_mg` hold shell, windows and duct leaks.
    """

    entered_mg: float
    generated_mg: float
    filtered_mg: float
    settled_mg: float
    carried_out_mg: float
    stored_mg: float


@dataclass(frozen=True)
class Truth:
    """Means over the period from `start` to `end`; None where the period shows no such moment (the fan never ran).

    `outdoor_entry_per_h`: PM2.5 entering through the shell per unit outdoor concentration and volume, windows shut.
    `loss_fan_off_per_h`: air change and deposition of the PM2.5 in the room, windows shut.
    `clean_air_delivered_m3h`: room air cleaned of PM2.5 by filter, coil and ducts while the fan runs.
    `installed_efficiency`: PM2.5 caught by the same in one pass of all the air that the blower moves, gaps included.
    `sensor_gain_ratio`: what the indoor sensor reads over what the outdoor sensor reads in the same air.
    `mean_indoor_pm25`: in the room's air, ug/m3. `air_change_per_h`: through the shell, windows shut.
    `airflow_m3h`: what the blower moves while it runs. `duct_leakage_m3h`: what of it leaks in, and as much out.
    `fan_share`: share of the time in which the fan runs. `drop_at_reference_pa`: filter drop at the surveyed airflow at
    the period's end.
    """

    start: datetime
    end: datetime
    outdoor_entry_per_h: float | None
    loss_fan_off_per_h: float | None
    clean_air_delivered_m3h: float | None
    installed_efficiency: float | None
    sensor_gain_ratio: float
    mean_indoor_pm25: float
    air_change_per_h: float | None
    airflow_m3h: float | None
    duct_leakage_m3h: float | None
    fan_share: float
    drop_at_reference_pa: float
    ledger: Ledger
    events: tuple[Event, ...]


@dataclass(frozen=True, eq=False)
class Trace:
    """The house's true course, one entry a stamp; `airflow_m3h` is 0 while the fan rests, `window_open` 0 or 1."""

    tick: NDArray[np.int64]
    pm25: Array
    account: Array
    infiltration_m3h: Array
    deposition_per_h: Array
    one_pass_efficiency: Array
    airflow_m3h: Array
    drop_pa: Array
    static_pa: Array
    window_open: Array

    @classmethod
    def joined(cls, parts: Sequence["Trace"]) -> "Trace":
        """Several traces in succession as one."""
        return cls(*(np.concatenate([getattr(part, field.name) for part in parts]) for field in fields(cls)))

    def between(self, first_tick: int, end_tick: int) -> "Trace":
        """The entries from `first_tick` to before `end_tick`."""
        low, high = np.searchsorted(self.tick, [first_tick, end_tick])
        return self._at(slice(low, high))

    def every(self, ticks: int) -> "Trace":
        """The entries at whole multiples of `ticks`."""
        return self._at(self.tick % ticks == 0)

    def _at(self, where: slice | NDArray[np.bool_]) -> "Trace":
        return Trace(*(getattr(self, field.name)[where] for field in fields(self)))


def truth_of(
    trace: Trace, start: datetime, end: datetime, events: tuple[Event, ...], penetration: float, gain: float
) -> Truth:
    """The truth of a trace between two times; raises ValueError if the trace holds no moment of it."""
    if len(trace.tick) == 0:
        raise ValueError(
            f"the house did not live between {start.isoformat()} and {end.isoformat()}; ask within its run"
        )
    shut, fan = trace.window_open == 0.0, trace.airflow_m3h > 0.0
    air_change = trace.infiltration_m3h / VOLUME_M3
    moved = trace.account[-1] - trace.account[0]
    return Truth(
        start=start,
        end=end,
        outdoor_entry_per_h=_mean(penetration * air_change, shut),
        loss_fan_off_per_h=_mean(air_change + trace.deposition_per_h, shut),
        clean_air_delivered_m3h=_mean((1.0 - DUCT_LEAKAGE) * trace.airflow_m3h * trace.one_pass_efficiency, fan),
        installed_efficiency=_mean(trace.one_pass_efficiency, fan),
        sensor_gain_ratio=gain,
        mean_indoor_pm25=float(trace.pm25.mean()),
        air_change_per_h=_mean(air_change, shut),
        airflow_m3h=_mean(trace.airflow_m3h, fan),
        duct_leakage_m3h=_mean(DUCT_LEAKAGE * trace.airflow_m3h, fan),
        fan_share=float(fan.mean()),
        drop_at_reference_pa=filter_drop_pa(SURVEYED_AIRFLOW_M3H, float(trace.account[-1, Account.DUST_G])),
        ledger=Ledger(
            entered_mg=float(moved[Account.ENTERED]),
            generated_mg=float(moved[Account.GENERATED]),
            filtered_mg=float(moved[Account.FILTERED]),
            settled_mg=float(moved[Account.SETTLED]),
            carried_out_mg=float(moved[Account.CARRIED_OUT]),
            stored_mg=float(trace.pm25[-1] - trace.pm25[0]) * VOLUME_M3 / 1000.0,
        ),
        events=events,
    )


def _mean(values: Array, where: NDArray[np.bool_]) -> float | None:
    return float(values[where].mean()) if where.any() else None
