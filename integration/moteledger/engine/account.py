"""The account of a period: which rates it is kept with, the exact balance over it, and the ledger by day.

PM2.5 is kept as one size class, because that is what the sensors tell; its rates are those identified from the house's
own readings or, where these cannot tell yet, those that the survey leads one to expect.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Literal

import numpy as np

from motemodel import balance
from motemodel.balance import Cleaner, Inputs, Series
from motemodel.bounds import FloatArray
from motemodel.estimate import Z_90, Answer, Estimate, Event, GainPrior, Identification

from ..settings import House
from ..store import to_us
from .assessment import DeviceMass, Ledger, LedgerDay, MassBounds
from .figures import product
from .grid import GriddedHouse
from .survey import PM25_PENETRATION, Survey, filled

FILTER = "filter, coil and ducts"
_UG_PER_MG = 1000.0
_NOTHING = Estimate(0.0, 0.0, 0.0)
_LEAST_GAIN = 0.05
"""A sensor that reads less than this of the air is none, and masses may not be divided by it."""


@dataclass(frozen=True)
class Rates:
    """What the account is kept with: rates of PM2.5 in the house's true air, and on what they rest.

    `entry_per_h` P a, `fan_extra_entry_per_h` what leaky ducts add to it while the fan runs, `loss_per_h` with the fan
    off, `air_change_per_h` the part of it that leaves with air, all 1/h; `delivered_m3h` while the fan runs.
    `gain` is what the indoor sensor reads over the true air; where nothing tells it, one, give or take what is usual.
    """

    entry_per_h: Estimate
    fan_extra_entry_per_h: float
    loss_per_h: Estimate
    air_change_per_h: Estimate
    delivered_m3h: Estimate
    gain: Estimate
    basis: str


@dataclass(frozen=True)
class Account:
    """The ledger of a period, and the series it was kept from in the indoor sensor's scale, (T,) ug/m3."""

    ledger: Ledger
    modelled_ug_m3: FloatArray
    filtered_mg: Estimate
    remarks: tuple[str, ...]


def rates_of(identification: Identification, expected: Survey) -> Rates:
    """Choose each rate: identified where the readings tell it, else expected from the survey, and say which."""
    surveyed: list[str] = []
    unknown: list[str] = []

    def chosen(name: str, identified: Answer, fallback: Answer) -> Estimate:
        if isinstance(identified, Estimate):
            return identified
        (surveyed if isinstance(fallback, Estimate) else unknown).append(name)
        return fallback if isinstance(fallback, Estimate) else _NOTHING

    entry = chosen("entry", identification.outdoor_entry_per_h, expected.entry_per_h)
    loss = chosen("loss", identification.loss_fan_off_per_h, expected.loss_fan_off_per_h)
    delivered = chosen("clean air", identification.clean_air_delivered_m3h, expected.clean_air_delivered_m3h)
    extra = identification.fan_extra_entry_per_h
    gain = identification.sensor_gain_ratio
    return Rates(
        entry_per_h=entry,
        fan_extra_entry_per_h=max(extra.value, 0.0) if isinstance(extra, Estimate) else 0.0,
        loss_per_h=loss,
        air_change_per_h=_air_change(entry, loss),
        delivered_m3h=Estimate(max(delivered.value, 0.0), max(delivered.low, 0.0), max(delivered.high, 0.0)),
        gain=_gain(gain),
        basis=_basis(surveyed, unknown),
    )


def _gain(told: Answer) -> Estimate:
    if isinstance(told, Estimate):
        return Estimate(*(max(number, _LEAST_GAIN) for number in (told.value, told.low, told.high)))
    usual = GainPrior()
    half = Z_90 * usual.relative_sd * usual.ratio
    return Estimate(usual.ratio, usual.ratio - half, usual.ratio + half)


def _basis(surveyed: Sequence[str], unknown: Sequence[str]) -> str:
    said = []
    if surveyed:
        said.append(f"{', '.join(surveyed)} from the survey, since the readings cannot tell yet")
    if unknown:
        said.append(f"{', '.join(unknown)} not known and counted as nought")
    return "; ".join(said) or "rates identified from the readings"


def _air_change(entry: Estimate, loss: Estimate) -> Estimate:
    """Air change from the entry rate: between entry (all particles pass the shell) and the whole loss."""
    value = min(entry.value / PM25_PENETRATION.value, 0.95 * loss.value)
    return Estimate(value, min(entry.low, value), max(min(entry.high / PM25_PENETRATION.low, loss.high), value))


def account(house: House, gridded: GriddedHouse, rates: Rates, events: Sequence[Event]) -> Account:
    """Balance the period with the given rates and events (their masses on the indoor sensor's scale)."""
    outdoor, indoor = gridded.values_or_nan("outdoor.pm25"), gridded.values_or_nan("indoor.pm25")
    fan, step_h = gridded.fan, gridded.grid.step_h
    running = np.where(np.isfinite(fan), fan, 0.0)
    volume = house.house.volume_m3
    air_change = rates.air_change_per_h.value
    extra_m3h = rates.fan_extra_entry_per_h * volume * running
    inputs = Inputs(
        volume_m3=volume,
        step_h=step_h,
        outdoor_ug_m3=np.maximum(filled(outdoor), 0.0)[np.newaxis, :],
        infiltration_m3h=air_change * volume,
        penetration=min(rates.entry_per_h.value / air_change, 1.0) if air_change > 0.0 else 0.0,
        # What leaky ducts bring in has passed the filter; what reaches the rooms counts as entering unfiltered.
        intake_m3h=extra_m3h,
        deposition_per_h=max(rates.loss_per_h.value - air_change, 0.0),
        emission_ug_h=_emission(gridded, events, rates.gain.value)[np.newaxis, :],
        outflow_m3h=air_change * volume + extra_m3h,
        cleaners=(Cleaner(FILTER, rates.delivered_m3h.value, 1.0, running),),
    )
    known = np.flatnonzero(np.isfinite(indoor))
    series = balance.solve(inputs, max(float(indoor[known[0]]), 0.0) / rates.gain.value)
    document = _ledger(house, gridded, inputs, series, rates, events)
    device = next((bound for bound in document.bounds if bound.entry == "filtered"), None)
    filtered = document.filtered_mg
    return Account(
        ledger=document,
        modelled_ug_m3=series.mean[0] * rates.gain.value,
        filtered_mg=Estimate(filtered, device.low_mg, device.high_mg) if device else Estimate(filtered, 0.0, filtered),
        remarks=_remarks(gridded, outdoor, fan),
    )


def _emission(gridded: GriddedHouse, events: Sequence[Event], gain: float) -> FloatArray:
    """What was made indoors, ug/h over each step, in true mass: each event's mass spread over its time."""
    emission = np.zeros(gridded.grid.count)
    edges = gridded.grid.edges_h
    for event in events:
        overlap_h = np.clip(np.minimum(edges[1:], event.end_h) - np.maximum(edges[:-1], event.start_h), 0.0, None)
        if overlap_h.any():
            emission += event.emitted_mg.value * _UG_PER_MG / gain * overlap_h / overlap_h.sum() / gridded.grid.step_h
    return emission


def _ledger(
    house: House,
    gridded: GriddedHouse,
    inputs: Inputs,
    series: Series,
    rates: Rates,
    events: Sequence[Event],
) -> Ledger:
    starts, days = _days(house, gridded)
    by_day = balance.ledger(inputs, series, starts)
    whole = balance.ledger(inputs, series)

    def mass(entry: str, row: int | None = None) -> float:
        values: FloatArray = getattr(whole if row is None else by_day, entry)
        return float(values[0 if row is None else row].sum())

    return Ledger(
        basis=f"PM2.5 as one size class, {rates.basis}",
        entered_mg=mass("entered"),
        generated_mg=mass("generated"),
        filtered_mg=mass("filtered"),
        settled_mg=mass("settled"),
        carried_out_mg=mass("carried_out"),
        stored_mg=mass("stored"),
        closure=max(whole.closure, by_day.closure),
        by_device=tuple(
            DeviceMass(device=device, filtered_mg=float(whole.filtered[0, column].sum()))
            for column, device in enumerate(whole.devices)
        ),
        by_day=tuple(
            LedgerDay(
                day=day,
                entered_mg=mass("entered", row),
                generated_mg=mass("generated", row),
                filtered_mg=mass("filtered", row),
                settled_mg=mass("settled", row),
                carried_out_mg=mass("carried_out", row),
                stored_mg=mass("stored", row),
            )
            for row, day in enumerate(days)
        ),
        bounds=_bounds(rates, events, {name: mass(name) for name in ("entered", "filtered", "settled", "carried_out")}),
    )


def _bounds(rates: Rates, events: Sequence[Event], masses: dict[str, float]) -> tuple[MassBounds, ...]:
    """Bounds of each entry: a mass is a rate times what was measured, so it is as uncertain as the two.

    What leaves is reckoned from the indoor sensor, whose gain therefore counts; the entry rate's interval has it in it.
    """
    gain = rates.gain
    true_per_read = Estimate(1.0, gain.value / gain.high, gain.value / gain.low)
    settling = rates.loss_per_h.value - rates.air_change_per_h.value
    settling_low = max(rates.loss_per_h.low - rates.air_change_per_h.high, 0.0)
    settling_high = max(rates.loss_per_h.high - rates.air_change_per_h.low, settling)
    entries: tuple[tuple[Literal["entered", "filtered", "settled", "carried_out"], Estimate], ...] = (
        ("entered", rates.entry_per_h),
        ("filtered", product(rates.delivered_m3h, true_per_read)),
        (
            "settled",
            product(
                Estimate(max(settling, 0.0), min(settling_low, max(settling, 0.0)), max(settling_high, 0.0)),
                true_per_read,
            ),
        ),
        ("carried_out", product(rates.air_change_per_h, true_per_read)),
    )
    bounds = [
        MassBounds(
            entry=entry, low_mg=masses[entry] * rate.low / rate.value, high_mg=masses[entry] * rate.high / rate.value
        )
        for entry, rate in entries
        if rate.value > 0.0
    ]
    read = [sum(getattr(event.emitted_mg, end) for event in events) for end in ("value", "low", "high")]
    made = product(Estimate(*read), true_per_read)
    return (
        *bounds,
        MassBounds(entry="generated", low_mg=made.low / gain.value, high_mg=made.high / gain.value),
    )


def _days(house: House, gridded: GriddedHouse) -> tuple[list[int], list[date]]:
    """The first step of each local day, and the days."""
    grid = gridded.grid
    first = gridded.moment(grid.start_h).astimezone(house.zone).date()
    starts, days = [0], [first]
    day = first
    while True:
        day += timedelta(days=1)
        midnight = _local_midnight(house, day)
        step = int(np.ceil((gridded.hours(midnight) - grid.start_h) / grid.step_h - 1e-9))
        if step >= grid.count:
            break
        if step > starts[-1]:
            starts.append(step)
            days.append(day)
        else:
            days[-1] = day
    return starts, days


def _local_midnight(house: House, day: date) -> int:
    return to_us(datetime.combine(day, time(), house.zone))


def _remarks(gridded: GriddedHouse, outdoor: FloatArray, fan: FloatArray) -> tuple[str, ...]:
    step_h = gridded.grid.step_h
    unknown_outdoor_h = np.count_nonzero(~np.isfinite(outdoor)) * step_h
    unknown_fan_h = np.count_nonzero(~np.isfinite(fan)) * step_h
    window = gridded.values("window.open")
    open_h = 0.0 if window is None else float(np.nansum(window)) * step_h
    said = (
        (unknown_outdoor_h, "outdoor PM2.5 is not known for {:.1f} h; the account bridges them by straight lines"),
        (unknown_fan_h, "the fan's state is not known for {:.1f} h; the account takes it as resting"),
        (open_h, "windows stood open for {:.1f} h; the account keeps them as shut, so those hours are less certain"),
    )
    return tuple(text.format(hours) for hours, text in said if hours > 0.05)
