"""Charge: what an electret media catches beyond its fibres, and how deposited particles take that away.

Particles settle on the field that attracts them and screen it. Fine particles bring much surface with little mass: that
is why smoke and diesel soot take the charge and road dust hardly does (Lehtimaki & Heinonen 1994, Build. Environ. 29).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from ..bounds import FloatArray, fraction, not_negative, positive
from .efficiency import EfficiencyCurve

USUAL_SCREENING_M2_PER_M2 = 30.0
"""Particle surface on each m2 of media that leaves 1/e of the charge's part.

Set so that the charged filters of Raynor & Chae (2004), J. Occup. Environ. Hyg. 1, 463-471, at their lowest after
eleven weeks of outdoor air, have all but lost their charge by then: 10 ug/m3 of 0.4 um particles through pleats at
0.15 m/s bring 100 m2/m2. The abstract gives neither figure, so this is uncertain by a factor of two or more.
"""

USUAL_SHARE_WITHOUT_CHARGE = 0.4
"""Depth -ln(1 - efficiency) without charge over that when new, up to 0.6 um: 0.32 at 0.6 um in Raynor & Chae (2004),
0.46 in E1 where a media falls from MERV 16 to MERV 14 (common practice, no source)."""

_CHARGE_UP_TO_UM = 0.6
_CHARGE_FADES_AS = -4.0 / 3.0


@dataclass(frozen=True)
class ChargeLoss:
    """How efficiency fades: to the curve of the `conditioned` media, as particle surface loads the media.

    `conditioned` is what 52.2 appendix J or ISO 16890's discharge measures: the lowest the media can come to.
    """

    conditioned: EfficiencyCurve
    screening_m2_per_m2: float = USUAL_SCREENING_M2_PER_M2

    def __post_init__(self) -> None:
        positive("screening_m2_per_m2", self.screening_m2_per_m2)

    def charge_left(self, surface_m2_per_m2: ArrayLike) -> FloatArray:
        """Share (0..1) of the charge's part that is left at a particle surface per media area."""
        return np.asarray(np.exp(-not_negative("surface_m2_per_m2", surface_m2_per_m2) / self.screening_m2_per_m2))


def faded_efficiency(new: FloatArray, conditioned: FloatArray, charge_left: ArrayLike) -> FloatArray:
    """Efficiency between the new and the conditioned media: depths -ln(1 - E) add, charge's part fading.

    Single-fibre efficiencies add (Hinds, eq. 9.33), and depth is in proportion to them. A size that is caught better
    when conditioned keeps its new efficiency as the upper bound.
    """
    left = fraction("charge_left", charge_left)
    least = np.minimum(conditioned, new)
    return np.asarray(1.0 - (1.0 - new) ** left * (1.0 - least) ** (1.0 - left))


def assumed_conditioned(new: EfficiencyCurve, share: float = USUAL_SHARE_WITHOUT_CHARGE) -> EfficiencyCurve:
    """The conditioned curve of a charged media nobody has measured, an estimate.

    Up to 0.6 um `share` (above 0, at most 1) of the new depth is left. For larger particles the charge counts less and
    less: beside interception, in d^2, polarisation, in d^(2/3), falls as d^(-4/3) (see `single_fibre_efficiency`).
    """
    kept = float(fraction("share", positive("share", share)))
    coarser = np.maximum(np.asarray(new.knots_um) / _CHARGE_UP_TO_UM, 1.0)
    by_charge = (1.0 / kept - 1.0) * coarser**_CHARGE_FADES_AS
    remaining = 1.0 - (1.0 - np.asarray(new.values)) ** (1.0 / (1.0 + by_charge))
    return replace(new, values=tuple(remaining.tolist()))
