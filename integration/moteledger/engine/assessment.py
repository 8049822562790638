"""What an assessment says: the document that `assess` writes and the service serves.

Every estimated number carries its unit and its 90 % interval, or the reason why it is not known yet.
"""

from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer


def _rfc3339(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds").replace("+00:00", "Z")


Moment = Annotated[datetime, PlainSerializer(_rfc3339, return_type=str, when_used="json")]


class Document(BaseModel):
    """Base of every part: immutable, no unknown key, no NaN."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Known(Document):
    """A number with its unit and the interval that holds it with 90 % confidence."""

    value: float
    low: float
    high: float
    unit: str


class NotKnown(Document):
    """A number that cannot be given, and why."""

    value: None = None
    reason: str


Figure = Known | NotKnown


class Figures(Document):
    """The five figures of a house; the same keys for what was estimated and for what the survey leads one to expect."""

    outdoor_entry_per_h: Figure
    loss_fan_off_per_h: Figure
    clean_air_delivered_m3h: Figure
    installed_efficiency: Figure
    sensor_gain_ratio: Figure


class Period(Document):
    """The time covered, and the step the readings were averaged to."""

    start: Moment
    end: Moment
    step_s: float
    time_zone: str


class SignalQuality(Document):
    """How good one signal's readings were over the period."""

    signal: str
    readings: int
    coverage: Annotated[float, Field(ge=0, le=1)]
    longest_gap_h: float
    remarks: tuple[str, ...] = ()


class DataQuality(Document):
    """All signals that were read, those that are missing, and what that costs."""

    signals: tuple[SignalQuality, ...]
    missing: tuple[str, ...]
    remarks: tuple[str, ...] = ()


class Cause(Document):
    """One likely cause of a shortfall, and what to look at next."""

    cause: str
    evidence: str
    next_step: str


class Verdict(StrEnum):
    """Whether the assembly delivers what the survey leads one to expect (85 % of it, told with confidence)."""

    DELIVERS = "delivers"
    SHORT = "short"
    CANNOT_TELL = "cannot_tell"


class Delivery(Document):
    """Expected against delivered clean air.

    `bypass`: the share of the fan's air that slips past the filter, by the clean air and the filter's drop together;
    `reason` says whether that is told. None without a drop to tell it by.
    """

    verdict: Verdict
    reason: str
    share_of_expected: Figure
    bypass: Figure | None = None
    likely_causes: tuple[Cause, ...] = ()


class DeviceMass(Document):
    """What one device took out."""

    device: str
    filtered_mg: float


class MassBounds(Document):
    """The 90 % interval of one entry of the ledger, mg; `entry` is the entry's name without its unit."""

    entry: Literal["entered", "generated", "filtered", "settled", "carried_out", "stored"]
    low_mg: float
    high_mg: float


class Ledger(Document):
    """The account of PM2.5 mass over the period, mg."""

    basis: str
    entered_mg: float
    generated_mg: float
    filtered_mg: float
    settled_mg: float
    carried_out_mg: float
    stored_mg: float
    closure: float
    by_device: tuple[DeviceMass, ...]
    by_day: tuple["LedgerDay", ...] = ()
    bounds: tuple[MassBounds, ...] = ()


class LedgerDay(Document):
    """One local day's account, mg."""

    day: date
    entered_mg: float
    generated_mg: float
    filtered_mg: float
    settled_mg: float
    carried_out_mg: float
    stored_mg: float


class Event(Document):
    """Particles made indoors between two moments."""

    start: Moment
    end: Moment
    emitted_mg: Figure
    peak_ug_m3: float


class PressureChange(Document):
    """A sudden change of the filter's drop at the reference airflow, Pa, and what it most likely is."""

    time: Moment
    before_pa: float
    after_pa: float
    likely: str
    evidence: str


LimitReason = Literal["pressure", "airflow", "efficiency", "dust", "age"]


FARTHEST_DAYS = 3650.0
"""No day of a filter is told farther ahead than these ten years."""


class FilterLimit(Document):
    """One limit of a filter's life: the day on which it is reached and its 90 % interval, and why that is one.

    None where there is no such day; `told` says why not, in the same plain words. A day ten years (3,650 days) after
    the end of the period stands for that day or any later one.
    """

    reason: LimitReason
    on: date | None = None
    earliest: date | None = None
    latest: date | None = None
    told: str


class FilterAdvice(Document):
    """When to change the filter and why.

    `order_by` leaves time to buy one; after `cost_best_on` keeping it costs more than a new one. `installed_on` is when
    this one went in, and `change_seen_on` the day on which the drop fell as it does when a filter is changed.
    `drop_when_new_pa`: at the reference airflow in its first day of running; None where no drop is measured. `limits`:
    each limit of its life, the first to be reached first; the first one's day is `change_on`. Days ten years ahead
    stand for any later one too, as those of `limits`.
    """

    drop_at_reference_pa: Figure
    reference_airflow_m3h: float | None
    drop_limit_pa: float | None
    deposited_g: Figure
    change_on: date | None
    change_between: tuple[date, date] | None
    reason: str
    order_by: date | None = None
    cost_best_on: date | None = None
    installed_on: date | None = None
    change_seen_on: date | None = None
    drop_when_new_pa: Figure | None = None
    pressure_changes: tuple[PressureChange, ...] = ()
    limits: tuple[FilterLimit, ...] = ()


Action = Literal["run", "rest", "leave"]


class FanSpan(Document):
    """A stretch of the schedule in which the fan is to run, at the speed of the house file that is named, if any."""

    start: Moment
    end: Moment
    speed: str | None = None


class DataBehind(Document):
    """The newest reading of a signal that an advice rests on, and until when it can stand in for newer ones."""

    signal: str
    newest: Moment
    good_until: Moment


class Alternative(Document):
    """One way to run the fan over the same forecast.

    `hours_above_target` are those with more than the target; `holds_target` whether its means by days keep within it by
    the margin that the schedule keeps as well. `cost` is that of energy; `noise_and_wear_cost` what the house file
    prices beside it, over the calls, if it does.
    """

    name: str
    run_hours: float
    energy_kwh: Figure
    mean_pm25: Figure
    cost: Figure
    hours_above_target: float | None = None
    holds_target: bool | None = None
    noise_and_wear_cost: float | None = None


class HourAhead(Document):
    """One hour of the forecast: PM2.5 outdoors, and indoors if the advised schedule is kept, ug/m3.

    `*_between` are 90 % intervals; the indoor one is what the outdoor forecast's own interval makes of it.
    """

    start: Moment
    outdoor_pm25: float
    outdoor_between: tuple[float, float]
    indoor_pm25: float
    indoor_between: tuple[float, float]


class FanAdvice(Document):
    """The schedule for the hours ahead, beside the simple alternatives on the same forecast.

    `planned_from` and `planned_until` are the ends of those hours: between them, no span of the schedule means rest.
    `based_on` names the readings behind the advice, and `confidence` (0..1) is how sure it is that `action_now` is
    right. On the same forecast no schedule could save more than the share `gap_to_bound` of what this one costs beyond
    the calls. `expected_pm25_by_hour` is what the schedule should come to indoors, ug/m3; `hours_ahead` the forecast
    behind it. `cautions` are the codes of those that belong to it. `budget_left_kwh` is what the house file's budget
    leaves for each calendar day of the plan; with one, the gap is the share of the mean by which a schedule within it
    could be cleaner. Up to `early_until` it runs in case the outdoor air turns, where it could wait if that came as
    expected.
    """

    action_now: Action
    reason: str
    valid_until: Moment
    forecast_basis: str
    schedule: tuple[FanSpan, ...]
    run_hours: float
    energy_kwh: Figure
    mean_pm25: Figure
    target_ug_m3: float
    alternatives: tuple[Alternative, ...]
    planned_from: Moment | None = None
    planned_until: Moment | None = None
    hours_above_target: float | None = None
    holds_target: bool | None = None
    gap_to_bound: float | None = None
    based_on: tuple[DataBehind, ...] = ()
    confidence: Annotated[float, Field(ge=0, le=1)] = 0.0
    expected_pm25_by_hour: tuple[float, ...] = ()
    hours_ahead: tuple[HourAhead, ...] = ()
    noise_and_wear_cost: float | None = None
    budget_left_kwh: tuple[float, ...] | None = None
    early_until: Moment | None = None
    cautions: tuple[str, ...] = ()


class Air(Document):
    """The air at the end of the period."""

    time: Moment
    indoor_pm25: Figure
    outdoor_pm25: Figure
    nowcast_pm25: Figure
    index: int | None
    category: str | None
    indoor_day_mean_pm25: Figure
    guideline_day_pm25: float
    sentence: str


class TracePoint(Document):
    """One point of the traces that the cards draw: measured indoors and outdoors, and the model's account.

    `modelled_between` is the 90 % interval of the model's value.
    """

    time: Moment
    indoor_pm25: float | None
    outdoor_pm25: float | None
    modelled_pm25: float | None
    fan_fraction: float | None
    modelled_between: tuple[float, float] | None = None


class Caution(Document):
    """A caution that travels with the advice it belongs to; `when` says under which condition it is told."""

    code: str
    text: str
    when: str = "always"
    applies_to: Literal["fan", "filter", "delivery"]


class Assessment(Document):
    """Everything one recording, or the readings kept so far, say about a house."""

    house: str
    period: Period
    data_quality: DataQuality
    air: Air
    estimates: Figures
    expected: Figures
    delivery: Delivery
    ledger: Ledger
    events: tuple[Event, ...]
    filter: FilterAdvice
    fan: FanAdvice
    cautions: tuple[Caution, ...]
    trace: tuple[TracePoint, ...] = ()

    def in_sight(self, day: date) -> bool:
        """Whether a day of the filter's is meant as it is: the farthest that is told stands for any later one too."""
        today = self.period.end.astimezone(ZoneInfo(self.period.time_zone)).date()
        return day < today + timedelta(days=FARTHEST_DAYS)
