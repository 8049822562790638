"""What the readings tell of a house: continuous identification, events, decay tests, verdicts, the pressure watch.

Every answer is an `Estimate` with its 90 % interval or an `Unknown` that says what would make the data tell.

Parts: `answer`, `record` (what all work on), `recurrence` (the balance behind a noisy sensor), `fit` (robust fit and
its intervals), `outdoors` (what the outdoor readings say), `house_model` (what is fitted), `gain`, `events`, `airing`,
`account` (what was made indoors), `answers`, `identification` (all of it together), `decay`, `bypass`, `verdict`,
`theil_sen` (a straight line that outliers do not tilt), `pressure`.
"""

from .answer import Z_90, Answer, Estimate, Unknown
from .bypass import bypass_share, clean_drop, drop_when_new
from .decay import USUAL_ENTRY, Decay, DecayTest, by_weather_per_h, combined, decay_test, fit_decay
from .events import Event
from .gain import GainPrior, gain_side_by_side
from .identification import Identification, identify
from .pressure import (
    STANDING_AIR,
    DailyDrops,
    PressureStep,
    PressureWatch,
    StepKind,
    drop_at_reference,
    watch_pressure,
)
from .record import HouseRecord
from .theil_sen import TheilSenLine, theil_sen_line
from .verdict import SHARE_NEEDED, Cause, CauseKind, Delivery, Evidence, Verdict, judge, quotient

__all__ = [
    "SHARE_NEEDED",
    "STANDING_AIR",
    "USUAL_ENTRY",
    "Z_90",
    "Answer",
    "Cause",
    "CauseKind",
    "DailyDrops",
    "Decay",
    "DecayTest",
    "Delivery",
    "Estimate",
    "Event",
    "Evidence",
    "GainPrior",
    "HouseRecord",
    "Identification",
    "PressureStep",
    "PressureWatch",
    "StepKind",
    "TheilSenLine",
    "Unknown",
    "Verdict",
    "by_weather_per_h",
    "bypass_share",
    "clean_drop",
    "combined",
    "decay_test",
    "drop_at_reference",
    "drop_when_new",
    "fit_decay",
    "gain_side_by_side",
    "identify",
    "judge",
    "quotient",
    "theil_sen_line",
    "watch_pressure",
]
