"""The service's own description is true and complete."""

import json
import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from moteledger.api.readings import PlainReading, PlainReadings, SenmlRecord
from moteledger.intake import RecordsError, read_records
from moteledger.signals import SIGNALS

NOW_US = 1_769_868_300_000_000


@pytest.fixture
async def described(service) -> dict[str, Any]:
    response = await service.get("/openapi.json")
    assert response.status == 200
    return await response.json()


async def test_every_route_is_described_and_every_description_is_a_route(service, described) -> None:
    routes = {
        (route.method, route.resource.canonical)
        for route in service.client.app.router.routes()
        if route.method != "HEAD"
    }
    assert {(method.upper(), path) for path, item in described["paths"].items() for method in item} == routes
    for path in described["paths"]:
        for method in ("GET", "POST", "PUT", "PATCH", "DELETE"):
            status = (await service.request(method, path)).status
            assert (status == 405) == (method.lower() not in described["paths"][path])


def references(node: object) -> list[str]:
    if isinstance(node, dict):
        return [value for key, value in node.items() if key == "$ref"] + [
            found for value in node.values() for found in references(value)
        ]
    return [found for value in node for found in references(value)] if isinstance(node, list) else []


async def test_every_reference_leads_somewhere_and_every_operation_has_what_openapi_3_1_asks(described) -> None:
    # OpenAPI 3.1.0: sections 4.8.1 (openapi, info), 4.8.10 (unique operationId), 4.8.12 and 4.8.17 (descriptions).
    assert re.fullmatch(r"3\.1\.\d+", described["openapi"])
    assert described["info"]["title"] and described["info"]["version"]
    for reference in references(described):
        node = described
        for token in reference.removeprefix("#/").split("/"):
            node = node[token]
    operations = [operation for item in described["paths"].values() for operation in item.values()]
    assert len({operation["operationId"] for operation in operations}) == len(operations)
    for operation in operations:
        assert operation["summary"]
        assert {"200", "421", "500", "503"} <= set(operation["responses"])
        assert all(response["description"] for response in operation["responses"].values())
        for parameter in operation.get("parameters", ()):
            assert {"name", "in", "required", "schema", "description"} <= set(parameter)


async def test_the_parameters_described_are_those_that_are_taken(service, described) -> None:
    parameters = {p["name"]: p["required"] for p in described["paths"]["/v1/readings"]["get"]["parameters"]}
    assert parameters == {"signal": True, "from": False, "to": False, "resolution": False}
    all_of_them = "signal=fan.power&from=2026-01-30T00:00:00Z&to=2026-01-31T00:00:00Z&resolution=1h"
    assert (await service.get(f"/v1/readings?{all_of_them}")).status == 200


times = st.just("2026-01-31T14:00:00Z")
plain_readings = st.builds(
    PlainReading,
    time=times,
    signal=st.sampled_from(sorted(SIGNALS)) | st.just("nonsense"),
    value=st.floats(0, 1) | st.booleans(),
    unit=st.none(),
)
senml_records = st.builds(
    SenmlRecord,
    bn=st.sampled_from([None, ""]),
    bt=st.sampled_from([None, 0.0]),
    bver=st.sampled_from([None, 10]),
    n=st.sampled_from(sorted(SIGNALS)),
    v=st.floats(0, 1),
    vb=st.none(),
)


@settings(max_examples=50, deadline=None)
@given(plain=st.lists(plain_readings, min_size=1, max_size=4), senml=st.lists(senml_records, min_size=1, max_size=4))
def test_bodies_as_described_are_read_record_by_record(plain, senml) -> None:
    for body in (
        PlainReadings(readings=plain).model_dump_json(),
        plain[0].model_dump_json(),
        json.dumps([reading.model_dump() for reading in plain]),
        json.dumps([record.model_dump(exclude_none=True) for record in senml]),
    ):
        found = read_records(body.encode(), NOW_US)
        assert found.readings or found.refusals
        for refusal in found.refusals:
            assert refusal.place.endswith(("/signal", "/value")), refusal


@settings(max_examples=100, deadline=None)
@given(
    record=st.fixed_dictionaries(
        {},
        optional={
            "time": times | st.integers(),
            "signal": st.just("fan.running") | st.integers(),
            "value": st.floats(0, 1) | st.booleans() | st.none() | st.text(max_size=2),
            "unit": st.none() | st.just("1") | st.integers(),
            "surplus": st.none(),
        },
    )
)
def test_a_plain_reading_is_taken_exactly_if_it_is_as_described(record: dict[str, object]) -> None:
    body = json.dumps(record)
    try:
        PlainReading.model_validate_json(body, strict=True)
    except ValidationError:
        described = False
    else:
        described = True
    try:
        taken = bool(read_records(body.encode(), NOW_US).readings)
    except RecordsError:
        taken = False
    assert taken == described
