"""What a comparison says: the document that `compare` writes, candidate by candidate, in inside units.

Every estimated number carries its unit and its 90 % interval, or the reason why it is not known.
"""

from enum import StrEnum

from .assessment import Caution, Document, Figure


class Ranking(StrEnum):
    """By what the candidates are ordered."""

    CLEAN_AIR = "clean-air"
    COST = "cost"
    LIFE = "life"
    ORDINARY_DAY = "ordinary-day"
    SMOKE_DAY = "smoke-day"


class Finding(Document):
    """A limit that is overstepped: the figure, the limit in the same unit, what the limit rests on, what follows."""

    rule: str
    name: str
    value: float
    limit: float
    unit: str
    basis: str
    consequence: str


class Stage(Document):
    """What the system does at one moment of the filter's life.

    `merv` is what the whole assembly meets, gaps included, at least and at most; 0 is below MERV 5.
    `clean_air_m3h`: while the fan runs. `temperature_rise_k`: across the furnace, where its output is known.
    """

    day: float
    airflow_m3h: float
    airflow_per_ton_m3h: float | None
    external_static_pa: float
    filter_drop_pa: float
    fan_power_w: float
    face_velocity_m_s: float
    temperature_rise_k: float | None
    merv: tuple[int, int]
    pm25_efficiency: Figure
    clean_air_m3h: Figure


class IndoorAir(Document):
    """Indoor PM2.5, ug/m3, windows shut: on an ordinary and on a smoke day, at the typical runtime and always on."""

    ordinary_typical: Figure
    ordinary_always_on: Figure
    smoke_typical: Figure
    smoke_always_on: Figure


class Life(Document):
    """How long a filter lasts in this house: months, what ends it, and the days in numbers."""

    months: Figure
    ended_by: str
    reason: str


class LifePoint(Document):
    """A moment of a filter's life: clean air while the fan runs, and what the loading does to the system."""

    day: float
    clean_air_m3h: float
    airflow_m3h: float
    external_static_pa: float
    filter_drop_pa: float


class Cost(Document):
    """A year's cost in the house's currency: media at each change, fan energy at the typical runtime; and once."""

    media: Figure
    fan_energy_kwh: Figure
    fan_energy: Figure
    yearly: Figure
    assembly_once: float | None


class CurvePoint(Document):
    """A point of a pressure curve."""

    airflow_m3h: float
    pressure_pa: float


class Outcome(Document):
    """What this system does with a filter over its life.

    `clean_air_typical_m3h` and `clean_air_always_on_m3h` are means over the filter's life; `indoor` is half way through
    it.
    """

    end: Stage
    clean_air_typical_m3h: Figure
    clean_air_always_on_m3h: Figure
    indoor: IndoorAir
    life: Life
    cost: Cost
    course: tuple[LifePoint, ...]


class Entry(Document):
    """A candidate: its mark in the pictures, its rank, what refuses it, what to know of it.

    A refused one has no rank and no outcome; `new` is None where the blower finds no operating point with it.
    `cooling_capacity_left`: of the present one, where the assembly covers more of the coil.
    """

    mark: str
    name: str
    rank: int | None
    refusals: tuple[Finding, ...]
    warnings: tuple[Finding, ...]
    remarks: tuple[str, ...]
    system_curve: tuple[CurvePoint, ...]
    new: Stage | None
    cooling_capacity_left: float | None
    outcome: Outcome | None


class BlowerCurve(Document):
    """The blower against static pressure, and the point of the survey."""

    name: str
    points: tuple[CurvePoint, ...]
    surveyed: CurvePoint


class Conditions(Document):
    """What the comparison rests on."""

    fan_runtime: Figure
    ordinary_outdoor_ug_m3: float
    smoke_outdoor_ug_m3: float
    ordinary_unfiltered_ug_m3: float
    smoke_unfiltered_ug_m3: float
    target_ug_m3: float
    least_airflow_m3h: float | None
    most_static_pa: float
    most_static_is_rated: bool
    assumptions: tuple[str, ...]


class Comparison(Document):
    """Candidates compared on one house: the fitting ones by rank, then the refused ones, and the filter in place."""

    house: str
    ranked_by: Ranking
    currency: str
    entries: tuple[Entry, ...]
    in_place: Entry | None
    blower: BlowerCurve
    conditions: Conditions
    cautions: tuple[Caution, ...]

    @property
    def fitting(self) -> tuple[Entry, ...]:
        """The candidates that this system can breathe through."""
        return tuple(entry for entry in self.entries if entry.rank is not None)

    @property
    def refused(self) -> tuple[Entry, ...]:
        """The candidates that this system cannot breathe through."""
        return tuple(entry for entry in self.entries if entry.rank is None)
