"""Particles: their sizes, how they move in air, and what the surfaces of a house do to them.

Parts: `air` (the gas), `sizes` (grid and mass distributions), `motion` (slip, settling, diffusion), `surfaces`
(deposition in rooms, cracks of the shell), `homes` (both as measured in lived-in homes).
"""

from .air import ROOM_AIR, Air
from .homes import (
    USUAL_PM25_DEPOSITION_PER_H,
    USUAL_PM25_PENETRATION,
    Usual,
    lived_in_deposition_rate,
    lived_in_penetration_factor,
)
from .motion import (
    UNIT_DENSITY,
    diffusion_coefficient,
    relaxation_time,
    settling_velocity,
    slip_correction,
)
from .sizes import (
    DEFAULT_GRID,
    HOUSE_DUST,
    INDOOR_COOKING,
    ISO_RURAL,
    ISO_URBAN,
    OUTDOOR_RURAL,
    OUTDOOR_URBAN,
    WILDFIRE_SMOKE,
    LogNormalMode,
    MassDistribution,
    SizeCurve,
    SizeGrid,
    bin_means,
    mass_weighted_mean,
)
from .surfaces import (
    FURNISHED_ROOM,
    TYPICAL_SHELL,
    Crack,
    RoomSurfaces,
    crack_penetration,
    crack_resistance,
    crack_velocity,
    deposition_rate,
    deposition_velocities,
    penetration_factor,
)

__all__ = [
    "DEFAULT_GRID",
    "FURNISHED_ROOM",
    "HOUSE_DUST",
    "INDOOR_COOKING",
    "ISO_RURAL",
    "ISO_URBAN",
    "OUTDOOR_RURAL",
    "OUTDOOR_URBAN",
    "ROOM_AIR",
    "TYPICAL_SHELL",
    "UNIT_DENSITY",
    "USUAL_PM25_DEPOSITION_PER_H",
    "USUAL_PM25_PENETRATION",
    "WILDFIRE_SMOKE",
    "Air",
    "Crack",
    "LogNormalMode",
    "MassDistribution",
    "RoomSurfaces",
    "SizeCurve",
    "SizeGrid",
    "Usual",
    "bin_means",
    "crack_penetration",
    "crack_resistance",
    "crack_velocity",
    "deposition_rate",
    "deposition_velocities",
    "diffusion_coefficient",
    "lived_in_deposition_rate",
    "lived_in_penetration_factor",
    "mass_weighted_mean",
    "penetration_factor",
    "relaxation_time",
    "settling_velocity",
    "slip_correction",
]
