"""The declared mapping: JSON Pointer, units, scale, words, times; and whatever JSON comes, nothing but a refusal."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from moteledger.intake import converted, moment_us
from moteledger.settings import MappedSignal, NoSuchPlaceError, value_at
from moteledger.signals import SIGNALS
from moteledger.store import Reading

NOW_US = moment_us("2026-01-31T14:05:00Z")

# RFC 6901 section 5, the document and all of its examples.
RFC_6901 = {"foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8}
EXAMPLES = {
    "": RFC_6901,
    "/foo": ["bar", "baz"],
    "/foo/0": "bar",
    "/": 0,
    "/a~1b": 1,
    "/c%d": 2,
    "/e^f": 3,
    "/g|h": 4,
    "/i\\j": 5,
    '/k"l': 6,
    "/ ": 7,
    "/m~0n": 8,
}


@pytest.mark.parametrize(("pointer", "value"), EXAMPLES.items())
def test_the_examples_of_rfc_6901(pointer: str, value: object) -> None:
    assert value_at(RFC_6901, pointer) == value


@pytest.mark.parametrize(
    "pointer", ["/bar", "/foo/2", "/foo/-", "/foo/01", "/foo/+1", "/foo/-1", "/foo/0/x", "/foo/\u0660"]
)
def test_a_place_that_is_not_there_is_told(pointer: str) -> None:
    # RFC 6901 section 4: no leading zeros, only ASCII digits, "-" is the member after the last.
    with pytest.raises(NoSuchPlaceError):
        value_at(RFC_6901, pointer)


@pytest.mark.parametrize("pointer", ["foo", "/a~", "/a~2b"])
def test_what_is_no_pointer_is_refused_in_the_house_file(pointer: str) -> None:
    with pytest.raises(ValidationError, match="is not a JSON Pointer"):
        MappedSignal(signal="indoor.pm25", pointer=pointer)


def of(document: object, **mapping: object):
    return converted([MappedSignal(**mapping)], document, NOW_US)


def value(document: object, **mapping: object) -> float:
    ((reading, _, _),) = [(each.reading, each.raw, each.unit) for each in of(document, **mapping).arrived]
    return reading.value


def reason(document: object, **mapping: object) -> str:
    found = of(document, **mapping)
    assert not found.arrived
    return found.refused[0].refusal.reason


def test_a_value_is_scaled_shifted_and_converted_from_its_unit() -> None:
    # NIST SP 811 (2008) appendix B.8: 1 inch of water (conventional) = 249.0889 Pa; 50 degF = 10 degC by definition.
    assert value({"p": 5}, signal="filter.pressure_drop", pointer="/p", unit="in.w.c.", scale=0.1) == pytest.approx(
        124.54445
    )
    assert value(500, signal="indoor.temperature", unit="degF", scale=0.1) == pytest.approx(10.0)
    assert value("21.5", signal="indoor.temperature", offset=-0.5) == pytest.approx(21.0)
    assert value({"v": 68, "u": "degF"}, signal="indoor.temperature", pointer="/v", unit_at="/u") == pytest.approx(20.0)


def test_a_raw_value_is_shown_with_all_that_is_made_of_it() -> None:
    shown = [
        of(84, signal="indoor.pm25", scale=0.1),
        of("702", signal="indoor.temperature", unit="degF", scale=0.1, offset=-1.5),
        of(5, signal="indoor.pm25", offset=0.5),
        of(5, signal="indoor.pm25"),
    ]
    assert [f"{each.raw} {each.unit}" for found in shown for each in found.arrived] == [
        "84 * 0.1 ug/m3",
        '"702" * 0.1 - 1.5 degF',
        "5 + 0.5 ug/m3",
        "5 ug/m3",
    ]


def test_words_are_states() -> None:
    words = {"signal": "fan.running", "states": {"on": 1, "off": 0, "low": 0.4, "2": 1}}
    assert [value(word, **words) for word in ("on", "off", "low", 2, True, False, 0.25)] == [1, 0, 0.4, 1, 1, 0, 0.25]
    assert value(True, signal="window.open", states={"true": 0, "false": 1}) == 0.0
    assert "states knows on, off, low, 2; add this word" in reason("high", **words)


def test_the_time_is_told_by_the_document_or_is_that_of_arrival() -> None:
    told = {"signal": "indoor.pm25", "pointer": "/v", "time": "/t"}
    for written, unit in (
        ("2026-01-31T09:00:00-05:00", "s"),
        (1769868000, "s"),
        ("1769868000.0", "s"),
        (1769868000000, "ms"),
    ):
        (each,) = of({"v": 8.5, "t": written}, **told, time_in=unit).arrived
        assert each.reading == Reading(moment_us("2026-01-31T14:00:00Z"), "indoor.pm25", 8.5), written
    (each,) = of(8.5, signal="indoor.pm25").arrived
    assert (each.reading.time_us, each.raw, each.unit) == (NOW_US, "8.5", "ug/m3")


@pytest.mark.parametrize(
    ("document", "told"),
    [
        ({"v": 8, "t": "2026-01-31T14:11:00Z"}, "is 360 s ahead of the clock here"),
        ({"v": 8, "t": "2025-12-30T14:00:00Z"}, "is late: 2025-12-30T14:00:00Z is more than 31 days ago"),
        ({"v": 8, "t": "yesterday"}, "is not an RFC 3339 time"),
        ({"v": 8, "t": None}, "is not a time"),
        ({"v": 8, "t": True}, "is not a time"),
        ({"v": 8, "t": 1e300}, "ahead of the clock here"),
        ({"v": 8}, "the document has no time there"),
        ({"v": None, "t": 0}, "is null: the sender knows no value now"),
        ({"v": [], "t": 0}, "is no single value"),
        ({"v": "n/a", "t": 0}, "is no number"),
        ({"v": True, "t": 0}, "is true or false, and indoor.pm25 is not a state"),
        ({"v": 99999, "t": 0}, "99999 ug/m3 is outside what indoor.pm25 can be"),
        ({"v": 10**400, "t": 0}, "is too large"),
        ({"v": 8, "t": "2026-01-31T14:05:00Z", "u": "ppm"}, "'ppm' is not a unit of concentration"),
    ],
)
def test_what_cannot_be_used_is_refused_with_its_reason(document: dict[str, object], told: str) -> None:
    unit = {"unit_at": "/u"} if "u" in document else {}
    assert told in reason(document, signal="indoor.pm25", pointer="/v", time="/t", **unit)


def test_a_document_without_the_place_tells_nothing_of_the_signal() -> None:
    found = of({"other": 1}, signal="indoor.pm25", pointer="/v")
    assert (found.arrived, found.refused, found.absent) == ([], [], ["indoor.pm25"])


def test_a_mapping_may_be_for_some_documents_only() -> None:
    hall = {"signal": "room:hall.pm25", "pointer": "/v", "only_where": {"/kind": "pm", "/room": 2}}
    assert value({"kind": "pm", "room": 2, "v": 4}, **hall) == 4.0
    for other in ({"kind": "co2", "room": 2, "v": 4}, {"kind": "pm", "room": 3, "v": 4}, {"v": 4}):
        found = of(other, **hall)
        assert not (found.arrived or found.refused or found.absent)


def test_runtime_comes_as_a_state_as_seconds_or_as_a_counter() -> None:
    document = {"state": "on", "ran": 5, "hours": 1234.5}
    assert value(document, signal="fan.running", pointer="/state", states={"on": 1, "off": 0}) == 1.0
    assert value(document, signal="fan.runtime", pointer="/ran", unit="min") == 300.0
    assert value(document, signal="fan.runtime_total", pointer="/hours", unit="h") == 1234.5 * 3600.0


@pytest.mark.parametrize(
    ("mapping", "told"),
    [
        ({"signal": "indoor.pm2"}, "did you mean"),
        ({"signal": "indoor.pm25", "unit": "Pa"}, "'Pa' is not a unit of concentration"),
        ({"signal": "indoor.pm25", "unit": "ug/m3", "unit_at": "/u"}, "not both"),
        ({"signal": "indoor.pm25", "states": {"on": 1}}, "is not a state"),
        ({"signal": "indoor.pm25", "scale": 0}, "scale: 0 makes"),
        ({"signal": "fan.running", "states": {"on": 2}}, "less than or equal to 1"),
    ],
)
def test_a_mapping_that_cannot_work_is_refused_in_the_house_file(mapping: dict[str, object], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        MappedSignal(**mapping)


scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.just(10**400)
documents = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(["v", "t", "u", "0", "~", "/"]), inner),
    max_leaves=12,
)
pointers = st.sampled_from(["", "/v", "/t", "/u", "/v/0", "/0", "/v/v", "/~0", "/~1", "/v/t"])


@given(
    document=documents,
    signal=st.sampled_from(sorted(SIGNALS)),
    pointer=pointers,
    unit_at=st.none() | pointers,
    time=st.none() | pointers,
    milliseconds=st.booleans(),
    scale=st.floats(-1e9, 1e9).filter(lambda scale: scale != 0.0),
    only_where=st.dictionaries(pointers, st.text(max_size=3) | st.booleans() | st.integers(), max_size=1),
)
def test_no_json_brings_anything_but_plausible_readings_or_refusals(
    document, signal, pointer, unit_at, time, milliseconds, scale, only_where
) -> None:
    mapping = MappedSignal(
        signal=signal,
        pointer=pointer,
        unit_at=unit_at,
        time=time,
        time_in="ms" if milliseconds else "s",
        scale=scale,
        only_where=only_where,
    )
    found = converted([mapping], document, NOW_US)
    assert len(found.arrived) + len(found.refused) + len(found.absent) <= 1
    for each in found.arrived:
        assert math.isfinite(each.reading.value)
        assert SIGNALS[signal].low <= each.reading.value <= SIGNALS[signal].high
        assert NOW_US - 31 * 86_400_000_000 <= each.reading.time_us <= NOW_US + 300_000_000
        each.raw.encode()
    for each in found.refused:
        each.refusal.model_dump_json()
        assert each.refusal.reason
