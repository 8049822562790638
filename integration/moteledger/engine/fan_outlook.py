"""The hours ahead of a house: outdoor air, calls, quiet hours, the rest after cooling, and what today already holds."""

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from motemodel.bounds import FloatArray
from motemodel.plan import (
    AirTarget,
    Forecast,
    Outlook,
    barred_after_cooling,
    call_habit,
    outdoor_forecast,
    temperature_forecast,
    usual_share_by_hour,
)

from ..settings import House
from ..store import Series
from .grid import GriddedHouse
from .supplied_forecast import following

BoolArray = NDArray[np.bool_]

HORIZON_H = 48
STEP = timedelta(minutes=5)
_MOMENT = timedelta(microseconds=1)
STEP_H = STEP / timedelta(hours=1)

_PER_HOUR = round(1.0 / STEP_H)
_US_PER_H = 3_600_000_000
_GUARD_H = 0.25
_GUARD_FROM_PERCENT = 50.0
"""Rest after each cooling call where the house is as humid as this, or nobody knows (common practice, no source)."""
_USUAL_CALL_H = 0.25
_LEAST_KNOWN = 0.5


@dataclass(frozen=True)
class Ahead:
    """What lies ahead of `now`.

    `outlook` on the forecast's expected air; `days` (T,): the local calendar day of each step, 0 for today, each of
    `day_h` (K,) hours, 23 and 25 where the clocks are changed; `since_midnight_h` of today's are gone, `today_h` of
    them known, with the mean `today_ug_m3`;
    `guarded`: whether the fan is kept from running after cooling calls; `supplied_h`: how many hours a supplied
    forecast covers, nought where there is none of use; `stale_h`: the age of one that is left aside for it, or nought.
    """

    now: datetime
    outlook: Outlook
    forecast: Forecast
    days: NDArray[np.intp]
    day_h: FloatArray
    since_midnight_h: float
    today_h: float
    today_ug_m3: float
    supplied_h: int = 0
    stale_h: float = 0.0

    @property
    def guarded(self) -> bool:
        """Whether the fan is kept from running after cooling calls."""
        return self.outlook.barred is not None

    def under(self, outdoor_by_hour: FloatArray) -> Outlook:
        """The same hours with other outdoor air, given by the hour."""
        return replace(self.outlook, outdoor_ug_m3=np.repeat(outdoor_by_hour, _PER_HOUR))

    def certain(self, outdoor_by_hour: FloatArray) -> "Ahead":
        """The same hours were the outdoor air ahead known to be this, by the hour."""
        forecast = Forecast(outdoor_by_hour, outdoor_by_hour, outdoor_by_hour)
        return replace(self, outlook=self.under(outdoor_by_hour), forecast=forecast)

    def unguarded(self) -> "Ahead":
        """The same hours without the rest after cooling."""
        return replace(self, outlook=replace(self.outlook, barred=None))

    def target(self, mean_ug_m3: float, *, forgiving: bool) -> AirTarget:
        """The target by calendar days; a `forgiving` one does not ask today's rest to make up for a poor beginning."""
        past = min(self.today_ug_m3, mean_ug_m3) if forgiving else self.today_ug_m3
        return AirTarget(mean_ug_m3, self.days, self.today_h, past)


@dataclass(frozen=True)
class _Hourly:
    """The past as hours, (N,) each: outdoor PM2.5 and temperature, shares called and cooled, local hour of the day."""

    outdoor_ug_m3: FloatArray
    outdoor_c: FloatArray
    called: FloatArray
    cooled: FloatArray
    hour_of_day: NDArray[np.intp]


def ahead(
    house: House, gridded: GriddedHouse, supplied: Series | None = None, *, forecast_age_h: float | None = None
) -> Ahead:
    """What lies ahead of the end of the period, from the house's own past and a `supplied` outdoor forecast.

    A forecast that is known to be older than the house file lets it stand is left aside; one of unknown age is taken.
    """
    now = gridded.moment(gridded.grid.end_h)
    local = now.astimezone(house.zone)
    since_midnight_h = (now - _midnight(local.date(), house.zone)) / timedelta(hours=1)
    past = _hourly(house, gridded)
    forecast = outdoor_forecast(past.outdoor_ug_m3, past.hour_of_day, HORIZON_H)
    supplied_h = 0
    stale_h = forecast_age_h if forecast_age_h is not None and forecast_age_h > house.fan.forecast_stands else 0.0
    if supplied is not None and not stale_h:
        time_h = (supplied.time_us - gridded.origin_us) / _US_PER_H
        forecast, supplied_h = following(
            time_h, supplied.value, past.outdoor_ug_m3, gridded.grid.end_h, forecast, age_h=forecast_age_h or 0.0
        )
    called = np.repeat(_expected_share(past.called, past), _PER_HOUR)
    outlook = Outlook(
        step_h=STEP_H,
        outdoor_ug_m3=np.repeat(forecast.expected, _PER_HOUR),
        called=called,
        allowed=_allowed(house, now, HORIZON_H * _PER_HOUR),
        start_ug_m3=_start(gridded),
        into_hour_h=local.minute / 60.0 + local.second / 3600.0,
        barred=_barred(gridded, past, called),
    )
    return Ahead(
        now,
        outlook,
        forecast,
        *_local_days(house.zone, now, outlook.steps),
        since_midnight_h,
        *_today(gridded, since_midnight_h),
        supplied_h,
        stale_h,
    )


def _midnight(day: date, zone: tzinfo) -> datetime:
    """The moment at which a local day begins, in UTC: between such moments hours are true ones."""
    return datetime.combine(day, time(), zone).astimezone(UTC)


def _local_days(zone: tzinfo, now: datetime, steps: int) -> tuple[NDArray[np.intp], FloatArray]:
    """The local calendar day of each step by its middle, 0 for today, (T,), and the hours that each such day has."""
    today = now.astimezone(zone).date()
    day = [((now + (k + 0.5) * STEP).astimezone(zone).date() - today).days for k in range(steps)]
    midnights = [_midnight(today + timedelta(days=k), zone) for k in range(day[-1] + 2)]
    return np.array(day, dtype=np.intp), np.array([(b - a) / timedelta(hours=1) for a, b in pairwise(midnights)])


def _expected_share(share: FloatArray, past: _Hourly) -> FloatArray:
    """Share of each hour ahead in which something runs: by the temperature ahead, else as usual for the hour."""
    habit = call_habit(share, past.outdoor_c)
    if habit is not None:
        return habit.share(temperature_forecast(past.outdoor_c, past.hour_of_day, HORIZON_H))
    hours = (past.hour_of_day[-1] + 1 + np.arange(HORIZON_H)) % 24
    return np.asarray(usual_share_by_hour(share, past.hour_of_day)[hours])


def _barred(gridded: GriddedHouse, past: _Hourly, called: FloatArray) -> FloatArray | None:
    """The rest after cooling calls, those expected and the one that may just have ended; None in dry houses."""
    cooling = gridded.values("cooling.running")
    if cooling is None or _humidity(gridded) < _GUARD_FROM_PERCENT:
        return None
    expected = np.repeat(_expected_share(past.cooled, past), _PER_HOUR)
    barred = np.minimum(barred_after_cooling(expected, _GUARD_H, _call_h(cooling, gridded.grid.step_h)), 1.0 - called)
    ran = np.flatnonzero(np.nan_to_num(cooling) > 0.0)
    if ran.size:
        rested_h = (cooling.size - 1 - int(ran[-1])) * gridded.grid.step_h
        still = max(int(np.ceil((_GUARD_H - rested_h) / STEP_H - 1e-9)), 0)
        barred[:still] = 1.0 - called[:still]
    return np.asarray(barred) if barred.any() else None


def _humidity(gridded: GriddedHouse) -> float:
    """Relative humidity indoors, %, as last known; infinite where nobody knows."""
    values = gridded.values_or_nan("indoor.humidity")
    known = values[np.isfinite(values)]
    return float(known[-1]) if known.size else np.inf


def _call_h(cooling: FloatArray, step_h: float) -> float:
    """Usual length of a cooling call, h."""
    on = np.nan_to_num(cooling) > 0.5
    starts = int(np.count_nonzero(on[1:] & ~on[:-1])) + int(on[0])
    return float(np.clip(np.count_nonzero(on) * step_h / starts, 0.1, 2.0)) if starts else _USUAL_CALL_H


def _hourly(house: House, gridded: GriddedHouse) -> _Hourly:
    """The hours of the period, the last one ending now; the first may be known in part."""
    per_hour = round(1.0 / gridded.grid.step_h)
    count = -(-gridded.grid.count // per_hour)
    calls = [gridded.values(name) for name in ("heating.running", "cooling.running")]
    known = [call for call in calls if call is not None]
    nothing = np.zeros(gridded.grid.count)
    cooling = gridded.values("cooling.running")
    end_h = gridded.grid.end_h
    hours = [gridded.moment(end_h - (count - k)).astimezone(house.zone).hour for k in range(count)]
    return _Hourly(
        outdoor_ug_m3=_means(gridded.values_or_nan("outdoor.pm25"), per_hour),
        outdoor_c=_means(gridded.values_or_nan("outdoor.temperature"), per_hour),
        called=_means(np.fmax.reduce(known) if known else nothing, per_hour),
        cooled=_means(nothing if cooling is None else cooling, per_hour),
        hour_of_day=np.array(hours, dtype=np.intp),
    )


def _means(values: FloatArray, width: int) -> FloatArray:
    """Means of `width` values each, counted from the end; NaN where none is known."""
    rows = np.concatenate((np.full(-values.size % width, np.nan), values)).reshape(-1, width)
    known = np.isfinite(rows)
    count = known.sum(axis=1)
    return np.where(count > 0, np.where(known, rows, 0.0).sum(axis=1) / np.maximum(count, 1), np.nan)


def _allowed(house: House, now: datetime, steps: int) -> BoolArray:
    """Where the fan may be run for the air: in steps that neither begin nor end within quiet hours."""

    def is_quiet(moment: datetime) -> bool:
        local = moment.astimezone(house.zone).time()
        return any(quiet.holds(local) for quiet in house.quiet_hours)

    begins = [now + k * STEP for k in range(steps)]
    return np.array([not (is_quiet(begin) or is_quiet(begin + STEP - _MOMENT)) for begin in begins])


def _start(gridded: GriddedHouse) -> float:
    indoor = gridded.values_or_nan("indoor.pm25")
    return max(float(indoor[np.isfinite(indoor)][-1]), 0.0)


def _today(gridded: GriddedHouse, since_midnight_h: float) -> tuple[float, float]:
    """Hours of the local day that are known and their mean, ug/m3; nothing where too little of it is known."""
    steps = min(round(since_midnight_h / gridded.grid.step_h), gridded.grid.count)
    today = gridded.values_or_nan("indoor.pm25")[gridded.grid.count - steps :]
    known = today[np.isfinite(today)]
    if known.size == 0 or known.size < _LEAST_KNOWN * steps:
        return 0.0, 0.0
    return known.size * gridded.grid.step_h, max(float(known.mean()), 0.0)
