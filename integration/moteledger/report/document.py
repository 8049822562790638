"""What a report for a client says, as a document: the assessment, and what a longer look at the same readings shows.

Every number that the report prints is read from here by its JSON Pointer (RFC 6901), so that the page, the PDF and the
JSON cannot differ.
"""

from datetime import date

from ..engine import Proof
from ..engine.assessment import Assessment, Document, Figure, Period, TracePoint


class Surveyed(Document):
    """One thing that the survey knows: a number in an inside unit, at an airflow where it depends on one, or words."""

    name: str
    value: float | str
    unit: str = ""
    at_airflow_m3h: float | None = None


class DayOfPressure(Document):
    """The filter's drop at the reference airflow on one day, the median of its running hours."""

    day: date
    drop_pa: float


class DayOfStatic(Document):
    """The duct's static pressure while the fan ran on one day: median, and the tenth and ninetieth hundredth."""

    day: date
    median_pa: float
    low_pa: float
    high_pa: float


class Fit(Document):
    """How well the account's course of the indoor air fits what was measured, over the steps of the drawing.

    Residuals are measured less modelled: `bias_ug_m3` their mean, `typical_ug_m3` their median size, `explained` the
    share of the variance that the course explains (1 is all of it). None where the two are never known together.
    """

    points: int
    step_min: float
    bias_ug_m3: float | None
    typical_ug_m3: float | None
    explained: float | None


class Energy(Document):
    """What the fan ran and drew over the period; `basis` says where the power is from."""

    fan_hours: float
    fan_share: float
    power_w: float
    energy_kwh: Figure
    cost: Figure
    basis: str


class Side(Document):
    """One side of a change: its time, and what was found in it."""

    period: Period
    indoor_mean_ug_m3: float
    outdoor_mean_ug_m3: float
    clean_air_delivered_m3h: Figure
    installed_efficiency: Figure
    drop_at_reference_pa: Figure


class Change(Document):
    """The air before and after a day on which the filter was changed or the assembly fitted.

    A side that is too short to be assessed is None, with the reason.
    """

    changed_on: date
    known_by: str
    before: Side | None
    after: Side | None
    remarks: tuple[str, ...] = ()


class ClientReport(Document):
    """The whole report. `proof` is None where the record holds no decay that a test could be evaluated by."""

    made_on: date
    house: tuple[Surveyed, ...]
    installed: tuple[Surveyed, ...]
    assessment: Assessment
    proof: Proof | None
    change: Change | None
    course: tuple[TracePoint, ...]
    fit: Fit
    filter_drop: tuple[DayOfPressure, ...]
    duct_static: tuple[DayOfStatic, ...]
    energy: Energy
    lasted_h: float
    event_count: int
    event_emitted_mg: float
    came_in_mg: float
    went_out_mg: float
    filtered_share: float | None
