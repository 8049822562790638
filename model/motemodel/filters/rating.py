"""Ratings on the label: MERV by ANSI/ASHRAE 52.2, ePM by ISO 16890, and what each of them guarantees.

Efficiencies are fractions 0..1 and diameters um. Ratings run from 1 to 16; "MERV 17 to 20" of older charts are not part
of the standard.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, fraction, not_negative, positive
from ..particles import ISO_URBAN, MassDistribution, SizeGrid
from ..units import PA_PER_INCH_WATER, SECONDS_PER_HOUR

CHANNELS = SizeGrid((0.3, 0.4, 0.55, 0.7, 1.0, 1.3, 1.6, 2.2, 3.0, 4.0, 5.5, 7.0, 10.0))
"""The twelve counting channels of ASHRAE 52.2; four of them make each of the ranges E1, E2 and E3."""

RANGE_EDGES_UM = (0.3, 1.0, 3.0, 10.0)

TEST_FACE_VELOCITIES_M_S = (0.60, 1.25, 1.50, 1.90, 2.50, 3.20, 3.80)
"""The face velocities a 52.2 test may be run at, m/s."""

LOWEST_MERV, HIGHEST_MERV = 1, 16
_CHANNELS_PER_RANGE = 4

# ANSI/ASHRAE 52.2-2017, table 12-1: minimum E1, E2, E3.
_MINIMA: dict[int, tuple[float, float, float]] = {
    5: (0.0, 0.0, 0.20),
    6: (0.0, 0.0, 0.35),
    7: (0.0, 0.0, 0.50),
    8: (0.0, 0.20, 0.70),
    9: (0.0, 0.35, 0.75),
    10: (0.0, 0.50, 0.80),
    11: (0.20, 0.65, 0.85),
    12: (0.35, 0.80, 0.90),
    13: (0.50, 0.85, 0.90),
    14: (0.75, 0.90, 0.95),
    15: (0.85, 0.90, 0.95),
    16: (0.95, 0.95, 0.95),
}
# The same table: MERV 1 to 4 stay below E3 = 20 % and are told apart by average arrestance, from this share up.
_ARRESTANCE_FROM = {1: 0.0, 2: 0.65, 3: 0.70, 4: 0.75}
# The same table, in.w.c.: highest rating of each group and the final resistance its test runs to at least.
_FINAL_RESISTANCE_INCHES = ((4, 0.3), (8, 0.6), (12, 1.0), (16, 1.4))


@dataclass(frozen=True)
class SizeRangeEfficiency:
    """Mean efficiency (0..1) in 0.3-1, 1-3 and 3-10 um, each the plain mean of its four 52.2 channels."""

    e1: float
    e2: float
    e3: float

    def __post_init__(self) -> None:
        fraction("e1", self.e1)
        fraction("e2", self.e2)
        fraction("e3", self.e3)

    def meets(self, minimum: "SizeRangeEfficiency") -> bool:
        """Whether all three ranges reach `minimum`; the twelfth decimal is forgiven to arithmetic."""
        pairs = ((self.e1, minimum.e1), (self.e2, minimum.e2), (self.e3, minimum.e3))
        return all(own >= needed - 1e-12 for own, needed in pairs)


def merv_minimum(merv: int) -> SizeRangeEfficiency:
    """Least E1, E2, E3 that MERV 1..16 demands; 0 where it demands nothing. ValueError for another number.

    >>> merv_minimum(13)
    SizeRangeEfficiency(e1=0.5, e2=0.85, e3=0.9)
    """
    return SizeRangeEfficiency(*_MINIMA.get(_checked_merv(merv), (0.0, 0.0, 0.0)))


def merv_from_ranges(ranges: SizeRangeEfficiency, arrestance: float | None = None) -> int:
    """Highest MERV whose minima are all met: the rating itself, by ASHRAE 52.2-2017, table 12-1.

    Below E3 = 20 % the rating (1 to 4) needs the average dust-weight `arrestance` (0..1); without it the answer is 0,
    "not rated by efficiency".

    >>> merv_from_ranges(SizeRangeEfficiency(0.80, 0.91, 0.94))
    13
    """
    met = [merv for merv in _MINIMA if ranges.meets(merv_minimum(merv))]
    if met:
        return max(met)
    if arrestance is None:
        return 0
    caught = float(fraction("arrestance", arrestance))
    return max(merv for merv, least in _ARRESTANCE_FROM.items() if caught >= least)


def merv_estimate(merv: int) -> SizeRangeEfficiency:
    """E1, E2, E3 to reckon with for a rating that leaves ranges open: its minima, the open ones filled by fibre theory.

    A range without a minimum is not a range without capture. Between interception and impaction the depth of a mat,
    -ln(1 - E), grows about as d^1.5, so an open range takes (d/d')^1.5 of the depth of the next coarser one, d and d'
    being the geometric middles of the two. MERV 11 and above leave nothing open and MERV 1 to 4 nothing to start from.
    An estimate, not a guarantee: for that see `merv_minimum`.
    """
    values = [_MINIMA.get(_checked_merv(merv), (0.0, 0.0, 0.0))[index] for index in range(3)]
    middles = np.sqrt(np.array(RANGE_EDGES_UM[:-1]) * np.array(RANGE_EDGES_UM[1:]))
    for index in (1, 0):
        if values[index] == 0.0:
            depth = -np.log1p(-values[index + 1]) * (middles[index] / middles[index + 1]) ** 1.5
            values[index] = float(-np.expm1(-depth))
    return SizeRangeEfficiency(*values)


def ranges_from_channels(efficiency: ArrayLike) -> SizeRangeEfficiency:
    """E1, E2, E3 from twelve channel efficiencies (0..1): the mean of each four. ValueError unless twelve."""
    channels = fraction("efficiency", efficiency)
    if channels.shape != (CHANNELS.count,):
        raise ValueError(f"efficiency: shape {channels.shape} is not the twelve channels of 52.2; give 12 fractions")
    e1, e2, e3 = channels.reshape(3, _CHANNELS_PER_RANGE).mean(axis=1)
    return SizeRangeEfficiency(float(e1), float(e2), float(e3))


def composite_minimum(runs: ArrayLike) -> FloatArray:
    """The composite minimum curve: per channel, the lowest efficiency of all runs (clean, conditioned, each loading).

    `runs` has one row per run and one column per channel; 52.2 rates a filter by this curve.
    """
    table = fraction("runs", runs)
    if table.ndim != 2 or table.shape[0] == 0 or table.shape[1] != CHANNELS.count:
        raise ValueError(f"runs: shape {table.shape} is not runs by 12 channels; give one row of 12 per run")
    return np.asarray(table.min(axis=0))


def final_resistance_pa(merv: int, initial_pa: float) -> float:
    """Drop (Pa) at which a 52.2 test ends: its group's figure, or twice `initial_pa` where that is more."""
    _checked_merv(merv)
    group_inches = next(inches for highest, inches in _FINAL_RESISTANCE_INCHES if merv <= highest)
    return max(group_inches * PA_PER_INCH_WATER, 2.0 * float(not_negative("initial_pa", initial_pa)))


def pm25_floor(ranges: SizeRangeEfficiency, distribution: MassDistribution = ISO_URBAN) -> float:
    """Share of the mass between 0.3 and 2.5 um that is caught when E1 and E2 are just what `ranges` says.

    What a rating guarantees; below 0.3 um it guarantees nothing, and real filters do better.
    """
    fine, rest = distribution.fraction_between(0.3, 1.0), distribution.fraction_between(1.0, 2.5)
    return (fine * ranges.e1 + rest * ranges.e2) / (fine + rest)


def particulate_matter_efficiency(
    efficiency: ArrayLike, edges_um: Sequence[float], distribution: MassDistribution
) -> float:
    """ISO 16890-1:2016 ePM: channel efficiencies weighted by q3 at the channel's geometric middle times its ln width.

    Give the edges from 0.3 um to the ePM's upper limit: 1 and 2.5 um with `ISO_URBAN`, 10 um with `ISO_RURAL`
    (clause 7). For each ePM the standard takes the mean of the untreated and the discharged efficiency; for ePM,min the
    discharged one.
    """
    grid = SizeGrid(tuple(float(edge) for edge in edges_um))
    channels = fraction("efficiency", efficiency)
    if channels.shape != (grid.count,):
        raise ValueError(f"efficiency: {channels.size} values for {grid.count} channels; give one per channel")
    weight = distribution.density(grid.midpoints_um) * np.diff(np.log(grid.edges_um))
    return float(np.dot(channels, weight) / weight.sum())


@dataclass(frozen=True)
class IsoEfficiencies:
    """The five figures of an ISO 16890 report, 0..1: mean ePM1, ePM2.5, ePM10, and the discharged minima."""

    epm1: float
    epm25: float
    epm10: float
    epm1_min: float
    epm25_min: float


def iso_group(report: IsoEfficiencies) -> str:
    """ISO 16890-1 group name with its value, rounded down to 5 %: "ISO ePM1 60%"; below every group "ISO coarse".

    A filter enters a group with at least 50 %; for ePM1 and ePM2.5 also when discharged.
    """
    candidates = (
        ("ePM1", report.epm1, report.epm1_min),
        ("ePM2.5", report.epm25, report.epm25_min),
        ("ePM10", report.epm10, report.epm10),
    )
    for name, mean, least in candidates:
        if min(mean, least) >= 0.5:
            reported = min(5 * int(np.floor(mean * 20.0 + 1e-9)), 95)
            return f"ISO {name} {'>' if mean > 0.95 else ''}{reported}%"
    return "ISO coarse"


def face_velocity_m_s(airflow_m3h: ArrayLike, area_m2: float) -> FloatArray:
    """Mean velocity (m/s) of an airflow (m3/h) through a face, or through the media when given its area (m2)."""
    return np.asarray(not_negative("airflow_m3h", airflow_m3h) / SECONDS_PER_HOUR / positive("area_m2", area_m2))


def _checked_merv(merv: int) -> int:
    if not LOWEST_MERV <= merv <= HIGHEST_MERV or merv != int(merv):
        raise ValueError(f"merv: {merv} is not a rating of ASHRAE 52.2; give a whole number from 1 to 16")
    return int(merv)
