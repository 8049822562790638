"""What the readings tell of a house: continuous identification, events, decay tests, verdicts, the pressure watch.

Every answer is an `Estimate` with its 90 % interval or an `Unknown` that says what would make the data tell.
"""

from .answer import Answer, Estimate, Unknown
from .events import Event
from .identification import GainPrior, Identification, identify
from .record import HouseRecord

__all__ = ["Answer", "Estimate", "Event", "GainPrior", "HouseRecord", "Identification", "Unknown", "identify"]
