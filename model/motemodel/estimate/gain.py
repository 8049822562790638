"""The gain ratio of two sensors: what one reads over what the other reads in the same air."""

from dataclasses import dataclass

import numpy as np

from ..bounds import FloatArray
from .answer import Z_90, Answer, Estimate, Unknown
from .fit import t_90

_LEAST_H = 6.0
_LEAST_LEVEL = 3.0


@dataclass(frozen=True)
class GainPrior:
    """What is known of the sensors' gain ratio beforehand: its value, relative standard deviation, whether `measured`.

    Without a side-by-side spell two low-cost sensors of one make differ by about 15 % (common practice, no source).
    """

    ratio: float = 1.0
    relative_sd: float = 0.15
    measured: bool = False

    def __post_init__(self) -> None:
        if not (0.05 <= self.ratio <= 20.0 and 0.0 <= self.relative_sd <= 1.0):
            raise ValueError(
                f"gain prior: ratio {self.ratio:g}, relative sd {self.relative_sd:g}; give 0.05..20 and 0..1"
            )

    @classmethod
    def of(cls, measured: Estimate) -> "GainPrior":
        """The prior that a measured ratio makes."""
        return cls(measured.value, min(measured.half_width / Z_90 / measured.value, 1.0), measured=True)


def gain_side_by_side(indoor: FloatArray, outdoor: FloatArray, step_h: float) -> Answer:
    """The gain ratio from a spell in which both sensors hung in the same air: side by side, or windows wide open.

    The ratio of sums over the spell, its interval from the scatter of hourly sums about it (ratio estimator; Cochran
    1977, Sampling Techniques, equation 6.13, from memory). `indoor`, `outdoor`: step means, ug/m3, NaN where unknown.
    Zero offsets are taken as small, so clean air (below 3 ug/m3) tells nothing; six hours are the least.
    """
    if indoor.shape != outdoor.shape or not step_h > 0.0:
        raise ValueError(f"side by side: shapes {indoor.shape} and {outdoor.shape}, step {step_h:g} h; grid both alike")
    known = np.isfinite(indoor) & np.isfinite(outdoor)
    hours = float(np.count_nonzero(known)) * step_h
    if hours < _LEAST_H:
        return Unknown(f"only {hours:.1f} h of both sensors in the same air", "leave them side by side for a day")
    if float(outdoor[known].mean()) < _LEAST_LEVEL or float(indoor[known].mean()) < _LEAST_LEVEL:
        return Unknown("the air was too clean to compare gains", "repeat it on a day with more particles in the air")
    hour = (np.arange(indoor.size) * step_h).astype(np.intp)
    above = np.bincount(hour, np.where(known, indoor, 0.0))
    below = np.bincount(hour, np.where(known, outdoor, 0.0))
    told = np.bincount(hour, known.astype(np.float64)) > 0.0
    above, below = above[told], below[told]
    ratio = float(above.sum() / below.sum())
    scatter = above - ratio * below
    count = scatter.size
    sd = float(np.sqrt(count * np.sum(scatter**2) / (count - 1))) / float(below.sum())
    half = t_90(count - 1.0) * sd
    return Estimate(ratio, max(ratio - half, 0.0), ratio + half)
