"""The simulated house of the demo: measured outdoor air, replayed, around a house made by an integrator of its own."""

from .house import SimulatedHouse
from .outdoor import ATTRIBUTION, DATA, ORIGIN_OF_THE_AIR
from .recording import write_recording
from .truth import Event, Ledger, Truth

HOUSE_FILE = DATA / "tern_cottage.toml"

__all__ = [
    "ATTRIBUTION",
    "HOUSE_FILE",
    "ORIGIN_OF_THE_AIR",
    "Event",
    "Ledger",
    "SimulatedHouse",
    "Truth",
    "write_recording",
]
