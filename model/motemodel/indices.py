"""Averages of PM2.5 and the published scales to hold them against: NowCast, the US index, the WHO guideline values.

Missing values are NaN everywhere, in and out: an average of too few values is missing, never guessed. Sensors and
monitors read a little below zero in clean air; such values stay in the averages, for leaving them out or raising them
would bias the mean upward, and only the index of a mean below zero is that of zero. A value below `LOWEST_UG_M3` or
above `HIGHEST_UG_M3` is a fault and not air, and is refused by ValueError: clean the series before.
"""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike

from .bounds import FloatArray

LOWEST_UG_M3 = -10.0
"""Lowest hourly PM2.5 that the US reporting system takes from a continuous monitor as noise about zero (AQS, EPA)."""
HIGHEST_UG_M3 = 1e6
"""One gram in a cubic metre: no air that a person meets."""
COMPLETENESS = 0.75
"""Share of the values of a period that its mean needs: 45 minutes of an hour, 18 hours of a day (40 CFR 50 App. N)."""
NOWCAST_HOURS = 12
"""Hours that NowCast looks back."""


def block_mean(values_ug_m3: ArrayLike, block: int, completeness: float = COMPLETENESS) -> FloatArray:
    """Mean of each whole block of values, as of the hours of a series of minutes, ug/m3.

    `values_ug_m3` (T,), evenly spaced, NaN where missing; `block` values make one mean, counted from the first; values
    after the last whole block are left out. Returns (T // block,), NaN where fewer than `completeness` of a block is
    there. Raises ValueError for a series that is not one row of air, a block below one, or a share outside 0..1.

    >>> block_mean([4.0, 6.0, float("nan"), float("nan")], 2)
    array([ 5., nan])
    """
    values = _series("values_ug_m3", values_ug_m3)
    _check_window("block", block, completeness)
    whole = values[: values.size // block * block].reshape(-1, block)
    present = ~np.isnan(whole)
    return _mean_where_enough(np.where(present, whole, 0.0).sum(axis=1), present.sum(axis=1), block, completeness)


def running_mean(values_ug_m3: ArrayLike, window: int, completeness: float = COMPLETENESS) -> FloatArray:
    """Mean of the last `window` values up to and with each one, ug/m3: the trailing day of a series of hours.

    `values_ug_m3` (T,), evenly spaced, NaN where missing. Returns (T,), NaN where fewer than `completeness` of the
    window is there, the time before the series counted as missing. Raises ValueError as `block_mean`.

    >>> running_mean([2.0, 4.0, 6.0], 2)
    array([nan,  3.,  5.])
    """
    values = _series("values_ug_m3", values_ug_m3)
    _check_window("window", window, completeness)
    present = ~np.isnan(values)
    sums = _trailing_sum(np.where(present, values, 0.0), window)
    return _mean_where_enough(sums, _trailing_sum(present.astype(np.float64), window), window, completeness)


@dataclass(frozen=True)
class Category:
    """One row of the US index: its published name, and its ends in the index and in ug/m3.

    Above the last row the same line goes on: `high_index` is its end for reckoning, not for the category.
    """

    name: str
    low_index: int
    high_index: int
    low_ug_m3: float
    high_ug_m3: float


@dataclass(frozen=True)
class IndexScale:
    """The US index of a pollutant: its rows, and the parts of 1 ug/m3 to which concentrations are cut."""

    pollutant: str
    parts_per_ug_m3: int
    rows: tuple[Category, ...]


PM25_INDEX = IndexScale(
    "PM2.5",
    10,
    (
        Category("Good", 0, 50, 0.0, 9.0),
        Category("Moderate", 51, 100, 9.1, 35.4),
        Category("Unhealthy for Sensitive Groups", 101, 150, 35.5, 55.4),
        Category("Unhealthy", 151, 200, 55.5, 125.4),
        Category("Very Unhealthy", 201, 300, 125.5, 225.4),
        Category("Hazardous", 301, 500, 225.5, 325.4),
    ),
)
PM10_INDEX = IndexScale(
    "PM10",
    1,
    (
        Category("Good", 0, 50, 0.0, 54.0),
        Category("Moderate", 51, 100, 55.0, 154.0),
        Category("Unhealthy for Sensitive Groups", 101, 150, 155.0, 254.0),
        Category("Unhealthy", 151, 200, 255.0, 354.0),
        Category("Very Unhealthy", 201, 300, 355.0, 424.0),
        Category("Hazardous", 301, 500, 425.0, 604.0),
    ),
)
"""The US index since May 2024: 40 CFR 58 App. G, table 2 (89 FR 16202), and EPA (2024), table 6."""
CATEGORIES = PM25_INDEX.rows
"""The rows of PM2.5; names and index values are those of every pollutant."""
INDEX_END = CATEGORIES[-1].high_index
"""Above it a value is "beyond the AQI"; the advice is that of the highest category."""


def nowcast(hourly_ug_m3: ArrayLike, scale: IndexScale = PM25_INDEX) -> FloatArray:
    """NowCast at each hour from it and the eleven before, ug/m3, cut as EPA reports it: PM2.5 to 0.1, PM10 to 1.

    A weighted mean of the hours that are there, the newest with weight one and each older hour with w times that of the
    next; w = 1 - (highest - lowest)/highest of the twelve, but one half at least: steady air is averaged over twelve
    hours, changing air over about two. NaN where fewer than two of the newest three hours are there. Air in which no
    hour is above zero is averaged evenly, and a result below zero is given as zero.

    `hourly_ug_m3` (T,), oldest first, NaN where missing; the time before the series counts as missing. Returns (T,).
    Source: EPA, Technical Assistance Document for the Reporting of Daily Air Quality (2024), and AirNow, NowCast for
    particles (2013). Raises ValueError for a series that is not one row of air.

    >>> nowcast([20.0, 20.0, 20.0])
    array([nan, 20., 20.])
    """
    values = _series("hourly_ug_m3", hourly_ug_m3)
    before = np.full(NOWCAST_HOURS, np.nan)
    # One row an hour, oldest of its twelve first; the row of nothing but `before` is no hour's.
    twelve = sliding_window_view(np.concatenate([before, values]), NOWCAST_HOURS)[1:]
    present = ~np.isnan(twelve)
    highest = np.where(present, twelve, -np.inf).max(axis=1, initial=-np.inf)
    lowest = np.where(present, twelve, np.inf).min(axis=1, initial=np.inf)
    in_air = (highest > 0.0) & np.isfinite(highest)
    weight = np.clip(np.divide(lowest, highest, out=np.ones_like(highest), where=in_air), 0.5, 1.0)
    weights = np.where(present, weight[:, np.newaxis] ** np.arange(NOWCAST_HOURS - 1, -1, -1), 0.0)
    enough = present[:, -3:].sum(axis=1) >= 2
    weighted = (weights * np.where(present, twelve, 0.0)).sum(axis=1)
    mean = np.divide(weighted, weights.sum(axis=1), out=np.full(values.size, np.nan), where=enough)
    return np.maximum(_whole_parts(mean, scale) / scale.parts_per_ug_m3, 0.0)


def air_quality_index(mean_ug_m3: ArrayLike, scale: IndexScale = PM25_INDEX) -> FloatArray:
    """The US index of 24-hour means or NowCasts, whole numbers in the shape given, NaN where missing.

    The concentration is cut (PM2.5 to 0.1 ug/m3, PM10 to 1), the index read from the straight line of its row of the
    scale and rounded to the nearest whole number, halves up (equation 1 of the source). Above the last row (325.4 ug/m3
    of PM2.5, 604 of PM10) its line goes on, so that the index passes 500: "beyond the AQI". A mean below zero has the
    index of zero. Reckoned in whole parts, so that no rounding of the machine moves a value over a breakpoint.

    Raises ValueError for a value that is no number, or no air.

    >>> air_quality_index([9.0, 35.9, 325.4]).tolist()
    [50.0, 102.0, 500.0]
    >>> float(air_quality_index(150.9, PM10_INDEX))
    98.0
    """
    values = _air("mean_ug_m3", mean_ug_m3)
    missing = np.isnan(values)
    parts = np.maximum(_whole_parts(np.where(missing, 0.0, values), scale), 0.0).astype(np.int64)
    low, high = (
        np.array([round(scale.parts_per_ug_m3 * end) for end in ends])
        for ends in ([row.low_ug_m3 for row in scale.rows], [row.high_ug_m3 for row in scale.rows])
    )
    low_index, high_index = np.array([(row.low_index, row.high_index) for row in scale.rows]).T
    row = np.searchsorted(low, parts, side="right") - 1
    run, rise = (high - low)[row], (high_index - low_index)[row]
    index = low_index[row] + (2 * rise * (parts - low[row]) + run) // (2 * run)
    return np.where(missing, np.nan, index.astype(np.float64))


def category(index: float) -> Category:
    """The category of a value of the index; one beyond the end of the index is in the highest.

    Raises ValueError for a value that is missing, negative or not whole.

    >>> category(102).name
    'Unhealthy for Sensitive Groups'
    """
    if not (index >= 0 and index == np.floor(index) and np.isfinite(index)):
        raise ValueError(f"index: {index:g} is no value of the index; give a whole number from 0")
    return next(row for row in reversed(CATEGORIES) if index >= row.low_index)


def is_beyond_index(index: float) -> bool:
    """Whether a value is past the end of the published index, 500."""
    return index > INDEX_END


@dataclass(frozen=True)
class Guideline:
    """A WHO guideline value, ug/m3, and the interim targets on the way to it, the highest first.

    That for 24 hours is the 99th percentile of the days of a year: three or four days may exceed it.
    """

    pollutant: str
    averaging: str
    value_ug_m3: float
    interim_targets_ug_m3: tuple[float, ...]

    def reached(self, mean_ug_m3: float) -> str:
        """What a mean over the averaging time meets: "guideline", "interim target 4" to "interim target 1", or "none".

        A mean that equals a value meets it. Raises ValueError for a mean that is missing or no air.

        >>> WHO_PM25_DAY.reached(20.0)
        'interim target 4'
        """
        if np.isnan(_air("mean_ug_m3", mean_ug_m3)):
            raise ValueError("mean_ug_m3: the mean is missing (NaN); give a mean of enough values")
        if mean_ug_m3 <= self.value_ug_m3:
            return "guideline"
        met = [number for number, target in enumerate(self.interim_targets_ug_m3, 1) if mean_ug_m3 <= target]
        return f"interim target {met[-1]}" if met else "none"


WHO_PM25_YEAR = Guideline("PM2.5", "year", 5.0, (35.0, 25.0, 15.0, 10.0))
WHO_PM25_DAY = Guideline("PM2.5", "24 h", 15.0, (75.0, 50.0, 37.5, 25.0))
WHO_PM10_YEAR = Guideline("PM10", "year", 15.0, (70.0, 50.0, 30.0, 20.0))
WHO_PM10_DAY = Guideline("PM10", "24 h", 45.0, (150.0, 100.0, 75.0, 50.0))
"""WHO global air quality guidelines (2021), table 0.1, as the three above."""


def _air(place: str, values: ArrayLike) -> FloatArray:
    """`values` as a float array of air or NaN."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError(f"{place}: {values!r} is not a number; give numbers in ug/m3, NaN where missing") from error
    wrong = (array < LOWEST_UG_M3) | (array > HIGHEST_UG_M3)
    if wrong.any():
        raise ValueError(
            f"{place}: {float(array[wrong].flat[0]):g} is no air; give {LOWEST_UG_M3:g} to {HIGHEST_UG_M3:g} ug/m3, "
            "NaN where missing"
        )
    return array


def _series(place: str, values: ArrayLike) -> FloatArray:
    array = _air(place, values)
    if array.ndim != 1:
        raise ValueError(f"{place}: shape {array.shape}; give one row of values, the oldest first")
    return array


def _check_window(place: str, count: int, completeness: float) -> None:
    if count != int(count) or count < 1:
        raise ValueError(f"{place}: {count} is no number of values; give a whole number from 1")
    if not 0.0 <= completeness <= 1.0:
        raise ValueError(f"completeness: {completeness} is outside 0..1; write 75 % as 0.75")


def _mean_where_enough(sums: FloatArray, counts: ArrayLike, of: int, completeness: float) -> FloatArray:
    number = np.asarray(counts, dtype=np.float64)
    # One value at least, and no wrong refusal where the share times the count is a whole number but for rounding.
    enough = number >= max(1.0, completeness * of - 1e-9)
    return np.asarray(np.divide(sums, number, out=np.full(sums.shape, np.nan), where=enough))


def _trailing_sum(values: FloatArray, window: int) -> FloatArray:
    """Sum of the last `window` values at each place, by doubling.

    Unlike the difference of two running totals it loses no digits after a peak, and it needs log2(window) passes.
    """
    total = np.zeros_like(values)
    doubled, length, reach = values, 1, 0
    while reach < window:
        if window & length:
            total += _shifted(doubled, reach)
            reach += length
        doubled = doubled + _shifted(doubled, length)
        length *= 2
    return total


def _shifted(values: FloatArray, by: int) -> FloatArray:
    moved = np.zeros_like(values)
    if by < values.size:
        moved[by:] = values[: values.size - by]
    return moved


def _whole_parts(values: FloatArray, scale: IndexScale) -> FloatArray:
    """Values in whole parts of the scale, cut and not rounded; one that misses a part by rounding alone has it."""
    return np.floor(scale.parts_per_ug_m3 * values + 1e-7)
