"""Gaps: the air that goes round a filter through the slots of a loose rack or cabinet."""

from dataclasses import dataclass

from ..bounds import within
from ..particles import ROOM_AIR, Air, Crack, crack_resistance
from .drop import LinearQuadraticDrop


@dataclass(frozen=True)
class Gap:
    """A slot beside the filter (m): length along the frame, width across the flow, depth along it, 90 degree bends.

    Particles of the sizes people breathe pass it unhindered (Ward & Siegel 2005, ASHRAE Trans. 111).
    """

    length_m: float
    width_m: float
    depth_m: float = 0.025
    bends: int = 0

    def __post_init__(self) -> None:
        within("length_m", self.length_m, 0.0, 100.0, "m")
        within("width_m", self.width_m, 1e-6, 0.5, "m")
        within("depth_m", self.depth_m, 1e-4, 2.0, "m")
        within("bends", self.bends, 0, 20)

    @property
    def area_m2(self) -> float:
        """Open area, m2."""
        return self.length_m * self.width_m

    def drop_law(self, air: Air = ROOM_AIR) -> LinearQuadraticDrop:
        """Drop against the velocity in the slot: laminar friction plus end and bend losses (`crack_resistance`)."""
        crack = Crack(self.width_m * 1e3, self.depth_m, self.bends, self.length_m)
        return LinearQuadraticDrop(*crack_resistance(crack, air))
