"""The air at the end of a period: now, over the day, and against the published index and guideline."""

import numpy as np

from motemodel import indices
from motemodel.bounds import FloatArray
from motemodel.estimate import Estimate

from ..settings import House
from .assessment import Air, Figure, NotKnown
from .figures import figure
from .grid import GriddedHouse

_SENSOR_RELATIVE, _SENSOR_ABSOLUTE = 0.15, 2.0
"""A low-cost particle sensor as installed: 15 % and 2 ug/m3 (common practice, no source)."""

_NOW_H, _OUTDOOR_PATIENCE_H = 0.5, 3.0
_SENTENCES = (
    "The air indoors is good.",
    "The air indoors is fair; few people notice it.",
    "The air indoors is poor for children, the old and people with weak heart or lungs.",
    "The air indoors is unhealthy for everyone.",
    "The air indoors is very unhealthy.",
    "The air indoors is hazardous.",
)
"""One for each category of the US index, the best first."""


def air(house: House, grid: GriddedHouse) -> Air:
    """The air now, as the sensors read it after their declared correction."""
    indoor, outdoor = grid.values_or_nan("indoor.pm25"), grid.values_or_nan("outdoor.pm25")
    step_h = grid.grid.step_h
    hourly = _last_hours(indoor, step_h, 24)
    nowcast = _known(indices.nowcast(hourly)[-1])
    index = None if nowcast is None else int(indices.air_quality_index(nowcast))
    return Air(
        time=grid.moment(grid.grid.end_h),
        indoor_pm25=_latest(indoor, step_h, _NOW_H),
        outdoor_pm25=_latest(outdoor, step_h, _OUTDOOR_PATIENCE_H),
        nowcast_pm25=_sensed(nowcast, "fewer than two of the last three hours are known"),
        index=index,
        category=None if index is None else indices.category(index).name,
        indoor_day_mean_pm25=_sensed(
            _known(indices.running_mean(hourly, hourly.size)[-1]), "less than 18 of the last 24 hours are known"
        ),
        guideline_day_pm25=indices.WHO_PM25_DAY.value_ug_m3,
        sentence=_sentence(index, house, hourly),
    )


def _sentence(index: int | None, house: House, hourly: FloatArray) -> str:
    if index is None:
        return "How the air indoors is cannot be told yet: the last hours are not known."
    latest = float(hourly[np.isfinite(hourly)][-1])
    target = house.targets.pm25
    beside = "above" if latest > target else "within"
    sentence = _SENTENCES[indices.CATEGORIES.index(indices.category(index))]
    return f"{sentence} The last hour's PM2.5 is {beside} the {target:g} µg/m³ wished for."


def _last_hours(values: FloatArray, step_h: float, hours: int) -> FloatArray:
    """Hourly means up to the end, oldest first; an hour known by less than three quarters is NaN."""
    per_hour = round(1.0 / step_h)
    last = values[-hours * per_hour :]
    padded = np.concatenate((np.full(hours * per_hour - last.size, np.nan), last))
    return indices.block_mean(np.maximum(padded, indices.LOWEST_UG_M3), per_hour)


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _latest(values: FloatArray, step_h: float, patience_h: float) -> Figure:
    """The newest step known, if it is no older than `patience_h`."""
    recent = values[-max(1, round(patience_h / step_h)) :]
    known = recent[np.isfinite(recent)]
    latest = float(known[-1]) if known.size else None
    return _sensed(latest, f"no reading in the last {patience_h:g} h")


def _sensed(value: float | None, reason: str) -> Figure:
    if value is None:
        return NotKnown(reason=reason)
    # A sensor's noise may bring clean air below zero; the air itself is not.
    value = max(value, 0.0)
    half = float(np.hypot(_SENSOR_RELATIVE * value, _SENSOR_ABSOLUTE))
    return figure(Estimate(value, max(value - half, 0.0), value + half), "ug/m3")
