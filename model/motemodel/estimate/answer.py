"""Answers: a number with its 90 % interval, or why it is not known and what would make it known."""

from dataclasses import dataclass

import numpy as np

# Two-sided 90 % of the normal distribution.
Z_90 = 1.6448536269514722


@dataclass(frozen=True)
class Estimate:
    """A number and the interval that holds it with 90 % confidence."""

    value: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not (np.isfinite([self.value, self.low, self.high]).all() and self.low <= self.value <= self.high):
            raise ValueError(
                f"estimate: low {self.low:g}, value {self.value:g}, high {self.high:g}; "
                "give finite numbers with low <= value <= high"
            )

    @property
    def half_width(self) -> float:
        """Half of the interval's width."""
        return 0.5 * (self.high - self.low)

    def scaled(self, factor: float) -> "Estimate":
        """The same number in another unit; `factor` above zero."""
        return Estimate(self.value * factor, self.low * factor, self.high * factor)


@dataclass(frozen=True)
class Unknown:
    """Why a number cannot be told, and what would make the data tell it."""

    reason: str
    remedy: str = ""

    def __str__(self) -> str:
        return f"{self.reason}; {self.remedy}" if self.remedy else self.reason


Answer = Estimate | Unknown
