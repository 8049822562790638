"""The house file: pydantic models, TOML, every error naming the key, the value and the fix."""

from .completeness import Missing, missing_keys
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
    "Missing",
    "QuietHours",
    "Ranges",
    "RatedDrop",
    "Sensor",
    "Site",
    "Targets",
    "Tariff",
    "Units",
    "missing_keys",
    "parse",
    "read_house",
]
