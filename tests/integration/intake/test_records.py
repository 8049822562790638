"""Readings in JSON: SenML as RFC 8428 resolves it, plain records, and refusals by place."""

import json
from datetime import UTC, datetime

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from moteledger.intake import Records, RecordsError, moment_us, read_records
from moteledger.store import Reading, to_us

NOW = datetime(2026, 1, 31, 14, 5, tzinfo=UTC)
NOW_US = to_us(NOW)
SECOND_US = 1_000_000


def taken(document: object, **options: bool) -> Records:
    return read_records(json.dumps(document).encode(), NOW_US, **options)


def refusals(document: object) -> list[tuple[str, str, str]]:
    return [(refusal.place, refusal.value, refusal.reason) for refusal in taken(document).refusals]


def plain(**changes: object) -> dict[str, object]:
    return {"time": "2026-01-31T14:05:00Z", "signal": "indoor.pm25", "value": 8.5} | changes


@pytest.mark.parametrize(
    "wrap", [lambda r: r, lambda r: [r], lambda r: {"readings": [r]}], ids=["one", "list", "object"]
)
def test_plain_readings_come_alone_in_a_list_or_in_an_object(wrap) -> None:
    assert taken(wrap(plain())) == Records([Reading(NOW_US, "indoor.pm25", 8.5)])


def test_plain_readings_are_converted_from_their_unit() -> None:
    # NIST SP 811 (2008), appendix B.8: 1 inch of water (conventional) = 249.0889 Pa.
    (reading,) = taken(plain(signal="filter.pressure_drop", value=0.5, unit="in.w.c.")).readings
    assert reading.value == pytest.approx(124.54445, rel=1e-6)
    assert taken(plain(signal="fan.running", value=True)).readings == [Reading(NOW_US, "fan.running", 1.0)]
    assert taken(plain(unit=None)).readings == [Reading(NOW_US, "indoor.pm25", 8.5)]


def test_the_multiple_measurements_of_rfc_8428_resolve_as_it_says() -> None:
    # RFC 8428 sections 5.1.3 and 5.4 (pack and its resolved form; from memory), names and units exchanged for signals.
    pack = [
        {"bn": "duct.", "bt": 1.276020076001e9, "bu": "Pa", "bver": 5, "n": "airflow", "u": "m3/h", "v": 120.1},
        {"n": "static_pressure", "t": -5, "v": 1.2},
        {"n": "static_pressure", "t": -4, "v": 1.3},
        {"n": "static_pressure", "v": 1.7},
    ]
    resolved = [
        ("duct.airflow", 1.276020076001e9, 120.1),
        ("duct.static_pressure", 1.276020071001e9, 1.2),
        ("duct.static_pressure", 1.276020072001e9, 1.3),
        ("duct.static_pressure", 1.276020076001e9, 1.7),
    ]
    assert taken(pack).readings == [Reading(round(t * 1e6), n, v) for n, t, v in resolved]
    assert taken([{"n": n, "t": t, "v": v} for n, t, v in resolved]).readings == taken(pack).readings


@pytest.mark.parametrize(
    ("record", "seconds_from_now"),
    [
        # RFC 8428 section 4.5.3: below 2**28 a time is relative to now, without time it is now, else it is absolute.
        ({}, 0),
        ({"t": 0}, 0),
        ({"t": -5}, -5),
        ({"t": -0.25}, -0.25),
        ({"bt": -100, "t": 40}, -60),
        ({"t": 60}, 60),
        ({"t": NOW.timestamp()}, 0),
        ({"bt": NOW.timestamp(), "t": -3600}, -3600),
    ],
)
def test_a_time_of_senml_is_relative_to_now_if_small(record: dict[str, float], seconds_from_now: float) -> None:
    expected = NOW_US + round(seconds_from_now * SECOND_US)
    assert taken([record | {"n": "indoor.pm25", "v": 1}]).readings == [Reading(expected, "indoor.pm25", 1.0)]


def test_2_to_the_28_is_the_first_absolute_time_and_lies_in_1978() -> None:
    for t, told in ((2**28, "is before 1990; set the sender's clock"), (2**28 - 1, "s ahead of the clock here")):
        ((place, value, reason),) = refusals([{"n": "indoor.pm25", "t": t, "v": 1}])
        assert (place, value) == ("/0/t", str(t))
        assert told in reason


@pytest.mark.parametrize(
    ("name", "unit", "value", "inside"),
    [
        # Units of the SenML registry (RFC 8428 section 12.1) and of RFC 8798; factors are those of the SI prefixes.
        ("indoor.temperature", "Cel", 21.5, 21.5),
        ("indoor.temperature", "K", 300.0, 26.85),
        ("indoor.humidity", "%RH", 40.0, 40.0),
        ("indoor.humidity", "/100", 40.0, 40.0),
        ("duct.static_pressure", "Pa", 124.5, 124.5),
        ("duct.static_pressure", "hPa", 1.25, 125.0),
        ("duct.airflow", "m3/s", 0.5, 1800.0),
        ("duct.airflow", "l/s", 100.0, 360.0),
        ("fan.running", "/", 0.25, 0.25),
        ("fan.power", "W", 350.0, 350.0),
        ("fan.power", "kW", 0.35, 350.0),
        ("fan.runtime", "s", 300.0, 300.0),
        ("fan.runtime", "min", 5.0, 300.0),
        ("fan.runtime", "ms", 5000.0, 5.0),
        ("outdoor.wind_speed", "m/s", 3.0, 3.0),
        ("outdoor.wind_speed", "km/h", 36.0, 10.0),
        ("indoor.co2", "ppm", 800.0, 800.0),
        ("indoor.pm25", "ug/m3", 12.0, 12.0),
        ("indoor.pm25", "kg/m3", 12e-9, 12.0),
    ],
)
def test_units_of_senml_are_converted(name: str, unit: str, value: float, inside: float) -> None:
    (reading,) = taken([{"n": name, "u": unit, "v": value}]).readings
    assert reading.value == pytest.approx(inside)


def test_a_monitor_that_reads_a_little_below_zero_in_clean_air_is_taken_at_its_word() -> None:
    """US monitors report hours down to -10 ug/m3 (EPA, AQS; from memory); raising them to zero would bias the mean."""
    (reading,) = taken(plain(signal="outdoor.pm25", value=-3)).readings
    assert reading.value == -3.0


def test_base_value_and_states_and_records_of_base_fields_alone() -> None:
    pack = [
        {"bn": "indoor.", "bv": 20},
        {"n": "temperature", "v": 1.5},
        {"bn": "fan.", "n": "running", "vb": False, "u": "anything"},
    ]
    assert taken(pack) == Records([Reading(NOW_US, "indoor.temperature", 21.5), Reading(NOW_US, "fan.running", 0.0)])


@pytest.mark.parametrize(
    ("record", "place", "value", "reason"),
    [
        (plain(value="8.5"), "/value", '"8.5"', "is not a number; send a JSON number without quotes"),
        (plain(value=None), "/value", "null", "is not a number"),
        (plain(value=[1, 2]), "/value", "a list of 2", "is not a number"),
        (plain(value=True), "/value", "true", "is true or false, and indoor.pm25 is not a state; send a number"),
        (plain(value=10**400), "/value", "1" + "0" * 59 + "...", "is too large"),
        (plain(value=-30), "/value", "-30", "-30 ug/m3 is outside what indoor.pm25 can be (-10 to 20000 ug/m3)"),
        (plain(signal="indoor.pm2"), "/signal", '"indoor.pm2"', "'indoor.pm2' is not a signal; did you mean"),
        (plain(signal=7), "/signal", "7", "is not text"),
        (plain(signal="x" * 101), "/signal", '"' + "x" * 59 + "...", "is longer than the 100 characters"),
        (plain(unit="Pa"), "/unit", '"Pa"', "'Pa' is not a unit of concentration; write one of ug/m3"),
        (plain(unit=1), "/unit", "1", "is not text"),
        (plain(time="2026-01-31T14:05:00"), "/time", '"2026-01-31T14:05:00"', "has no time zone; end it with Z"),
        (plain(time=1769868300), "/time", "1769868300", "is not a time; write it as text"),
        (plain(time="2026-01-31T14:10:01Z"), "/time", '"2026-01-31T14:10:01Z"', "is 301 s ahead of the clock here"),
        (plain(units="mg/m3"), "/units", '"mg/m3"', "is no member of a reading; did you mean 'unit'?"),
        (plain(**{"a/b~c": 1}), "/a~1b~0c", "1", "is no member of a reading"),
        ({"time": "2026-01-31T14:05:00Z", "value": 1}, "", "an object of 2 members", "has no 'signal'; add it"),
    ],
)
def test_a_plain_record_is_refused_by_its_place_with_value_and_fix(record, place: str, value: str, reason: str) -> None:
    for wrapped, prefix in ((record, ""), ([plain(), record], "/1"), ({"readings": [plain(), record]}, "/readings/1")):
        ((told_place, told_value, told_reason),) = refusals(wrapped)
        assert (told_place, told_value) == (prefix + place, value)
        assert reason in told_reason
    assert len(taken([plain(), record, plain()]).readings) == 2


@pytest.mark.parametrize(
    ("record", "place", "reason"),
    [
        ({"n": "indoor.pm25"}, "/1", "has no value; add v"),
        ({"n": "indoor.pm25", "s": 12.0}, "/1", "has no value; add v"),
        ({"n": "indoor.pm25", "v": 1, "vb": True}, "/1", "has more than one value (v, vb); keep one"),
        ({"n": "indoor.pm25", "vs": "8.5"}, "/1/vs", "is no number"),
        ({"n": "indoor.pm25", "v": "8.5"}, "/1/v", "is not a number"),
        ({"n": "fan.running", "vb": 1}, "/1/vb", "is not true or false"),
        ({"n": "indoor.pm25", "vb": True}, "/1/vb", "is true or false, and indoor.pm25 is not a state"),
        ({"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}, "/1/n", "is not a signal"),
        ({"n": 5, "v": 1}, "/1/n", "is not text"),
        ({"v": 1}, "/1", "is not a signal"),
        ({"n": "indoor.pm25", "u": "Cel", "v": 1}, "/1/u", "'Cel' is not a unit of concentration"),
        ({"n": "indoor.pm25", "u": 5, "v": 1}, "/1/u", "is not text"),
        ({"n": "indoor.pm25", "v": 1, "t": "now"}, "/1/t", "is not a number"),
        ({"n": "indoor.pm25", "v": 1, "t": 1e300}, "/1/t", "ahead of the clock here"),
        ({"n": "indoor.pm25", "v": 1, "t": -1e300}, "/1/t", "is before 1990"),
        (17, "/1", "is not a SenML record"),
    ],
)
def test_a_senml_record_is_refused_by_its_place_and_the_others_are_used(record, place: str, reason: str) -> None:
    good = {"n": "fan.running", "v": 1}
    found = taken([good, record, good])
    assert len(found.readings) == 2
    assert found.refused == 1
    assert found.refusals[0].place == place
    assert reason in found.refusals[0].reason


@pytest.mark.parametrize(
    ("body", "place", "told"),
    [
        (b"", "", "is not JSON at line 1 column 1"),
        (b'{"time": }', "", "is not JSON at line 1 column 10"),
        (b'[{"n": "indoor.pm25", "v": NaN}]', "", "NaN is no JSON number"),
        (b'{"v": ' + b"9" * 5000 + b"}", "", "is not JSON"),
        (b"[" * 100_000, "", "is nested too deeply"),
        (b"\xff\xfe[]", "", "byte 0 is not UTF-8"),
        (b"17", "", "is 17, not a reading"),
        (b"null", "", "is null, not a reading"),
        (b'"indoor.pm25"', "", 'is "indoor.pm25", not a reading'),
        (b"[]", "", "is an empty list"),
        (b"{}", "", "holds neither SenML nor plain readings"),
        (b'{"temperature": 20}', "", "holds neither SenML nor plain readings; send {"),
        (b"[[1, 2], [3, 4]]", "", "holds neither SenML nor plain readings"),
        (b'{"readings": []}', "/readings", "is an empty list"),
        (b'{"readings": [1]}', "/readings", "holds neither"),
        (b'{"readings": [{}], "a/b": 1}', "/a~1b", "stands beside 'readings'; remove it"),
        (b'{"n": "indoor.pm25", "v": 1}', "", "SenML is a list of records; put them in [ ]"),
        (b'[{"n": "indoor.pm25", "v": 1, "must_": 1}]', "/0/must_", "must be understood and is not"),
        (b'[{"bver": 11, "n": "indoor.pm25", "v": 1}]', "/0/bver", "version 11 is not known; send version 10"),
        (b'[{"bver": 0, "n": "indoor.pm25", "v": 1}]', "/0/bver", "version 0 is not known; send version 10"),
        (b'[{"bver": 9.5, "n": "indoor.pm25", "v": 1}]', "/0/bver", "version 9.5 is not known; send version 10"),
        (b'[{"n": "indoor.pm25", "v": 1}, {"bt": "now"}]', "/1/bt", '"now" is not a number'),
        (b'[{"bn": 1, "n": "indoor.pm25", "v": 1}]', "/0/bn", "1 is not text"),
    ],
)
def test_a_body_that_is_unusable_as_a_whole_is_refused_with_place_and_fix(body: bytes, place: str, told: str) -> None:
    with pytest.raises(RecordsError) as caught:
        read_records(body, NOW_US)
    assert caught.value.place == place
    assert told in caught.value.problem
    assert "\n" not in str(caught.value)


def test_plain_readings_under_the_name_of_senml_are_no_senml() -> None:
    with pytest.raises(RecordsError, match="SenML is a list"):
        taken(plain(), senml=True)
    assert taken([plain()], senml=True).refusals[0].reason == "has no value; add v"


def test_of_many_refusals_all_are_counted_and_the_first_thousand_told() -> None:
    found = taken([plain(), *([plain(value="x")] * 5000)])
    assert (len(found.readings), found.refused, len(found.refusals)) == (1, 5000, 1000)
    assert found.refusals[-1].place == "/1000/value"


scalars = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12) | st.just("indoor.pm25")
keys = st.sampled_from(
    ["time", "signal", "value", "unit", "readings", "n", "v", "vb", "vs", "u", "t", "s", "bn", "bt", "bu", "bv", "bver"]
) | st.text(max_size=4)
likely = st.fixed_dictionaries(
    {},
    optional={
        "time": st.just("2026-01-31T14:05:00Z") | scalars,
        "signal": st.sampled_from(["indoor.pm25", "fan.running"]) | scalars,
        "value": st.floats(0, 100) | scalars,
        "n": st.sampled_from(["indoor.pm25", "fan.running", "pm25", ""]) | scalars,
        "bn": st.sampled_from(["", "indoor."]) | scalars,
        "v": st.floats(0, 100) | scalars,
        "vb": st.booleans() | scalars,
        "u": st.sampled_from(["ug/m3", "/", "Cel"]) | scalars,
        "t": st.floats(-100, 100) | scalars,
        "bt": st.just(NOW.timestamp()) | scalars,
    },
)
documents = st.recursive(
    scalars | likely | st.lists(likely, max_size=4),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4),
    max_leaves=8,
)


@settings(max_examples=400, deadline=None)
@given(document=documents, senml=st.booleans())
@example(document=[{"n": "\ud800", "v": 1}], senml=False)
@example(document=[{"n": "indoor.pm25", "v": 1, "\ud800_": 1}], senml=False)
@example(document=[{"n": "indoor.pm25", "v": 1e308, "bv": 1e308}], senml=False)
def test_no_json_raises_anything_but_its_own_error_and_none_is_taken_twice(document: object, senml: bool) -> None:
    try:
        found = read_records(json.dumps(document).encode(), NOW_US, senml=senml)
    except RecordsError as error:
        str(error).encode()
        return
    for reading in found.readings:
        assert 0 <= reading.value <= 20_000
        assert moment_us("1990-01-01T00:00:00Z") <= reading.time_us <= NOW_US + 300 * SECOND_US
    for refusal in found.refusals:
        refusal.model_dump_json()
        resolve(document, refusal.place)
        assert len(refusal.reason) <= 400
    places = [refusal.place for refusal in found.refusals]
    assert len(set(places)) == len(places)


def resolve(document: object, pointer: str) -> object:
    """The value a JSON Pointer names, RFC 6901 section 4; fails if there is none."""
    for token in pointer.split("/")[1:]:
        if isinstance(document, list):
            document = document[int(token)]
        else:
            assert isinstance(document, dict)
            document = {key.encode("utf-8", "replace").decode(): value for key, value in document.items()}[
                token.replace("~1", "/").replace("~0", "~")
            ]
    return document


@settings(max_examples=300, deadline=None)
@given(body=st.binary(max_size=60) | st.text(alphabet='[]{}",:0123456789.eE-ntv abul', max_size=40).map(str.encode))
def test_no_bytes_raise_anything_but_its_own_error(body: bytes) -> None:
    try:
        read_records(body, NOW_US)
    except RecordsError as error:
        str(error).encode()
