"""A consignment arrives as it was sent, to the last digit, and only a receipt that accounts for all of it is one."""

import json
import struct
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from moteledger.intake import RecordsError
from moteledger.intake.consignment import ReceiptError, packed, read_receipt, receipt_for, unpacked_records
from moteledger.signals import SIGNALS
from moteledger.store import Appended, Reading, to_us

FIRST_US, LAST_US = to_us(datetime(1990, 1, 1, tzinfo=UTC)), to_us(datetime(2100, 12, 31, tzinfo=UTC))


@st.composite
def readings(draw: st.DrawFn) -> Reading:
    signal = SIGNALS[draw(st.sampled_from(sorted(SIGNALS)))]
    return Reading(draw(st.integers(FIRST_US, LAST_US)), signal.name, draw(st.floats(signal.low, signal.high)))


def bits(reading: Reading) -> tuple[int, str, bytes]:
    return reading.time_us, reading.signal, struct.pack("d", reading.value)


@settings(max_examples=50)
@given(st.lists(readings(), min_size=1, max_size=20))
def test_what_is_unpacked_is_what_was_packed_bit_for_bit_whatever_the_clock_here_shows(sent) -> None:
    records = unpacked_records(packed(sent))
    assert list(map(bits, records.readings)) == list(map(bits, sent))
    assert records.refused == 0


@settings(max_examples=50)
@given(
    st.binary(max_size=200)
    | st.text(max_size=200).map(str.encode)
    | st.builds(
        json.dumps,
        st.recursive(
            st.none() | st.booleans() | st.floats() | st.text(max_size=8),
            lambda inner: (
                st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(["readings", "time", "value"]), inner)
            ),
        ),
    ).map(str.encode)
)
def test_no_body_whatever_breaks_the_reading_of_it(body: bytes) -> None:
    try:
        records = unpacked_records(body)
    except RecordsError:
        return
    assert records.refused >= len(records.refusals)


SENT = [Reading(FIRST_US + n, "duct.static_pressure", 1.0) for n in range(4)]
BODY = packed([*SENT, Reading(FIRST_US, "duct.static_pressure", 1e9)])


def receipt() -> dict:
    records = unpacked_records(BODY)
    return json.loads(receipt_for(BODY, records, Appended(2, 1, 1, 0)).model_dump_json())


def test_the_receipt_for_a_body_is_taken_and_names_what_was_refused() -> None:
    told, refused = read_receipt(json.dumps(receipt()).encode(), BODY, 5)
    assert told.appended == Appended(2, 1, 1, 0)
    assert list(refused) == [4]
    assert "outside what duct.static_pressure can be" in refused[4].reason


def test_a_refusal_is_kept_in_one_short_line_whatever_the_collector_writes_into_it() -> None:
    # ECMA-48: ESC begins what a terminal obeys; a house keeps a reason for each reading that is refused.
    written = {
        "place": "/readings/4/" + "x" * 5000,
        "value": "\x9b2J\n1e9",
        "reason": "\x1b]0;mine\x07" + "y" * 100_000,
    }
    _, refused = read_receipt(json.dumps({**receipt(), "refusals": [written]}).encode(), BODY, 5)
    told = refused[4]
    assert (told.place, told.value) == ("/readings/4", " 2J 1e9")
    assert told.reason.startswith(" ]0;mine yyy")
    assert len(told.reason) == 400


WRONG = {
    "digest": ["", "0" * 64, None],
    "accepted": [1, 3, -2, "two", None],
    "refused": [0, 2],
    "too_late": [1],
    "refusals": [
        [],
        [{"place": "/readings/5", "value": "", "reason": ""}],
        [{"place": "/readings/-1", "value": "", "reason": ""}],
        [{"place": "", "value": "", "reason": ""}],
        [{"place": f"/readings/{n}", "value": "", "reason": ""} for n in (3, 4)],
    ],
}


@pytest.mark.parametrize(("key", "value"), [(key, value) for key, values in WRONG.items() for value in values])
def test_a_receipt_that_does_not_account_for_each_reading_is_none(key: str, value: object) -> None:
    with pytest.raises(ReceiptError):
        read_receipt(json.dumps({**receipt(), key: value}).encode(), BODY, 5)


@settings(max_examples=30)
@given(st.binary(max_size=300))
def test_an_answer_of_something_else_is_no_receipt(answer: bytes) -> None:
    with pytest.raises(ReceiptError):
        read_receipt(answer, BODY, 5)


@pytest.mark.parametrize("other", [packed(SENT), BODY + b" "])
def test_the_receipt_of_another_body_is_none(other: bytes) -> None:
    with pytest.raises(ReceiptError, match="something else"):
        read_receipt(json.dumps(receipt()).encode(), other, 5)
