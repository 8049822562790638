"""The Thing Description is one, by the W3C's own schema, and everything in it is there."""

import json
from pathlib import Path

import jsonschema
import pytest

SCHEMA = json.loads((Path(__file__).parents[3] / "reference" / "data" / "wot_td_1_1_schema.json").read_text("utf-8"))
PATH = "/.well-known/wot"


@pytest.mark.parametrize("tokens_required", [False, True])
async def test_it_is_a_thing_description_by_the_schema_of_the_w3c(serving, guard, tokens_required: bool) -> None:
    client = await serving(tokens_required=tokens_required)
    _, text = guard.new("view")
    response = await client.get(PATH, headers={"Authorization": f"Bearer {text}"})
    # Thing Description 1.1, section 9 (media type), and Discovery, section 6.2.1 (well-known address), from memory.
    assert (response.status, response.content_type) == (200, "application/td+json")
    described = json.loads(await response.read())
    jsonschema.Draft7Validator(SCHEMA).validate(described)
    # Section 5.3.3: each name in security is defined; the schema does not check it.
    assert set(described["security"]) == set(described["securityDefinitions"])
    [scheme] = described["securityDefinitions"].values()
    assert scheme["scheme"] == ("bearer" if tokens_required else "nosec")


def test_the_schema_finds_what_is_wrong() -> None:
    for broken in ({}, {"@context": "https://www.w3.org/2022/wot/td/v1.1", "title": "x"}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.Draft7Validator(SCHEMA).validate(broken)


async def test_every_form_leads_to_a_route_that_answers_as_described(serving, guard) -> None:
    client = await serving()
    described = json.loads(await (await client.get(PATH)).read())
    assert described["base"] == f"http://{client.host}:{client.port}"
    assert {"pressure", "air"} <= set(described["properties"])
    assert {"overrideFan", "followPlan"} == set(described["actions"])
    routes = {(route.method, route.resource.canonical) for route in client.app.router.routes()}
    for kind in ("properties", "actions", "events"):
        for interaction in described[kind].values():
            for form in interaction["forms"]:
                assert (form["htv:methodName"], form["href"].partition("?")[0]) in routes
    assert ("alarm" in described["events"]) == (("GET", "/v1/live") in routes)
    pressure = described["properties"]["pressure"]
    answer = await client.get(pressure["forms"][0]["href"])
    jsonschema.validate(await answer.json(), {key: pressure[key] for key in ("type", "properties")})
    override = described["actions"]["overrideFan"]
    wish = {"action": "run", "minutes": override["input"]["properties"]["minutes"]["maximum"]}
    jsonschema.validate(wish, override["input"])
    answer = await client.put(override["forms"][0]["href"], json=wish)
    jsonschema.validate(await answer.json(), override["output"])
    wish["minutes"] += 1
    assert (await client.put(override["forms"][0]["href"], json=wish)).status == 422
