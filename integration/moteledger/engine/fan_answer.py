"""The answer that an automation may act on: what the fan should do now, why, until when, and what it rests on."""

from enum import StrEnum
from typing import Annotated

from pydantic import Field

from .assessment import Action, DataBehind, Document, Moment


class ReasonCode(StrEnum):
    """Why the answer is what it is, for machines; the sentence beside it is for people.

    `PLANNED_RUN_EARLY` is a run that could wait if the air came as expected, made in case it turns.
    """

    PLANNED_RUN = "planned_run"
    PLANNED_RUN_EARLY = "planned_run_early"
    PLANNED_REST = "planned_rest"
    LEAST_RUN_TIME = "least_run_time"
    LEAST_REST_TIME = "least_rest_time"
    PERSON = "person"
    NO_ADVICE = "no_advice"
    CANNOT_TELL = "cannot_tell"
    DOUBT = "doubt"
    STALE_DATA = "stale_data"
    LAPSED = "lapsed"
    CLOCK = "clock"
    STORE = "store"
    SHUTDOWN = "shutdown"


class Override(Document):
    """What a person wants of the fan instead of the plan, from when until when."""

    action: Action
    given: Moment
    until: Moment
    note: str = ""


class FanAnswer(Document):
    """What the fan should do now.

    `run` asks for the fan, `rest` asks not to run it for the air, `leave` asks for nothing: the thermostat has it. Once
    `valid_until` has passed, whatever was said before means `leave`. `since` is when the action was first given;
    `confidence` how sure it is that the action is right, 0..1, and 0 with `leave`, which claims nothing.
    `expected_pm25_by_hour` is what the plan expects indoors in the hours from now on, ug/m3, for the score;
    `speed` the speed to run at, by the name that the house file gives it, where it lists any; `cautions` the codes of
    what to mind with it, whose words stand with the advice.
    """

    action: Action
    reason_code: ReasonCode
    reason: str
    since: Moment
    valid_until: Moment
    confidence: Annotated[float, Field(ge=0, le=1)]
    based_on: tuple[DataBehind, ...] = ()
    override: Override | None = None
    expected_pm25_by_hour: tuple[float, ...] = ()
    speed: str | None = None
    cautions: tuple[str, ...] = ()
