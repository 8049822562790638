"""The house file: pydantic models, TOML, every error naming the key, the value and the fix."""

from .air_handler import AirHandler, BlowerPoint, BlowerType, Coil
from .alarms import AlarmRule
from .building import Building, DoorReading, Dust, Leakage, Site
from .candidates import Candidate, DuctKind, FittingLoss, RemoteDuct, Transition
from .collecting import Collecting
from .collector import Collector
from .completeness import Missing, doubts, missing_keys
from .fan import FanSettings, FanSpeed, NoiseHours
from .file import (
    CandidatesFileError,
    HouseFileError,
    SettingsFileError,
    read_candidates,
    read_collecting,
    read_house,
    read_round,
)
from .filter import FilterSettings, Gap, Ranges, RatedDrop
from .house import Clock, House, MechanicalVentilation, Outdoors, QuietHours, Targets, Tariff, Units
from .hub import Header, Hub, Way
from .mapping import MappedSignal, TimeUnit
from .mqtt import Mqtt, MqttTopic
from .network import LOOPBACK_NAMES, Network
from .pointer import NoSuchPlaceError, value_at
from .printable import printable
from .quantities import parse
from .rounds import Round, RoundStop
from .secret import Secret, SecretError
from .sensor import Sensor
from .tls import Tls, TlsError
from .webhooks import Webhook

__all__ = [
    "LOOPBACK_NAMES",
    "AirHandler",
    "AlarmRule",
    "BlowerPoint",
    "BlowerType",
    "Building",
    "Candidate",
    "CandidatesFileError",
    "Clock",
    "Coil",
    "Collecting",
    "Collector",
    "DoorReading",
    "DuctKind",
    "Dust",
    "FanSettings",
    "FanSpeed",
    "FilterSettings",
    "FittingLoss",
    "Gap",
    "Header",
    "House",
    "HouseFileError",
    "Hub",
    "Leakage",
    "MappedSignal",
    "MechanicalVentilation",
    "Missing",
    "Mqtt",
    "MqttTopic",
    "Network",
    "NoSuchPlaceError",
    "NoiseHours",
    "Outdoors",
    "QuietHours",
    "Ranges",
    "RatedDrop",
    "RemoteDuct",
    "Round",
    "RoundStop",
    "Secret",
    "SecretError",
    "Sensor",
    "SettingsFileError",
    "Site",
    "Targets",
    "Tariff",
    "TimeUnit",
    "Tls",
    "TlsError",
    "Transition",
    "Units",
    "Way",
    "Webhook",
    "doubts",
    "missing_keys",
    "parse",
    "printable",
    "read_candidates",
    "read_collecting",
    "read_house",
    "read_round",
    "value_at",
]
