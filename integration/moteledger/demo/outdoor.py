"""Measured outdoor air, replayed around the simulated house.

Six weeks of hours measured elsewhere in 2014 (see data/README.md) are laid from the house's first local midnight on,
the hour of the day kept, and start over when they run out. The air outside never stops, so an hour without a
measurement is bridged for the house to breathe; the station's reading of that hour is missing all the same.
"""

import csv
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

DATA = Path(__file__).parent / "data"
STRETCH_FILE = DATA / "outdoor_pm25.csv"
MEASURED_ZONE = timezone(timedelta(hours=8))

ORIGIN_OF_THE_AIR = (
    "Outdoor air: measured elsewhere, at one fixed site in Beijing in November and December 2014, and replayed. "
    "House and indoor sensors: simulated; Tern Cottage is invented."
)
ATTRIBUTION = (
    "Outdoor data: Liang et al. (2015), Assessing Beijing's PM2.5 pollution: severity, weather impact, APEC and winter "
    "heating, Proc. R. Soc. A 471: 20150257; UCI Machine Learning Repository, CC BY 4.0; cut, and wind speed derived."
)


@dataclass(frozen=True)
class Hour:
    """The outdoor air of one hour, each quantity as polynomial coefficients of the hour's fraction 0..1, highest first.

    `pm25` in ug/m3 (three coefficients), `temperature` in degC and `wind` in m/s (two each).
    """

    pm25: tuple[float, float, float]
    temperature: tuple[float, float]
    wind: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Stretch:
    """Whole local days of measured hours; `pm25` (ug/m3) is NaN for an hour without a measurement."""

    pm25: NDArray[np.float64]
    temperature: NDArray[np.float64]
    wind: NDArray[np.float64]
    curve: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.pm25)

    def hour(self, index: int) -> Hour:
        """The hour `index` after the first local midnight; the stretch starts over at its end."""
        here, following = index % len(self), (index + 1) % len(self)
        pm25 = self.curve[:, here]
        temperature, wind = self.temperature[here], self.wind[here]
        return Hour(
            (float(pm25[0]), float(pm25[1]), float(pm25[2])),
            (float(self.temperature[following] - temperature), float(temperature)),
            (float(self.wind[following] - wind), float(wind)),
        )


@cache
def measured_stretch() -> Stretch:
    """Read the measured hours; raises ValueError if they are not whole local days in hourly order."""
    with STRETCH_FILE.open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    times = [datetime.fromisoformat(row[0]) for row in rows]
    first = times[0].astimezone(MEASURED_ZONE)
    if first.hour or len(rows) % 24 or any(b - a != timedelta(hours=1) for a, b in pairwise(times)):
        raise ValueError(f"{STRETCH_FILE.name}: not whole local days of hours in order; restore the file")
    pm25, temperature, wind = np.array([[float(field or "nan") for field in row[1:]] for row in rows]).T
    return Stretch(pm25, temperature, wind, _mean_preserving_curve(pm25))


def _mean_preserving_curve(hourly_mean: NDArray[np.float64]) -> NDArray[np.float64]:
    """Coefficients (3, hours) of a smooth curve within each hour whose mean over every hour is the measured one.

    The derivative of a monotone cubic through the running sum (Fritsch and Carlson 1980): never negative. Hours without
    a measurement lie on the straight line between their neighbours; the end joins the beginning.
    """
    hours = np.arange(len(hourly_mean))
    known = np.isfinite(hourly_mean)
    filled = np.interp(hours, hours[known], hourly_mean[known], period=len(hourly_mean))
    margin = 3
    around = np.concatenate([filled[-margin:], filled, filled[:margin]])
    running_sum = np.concatenate([[0.0], np.cumsum(around)])
    cubic = np.asarray(PchipInterpolator(np.arange(len(running_sum)), running_sum).c, np.float64)
    return np.asarray((cubic[:3] * np.array([[3.0], [2.0], [1.0]]))[:, margin:-margin])


def local_midnight(moment: datetime) -> datetime:
    """The midnight, in the measured air's own clock, on or before `moment`, as a UTC datetime."""
    local = moment.astimezone(MEASURED_ZONE)
    return local.replace(hour=0, minute=0, second=0, microsecond=0).astimezone(UTC)
