"""The house file: pydantic models, TOML, every error naming the key, the value and the fix."""

from .file import HouseFileError, read_house
from .house import (
    AirHandler,
    BlowerType,
    Building,
    DoorReading,
    FilterSettings,
    Gap,
    House,
    Leakage,
    QuietHours,
    Ranges,
    RatedDrop,
    Sensor,
    Site,
    Targets,
    Tariff,
    Units,
)
from .quantities import parse

__all__ = [
    "AirHandler",
    "BlowerType",
    "Building",
    "DoorReading",
    "FilterSettings",
    "Gap",
    "House",
    "HouseFileError",
    "Leakage",
    "QuietHours",
    "Ranges",
    "RatedDrop",
    "Sensor",
    "Site",
    "Targets",
    "Tariff",
    "Units",
    "parse",
    "read_house",
]
