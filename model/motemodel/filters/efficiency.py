"""Efficiency as a continuous curve over particle size, from a rating, from E1, E2, E3 or from measured points."""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import ArrayLike

from ..bounds import FloatArray, fraction, positive, within
from ..particles import OUTDOOR_URBAN, MassDistribution, mass_weighted_mean
from .fibre import FibrousMedia, media_depth, media_efficiency
from .rating import CHANNELS, RANGE_EDGES_UM, SizeRangeEfficiency, merv_estimate, ranges_from_channels

_TYPICAL_FIBRE_UM = 2.0
_FINEST_FIBRE_UM, _COARSEST_FIBRE_UM = 0.5, 10.0
"""Fibres whose most penetrating size is 0.1 to 0.4 um, what Wu et al. (2022), Indoor Air, measured on MERV filters."""

_SOLIDITY, _VELOCITY_M_S = 0.05, 0.1
_MEDIA_KNOTS = 61


@dataclass(frozen=True)
class EfficiencyCurve:
    """Efficiency over size: eta = curve(diameter_um), both arrays of one shape; continuous, within 0..1.

    Straight in ln d between `knots_um` (um, rising). Below the first knot the depth -ln(1 - eta) has the shape that
    single-fibre theory gives a mat of `fibre_um` fibres at 0.1 m/s: it falls to the most penetrating size, near 0.2 um
    for 2 um fibres, and rises again by diffusion. Above the last knot the depth grows as d (interception, impaction):
    coarse dust is caught nearly whole.
    """

    knots_um: tuple[float, ...]
    values: tuple[float, ...]
    fibre_um: float = _TYPICAL_FIBRE_UM

    def __post_init__(self) -> None:
        knots = positive("knots_um", self.knots_um)
        within("fibre_um", self.fibre_um, 0.1, 50.0, "um")
        fraction("values", self.values)
        if knots.ndim != 1 or knots.size == 0 or (np.diff(knots) <= 0.0).any():
            raise ValueError(f"knots_um: {self.knots_um} does not rise; sort the diameters and drop repeated ones")
        if len(self.values) != knots.size:
            raise ValueError(f"values: {len(self.values)} efficiencies for {knots.size} diameters; give one for each")

    def __call__(self, diameter_um: ArrayLike) -> FloatArray:
        """Efficiency (0..1) at each diameter (um)."""
        diameter = positive("diameter_um", diameter_um)
        first, last = self.knots_um[0], self.knots_um[-1]
        # Within the knots both factors are 1; the interpolation holds the end values outside them.
        tail = _depth_ratio(np.minimum(diameter, first), first, self.fibre_um)
        relative_depth = tail * np.maximum(diameter / last, 1.0)
        held = np.interp(np.log(diameter), np.log(self.knots_um), self.values)
        return np.asarray(1.0 - np.power(1.0 - held, relative_depth))

    def channel_efficiencies(self) -> FloatArray:
        """Efficiency in the twelve channels of ASHRAE 52.2, at each channel's geometric middle."""
        return self(CHANNELS.midpoints_um)

    def ranges(self) -> SizeRangeEfficiency:
        """E1, E2, E3 as 52.2 averages them."""
        return ranges_from_channels(self.channel_efficiencies())


def curve_from_ranges(ranges: SizeRangeEfficiency) -> EfficiencyCurve:
    """A curve whose `.ranges()` are `ranges`, rising above 0.3 um wherever E1, E2, E3 do.

    A rating gives three means and no shape, so each range gets the plainest one: it runs from one end value to the next
    along s / (s + c (1 - s)), s the share of ln d covered and c bent until the mean of the four channels is met.
    """
    means = np.array([ranges.e1, ranges.e2, ranges.e3])
    lefts, rights = _end_values(means)
    positions = _channel_positions()
    channels = [_rise(*parts) for parts in zip(means, lefts, rights, positions, strict=True)]
    return EfficiencyCurve(tuple(CHANNELS.midpoints_um.tolist()), tuple(np.concatenate(channels).tolist()))


def curve_from_merv(merv: int) -> EfficiencyCurve:
    """The curve of a filter that only just earns its MERV (1..16), open ranges estimated (see `merv_estimate`)."""
    return curve_from_ranges(merv_estimate(merv))


def curve_from_points(diameter_um: ArrayLike, efficiency: ArrayLike) -> EfficiencyCurve:
    """A measured curve: straight in ln d between the points (um, rising; 0..1).

    Beyond the outermost points as `EfficiencyCurve` says, below them with the fibre size that makes the rise between
    the two finest points. Raises ValueError on points out of order or out of bounds.
    """
    diameters = np.atleast_1d(positive("diameter_um", diameter_um))
    values = np.atleast_1d(fraction("efficiency", efficiency))
    curve = EfficiencyCurve(tuple(diameters.tolist()), tuple(values.tolist()))
    return replace(curve, fibre_um=_fibre_behind(curve))


def curve_from_channels(efficiency: ArrayLike) -> EfficiencyCurve:
    """The measured curve through twelve 52.2 channel efficiencies (0..1)."""
    return curve_from_points(CHANNELS.midpoints_um, efficiency)


def curve_from_media(media: FibrousMedia, velocity_m_s: float) -> EfficiencyCurve:
    """The curve of a mat of fibres at a media velocity (m/s), by single-fibre theory."""
    sizes = np.geomspace(0.01, 10.0, _MEDIA_KNOTS)
    return EfficiencyCurve(tuple(sizes.tolist()), tuple(media_efficiency(media, sizes, velocity_m_s).tolist()))


def pm25_efficiency(
    curve: EfficiencyCurve, distribution: MassDistribution = OUTDOOR_URBAN, smallest_um: float = 0.01
) -> float:
    """Share of the PM2.5 mass a curve catches in one pass, from `smallest_um` (um) to 2.5 um."""
    return mass_weighted_mean(curve, distribution, smallest_um, 2.5)


def _depth_ratio(diameter: FloatArray, reference_um: float, fibre_um: float) -> FloatArray:
    """Depth at each diameter relative to the depth at `reference_um`, for a mat of such fibres."""
    mat = FibrousMedia(fibre_um, _SOLIDITY, thickness_mm=1.0)
    depth = media_depth(mat, np.append(diameter.ravel(), reference_um), _VELOCITY_M_S)
    return np.asarray(depth[:-1] / depth[-1]).reshape(diameter.shape)


def _fibre_behind(curve: EfficiencyCurve) -> float:
    """Fibre size (um) with the depth ratio that a measured curve has between its two finest points."""
    if len(curve.knots_um) < 2 or not all(0.0 < value < 1.0 for value in curve.values[:2]):
        return _TYPICAL_FIBRE_UM
    first, second = curve.knots_um[:2]
    measured = np.log1p(-curve.values[1]) / np.log1p(-curve.values[0])

    def excess(fibre_um: float) -> float:
        return float(_depth_ratio(np.asarray(second), first, fibre_um) - measured)

    # The coarser the fibre, the weaker interception beside diffusion and the smaller the rise with size.
    if excess(_FINEST_FIBRE_UM) <= 0.0:
        return _FINEST_FIBRE_UM
    if excess(_COARSEST_FIBRE_UM) >= 0.0:
        return _COARSEST_FIBRE_UM
    return float(scipy.optimize.brentq(excess, _FINEST_FIBRE_UM, _COARSEST_FIBRE_UM, xtol=1e-6))


def _end_values(means: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Efficiency at the left and the right end of each range.

    The gap between two means is shared by how far each range may move: as far as the harmonic mean of the gaps beside
    it, and not at all at a local extremum, so that no range is forced into a step (the limiter of Fritsch & Butland,
    1984, for monotone cubics). Outward, at 0.3 and 10 um, the depth -ln(1 - eta) goes on in the same proportion.
    """
    gaps = np.diff(means)
    before = means[0] if gaps[0] >= 0.0 else means[0] - 1.0
    after = 1.0 - means[2] if gaps[1] >= 0.0 else -means[2]
    reach = [_harmonic(left, right) for left, right in pairwise((before, *gaps, after))]
    rights = means[:2] + [_shared(gap, own, other) for gap, own, other in zip(gaps, reach[:2], reach[1:], strict=True)]
    lefts = means[1:] - [_shared(gap, own, other) for gap, own, other in zip(gaps, reach[1:], reach[:2], strict=True)]
    return np.append(_mirrored(means[0], rights[0]), lefts), np.append(rights, _mirrored(means[2], lefts[1]))


def _harmonic(one: float, other: float) -> float:
    return 2.0 * one * other / (one + other) if one * other > 0.0 else 0.0


def _shared(gap: float, own_reach: float, other_reach: float) -> float:
    """The part of a gap that falls to the range with `own_reach`, never beyond that reach."""
    reach = abs(own_reach) + abs(other_reach)
    share = min(abs(gap) * abs(own_reach) / reach, abs(own_reach)) if reach > 0.0 else 0.0
    return float(np.copysign(share, gap))


def _mirrored(mean: float, end: float) -> float:
    """The efficiency as far from `mean` in ln(depth) as `end` is, on the other side, at most three times as far off."""
    if mean == end or not 0.0 < mean < 1.0:
        return mean
    squared, depth = np.log1p(-mean) ** 2, -np.log1p(-end) if end < 1.0 else np.inf
    mirrored = 1.0 if squared > 700.0 * depth else -np.expm1(-squared / depth)
    return float(np.clip(mirrored, max(mean - 3.0 * abs(mean - end), 0.0), min(mean + 3.0 * abs(mean - end), 1.0)))


def _channel_positions() -> FloatArray:
    """Where the four channel middles of each range lie in it, as a share of its ln d: one row per range."""
    middles = np.log(CHANNELS.midpoints_um).reshape(3, 4)
    edges = np.log(RANGE_EDGES_UM)
    return np.asarray((middles - edges[:-1, np.newaxis]) / np.diff(edges)[:, np.newaxis])


def _rise(mean: float, left: float, right: float, position: FloatArray) -> FloatArray:
    """Channel values from `left` to `right` whose mean is `mean`, which lies between the two."""
    if abs(right - left) < 1e-9:
        return np.full(position.shape, mean)

    def values(log_bend: float) -> FloatArray:
        return np.asarray(left + (right - left) * position / (position + np.exp(log_bend) * (1.0 - position)))

    return values(
        scipy.optimize.brentq(lambda log_bend: float(values(log_bend).mean() - mean), -30.0, 30.0, xtol=1e-14)
    )
