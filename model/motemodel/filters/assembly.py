"""The filter as it sits in its cabinet: drop, split of the air between media and gaps, and the rating that remains.

Every function takes the filter, and a deposit that defaults to none; arrays of airflow and of deposit broadcast.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, within
from ..particles import OUTDOOR_URBAN, MassDistribution, SizeCurve, mass_weighted_mean
from ..units import SECONDS_PER_HOUR
from .charge import ChargeLoss, faded_efficiency
from .drop import DropLaw, fit_power_law
from .efficiency import EfficiencyCurve
from .gaps import Gap
from .loading import CLEAN, Deposit, ExponentialLoading, LoadingLaw, depth_factor, usual_capacity_mg
from .rating import CHANNELS, SizeRangeEfficiency, face_velocity_m_s, merv_from_ranges, ranges_from_channels

_NEWTON_STEPS = 30
_NEWTON_TOLERANCE = 1e-13
_STILL_AIR_M3H, _LARGEST_AIRFLOW_M3H = 1e-12, 1e6
_USUAL_PLEATING = 3.0
"""Media area over face area of an inch-deep pleat (common practice, no source)."""


@dataclass(frozen=True)
class Filter:
    """A filter in its cabinet.

    `curve`: efficiency of the clean, new media; `drop`: clean drop against face velocity; `loading`: what dust does;
    `charge`: set for electret media; `gaps`: the slots round it. Areas in m2. The efficiency is that at the velocity of
    its rating: slower air would let diffusion catch more of the finest, and is not credited.
    """

    curve: EfficiencyCurve
    face_area_m2: float
    media_area_m2: float
    drop: DropLaw
    loading: LoadingLaw
    charge: ChargeLoss | None = None
    gaps: tuple[Gap, ...] = ()

    def __post_init__(self) -> None:
        within("face_area_m2", self.face_area_m2, 1e-4, 1e3, "m2")
        within("media_area_m2", self.media_area_m2, 1e-4, 1e4, "m2")
        if self.media_area_m2 < self.face_area_m2:
            raise ValueError(
                f"media_area_m2: {self.media_area_m2} is below the face of {self.face_area_m2}; give the pleats' area"
            )

    @classmethod
    def surveyed(
        cls,
        curve: EfficiencyCurve,
        face_area_m2: float,
        rated_drops: Sequence[tuple[float, float]],
        *,
        media_area_m2: float | None = None,
        capacity_mg: float | None = None,
        final_drop_pa: float | None = None,
        charge: ChargeLoss | None = None,
        gaps: tuple[Gap, ...] = (),
    ) -> "Filter":
        """A filter from what a survey knows: rated points (airflow m3/h, drop Pa), and usual figures for the rest.

        Unknown media area: three times the face. The drop at capacity is `final_drop_pa` at the first rated airflow, or
        twice the clean drop. Unknown capacity: the `usual_capacity_mg` of that growth.
        """
        if not rated_drops:
            raise ValueError("rated_drops: none given; give at least one airflow with its clean drop")
        airflow, drop_pa = np.array(rated_drops, dtype=np.float64).T
        media_area = _USUAL_PLEATING * face_area_m2 if media_area_m2 is None else media_area_m2
        law = fit_power_law(face_velocity_m_s(airflow, face_area_m2), drop_pa)
        growth = 2.0 if final_drop_pa is None else final_drop_pa / float(drop_pa[0])
        capacity = usual_capacity_mg(media_area, growth) if capacity_mg is None else capacity_mg
        return cls(
            curve=curve,
            face_area_m2=face_area_m2,
            media_area_m2=media_area,
            drop=law,
            loading=ExponentialLoading(capacity, growth),
            charge=charge,
            gaps=gaps,
        )

    def charge_left(self, deposit: Deposit) -> FloatArray:
        """Share (0..1) of the charge's part that a deposit leaves; 1 where there is no charge to lose."""
        if self.charge is None:
            return np.ones(np.shape(deposit.surface_m2))
        return self.charge.charge_left(deposit.surface_m2 / self.media_area_m2)


class FlowSplit(NamedTuple):
    """One drop (Pa) across media and gaps, and how the airflow (m3/h) shares out between them."""

    drop_pa: FloatArray
    airflow_m3h: FloatArray
    gap_share: FloatArray

    @property
    def media_share(self) -> FloatArray:
        """Share (0..1) of the air that goes through the media."""
        return np.asarray(1.0 - self.gap_share)

    @property
    def media_m3h(self) -> FloatArray:
        """Airflow (m3/h) through the media."""
        return np.asarray(self.airflow_m3h * self.media_share)

    @property
    def gap_m3h(self) -> FloatArray:
        """Airflow (m3/h) through all gaps."""
        return np.asarray(self.airflow_m3h * self.gap_share)


def flow_split(filter_: Filter, airflow_m3h: ArrayLike, deposit: Deposit = CLEAN) -> FlowSplit:
    """How the air splits between media and gaps at a total airflow (m3/h): the drop is the same across both.

    Each path's airflow rises with drop to a power between 1/2 and 1, so Newton's method on logarithms finds the common
    drop in a few steps from anywhere. At rest the shares are those of the smallest flow.
    """
    factor = filter_.loading.drop_factor(deposit.clogging_mg)
    airflow, factor = np.broadcast_arrays(within("airflow_m3h", airflow_m3h, 0.0, _LARGEST_AIRFLOW_M3H, "m3/h"), factor)
    gaps = [(gap.drop_law(), gap.area_m2) for gap in filter_.gaps if gap.area_m2 > 0.0]
    flow = np.maximum(airflow, _STILL_AIR_M3H)
    drop = filter_.drop(face_velocity_m_s(flow if gaps else airflow, filter_.face_area_m2)) * factor
    if not gaps:
        return FlowSplit(drop, airflow, np.zeros(airflow.shape))

    def paths(drop: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Airflow (m3/h) of each path and its sensitivity to the drop, the media first."""
        over_clean = drop / factor
        laws = [(filter_.drop, filter_.face_area_m2, over_clean), *((law, area, drop) for law, area in gaps)]
        flows = [law.velocity_m_s(across) * area * SECONDS_PER_HOUR for law, area, across in laws]
        return np.stack(flows), np.stack([law.sensitivity(across) for law, _, across in laws])

    for _ in range(_NEWTON_STEPS):
        flows, sensitivities = paths(drop)
        total = flows.sum(axis=0)
        step = np.log(flow / total) * total / (flows * sensitivities).sum(axis=0)
        drop = drop * np.exp(step)
        if np.abs(step).max(initial=0.0) < _NEWTON_TOLERANCE:
            break
    flows, _ = paths(drop)
    return FlowSplit(drop * airflow / flow, airflow, np.asarray(flows[1:].sum(axis=0) / flows.sum(axis=0)))


def drop_pa(filter_: Filter, airflow_m3h: ArrayLike, deposit: Deposit = CLEAN) -> FloatArray:
    """Drop (Pa) of the assembly, gaps included, at a total airflow (m3/h); rises with airflow and with dust."""
    return flow_split(filter_, airflow_m3h, deposit).drop_pa


def efficiency(filter_: Filter, diameter_um: ArrayLike, deposit: Deposit = CLEAN) -> FloatArray:
    """Efficiency (0..1) of the media alone over size (um): charge faded and fibres loaded by the deposit.

    For several stages of deposit give its fields a last axis of one, so that they broadcast against the sizes.
    """
    clean = filter_.curve(diameter_um)
    if filter_.charge is not None:
        clean = faded_efficiency(clean, filter_.charge.conditioned(diameter_um), filter_.charge_left(deposit))
    return np.asarray(1.0 - (1.0 - clean) ** depth_factor(filter_.loading, deposit.clogging_mg))


def as_installed(
    filter_: Filter, diameter_um: ArrayLike, airflow_m3h: ArrayLike, deposit: Deposit = CLEAN
) -> FloatArray:
    """Efficiency (0..1) over size of all the air the blower moves: media efficiency times the media's share of it."""
    return efficiency(filter_, diameter_um, deposit) * flow_split(filter_, airflow_m3h, deposit).media_share


def as_installed_curve(filter_: Filter, airflow_m3h: float, deposit: Deposit = CLEAN) -> SizeCurve:
    """The as-installed efficiency at one airflow as a function of size, for means over bins or mass."""
    share = flow_split(filter_, airflow_m3h, deposit).media_share
    return lambda diameter_um: np.asarray(efficiency(filter_, diameter_um, deposit) * share)


def as_installed_ranges(filter_: Filter, airflow_m3h: float, deposit: Deposit = CLEAN) -> SizeRangeEfficiency:
    """E1, E2, E3 of the whole assembly at one airflow (m3/h)."""
    return ranges_from_channels(as_installed(filter_, CHANNELS.midpoints_um, airflow_m3h, deposit))


def as_installed_merv(filter_: Filter, airflow_m3h: float, deposit: Deposit = CLEAN) -> int:
    """The MERV whose minima the whole assembly meets at one airflow (m3/h); 0 below MERV 5."""
    return merv_from_ranges(as_installed_ranges(filter_, airflow_m3h, deposit))


def as_installed_pm25(
    filter_: Filter,
    airflow_m3h: float,
    deposit: Deposit = CLEAN,
    distribution: MassDistribution = OUTDOOR_URBAN,
    smallest_um: float = 0.01,
) -> float:
    """Share of PM2.5 mass that the whole assembly removes in one pass at one airflow (m3/h)."""
    return mass_weighted_mean(as_installed_curve(filter_, airflow_m3h, deposit), distribution, smallest_um, 2.5)
