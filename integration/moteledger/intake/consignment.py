"""What a house sends its contractor's collector, and the receipt it gets: both ends of the way, so that they agree.

A consignment is the plain JSON of readings. The receipt accounts for every reading of it and names the digest of what
was kept, so that no stale, foreign or garbled answer is ever taken for word that these readings are safe.
"""

import hashlib
import json
import re
from collections.abc import Sequence
from datetime import UTC, datetime

from pydantic import Field, ValidationError

from ..settings import printable
from ..store import Appended, Reading, to_us
from .accept import Taken, what_became_of
from .moments import text_of
from .records import MOST_REFUSALS_TOLD, Records, Refusal, read_records
from .rooms import Rooms

MOST_READINGS = MOST_REFUSALS_TOLD
"""In one consignment: so few that each that is refused can be named."""

_LONGEST_TOLD = 400
_END_OF_TIME_US = to_us(datetime(2101, 1, 1, tzinfo=UTC))
_PLACE = re.compile(r"/readings/(\d{1,9})(?:/.*)?", re.DOTALL)


class Receipt(Taken):
    """What became of each reading of a consignment; what is not refused is on the collector's disk."""

    digest: str = Field(description="SHA-256 of the body, unpacked, in hexadecimal.")

    @property
    def appended(self) -> Appended:
        """What became of those that were not refused."""
        return Appended(self.accepted, self.repeated, self.differing, self.too_late)


class ReceiptError(ValueError):
    """An answer that is no receipt for what was sent; the message says why."""


def packed(readings: Sequence[Reading]) -> bytes:
    """The body of a consignment; raises ValueError or OverflowError for a time that no calendar shows."""
    written = [{"time": text_of(time_us), "signal": signal, "value": value} for time_us, signal, value in readings]
    return json.dumps({"readings": written}, separators=(",", ":")).encode()


def unpacked_records(body: bytes, rooms: Rooms | None = None) -> Records:
    """The readings of a consignment, and what of it cannot be used, as of one room too many; raises RecordsError.

    The house has held each stamp against its own clock when it took the reading in; the clock of whoever collects it
    days later says nothing of it.
    """
    return read_records(body, _END_OF_TIME_US, rooms=rooms)


def receipt_for(body: bytes, records: Records, appended: Appended) -> Receipt:
    """The receipt for a body whose usable readings are safe on the disk."""
    return Receipt(**dict(what_became_of(appended, records)), digest=hashlib.sha256(body).hexdigest())


def read_receipt(answer: bytes, body: bytes, count: int) -> tuple[Receipt, dict[int, Refusal]]:
    """The receipt for `body`, which held `count` readings, and its refusals by the number of the reading.

    Raises ReceiptError, and nothing else, for an answer that does not account for each of them.
    """
    try:
        receipt = Receipt.model_validate_json(answer)
    except ValidationError:
        raise ReceiptError("answered with no receipt; check that its address is that of a collector") from None
    if receipt.digest != hashlib.sha256(body).hexdigest():
        raise ReceiptError("answered with the receipt of something else; what stands between lets answers go astray")
    refused = {}
    for refusal in receipt.refusals:
        place = _PLACE.fullmatch(refusal.place)
        if place is None or int(place[1]) >= count:
            raise ReceiptError("refuses readings that were not sent; check that both run the same version")
        refused[int(place[1])] = _plain(int(place[1]), refusal)
    if len(refused) != receipt.refused or sum(receipt.appended) + receipt.refused != count:
        raise ReceiptError("does not account for each reading that was sent; check that both run the same version")
    return receipt, refused


def _plain(number: int, refusal: Refusal) -> Refusal:
    """A refusal as it may be kept and shown on a terminal: each reading keeps its own, and the other side wrote it."""
    value, reason = (printable(text[:_LONGEST_TOLD]) for text in (refusal.value, refusal.reason))
    return Refusal(place=f"/readings/{number}", value=value, reason=reason)
