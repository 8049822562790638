"""What an automation acts on, over HTTP."""

import json

import pytest
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import create_app
from moteledger.engine.assessment import Assessment

ANSWER = "/v1/answer/fan"
OVERRIDE = f"{ANSWER}/override"


async def test_before_anything_is_decided_the_answer_is_leave(service) -> None:
    response = await service.get(ANSWER)
    assert (response.status, response.content_type) == (200, "application/json")
    answer = await response.json()
    assert (answer["action"], answer["reason_code"], answer["confidence"]) == ("leave", "no_advice", 0.0)
    assert answer["valid_until"] > answer["since"]


@pytest.mark.parametrize(
    "path",
    [f"{ANSWER}/decisions", ANSWER, "/v1/alarms", "/v1/air", "/v1/advice/filter", "/v1/sources", "/v1/readings/newest"],
)
async def test_a_parameter_that_a_path_does_not_have_is_refused_by_name(service, path: str) -> None:
    response = await service.get(f"{path}?limit=-1")
    told = await response.json()
    assert (response.status, told["place"]) == (400, "limit")
    assert told["detail"] == "limit is no parameter of this path; it takes none, so leave it out"


async def test_the_answer_says_what_why_until_when_and_on_what(service, assessment: Assessment) -> None:
    service.fan.decide(assessment.fan)
    answer = await (await service.get(ANSWER)).json()
    assert answer == {
        "action": "run",
        "reason_code": "planned_run",
        "reason": "smoke is on its way",
        "since": "2026-01-31T14:05:00Z",
        "valid_until": "2026-01-31T14:17:00Z",
        "confidence": 0.9,
        "based_on": [
            {"signal": "indoor.pm25", "newest": "2026-01-31T14:05:00Z", "good_until": "2026-01-31T14:17:00Z"},
            {"signal": "outdoor.pm25", "newest": "2026-01-31T14:05:00Z", "good_until": "2026-01-31T17:05:00Z"},
        ],
        "override": None,
        "expected_pm25_by_hour": [],
        "speed": None,
        "cautions": [],
    }


async def test_a_persons_wish_stands_until_it_is_lifted_and_is_seen_by_all(service, assessment: Assessment) -> None:
    service.fan.decide(assessment.fan)
    body = {"action": "leave", "minutes": 60, "note": "the piano tuner is here"}
    put = await service.client.put(OVERRIDE, json=body)
    assert put.status == 200
    seen = await (await service.get(ANSWER)).json()
    assert seen == await put.json()
    assert (seen["action"], seen["reason_code"]) == ("leave", "person")
    assert seen["override"] == {
        "action": "leave",
        "given": "2026-01-31T14:05:00Z",
        "until": "2026-01-31T15:05:00Z",
        "note": "the piano tuner is here",
    }
    for _ in range(2):
        lifted = await service.client.delete(OVERRIDE)
        assert lifted.status == 200
        assert (await lifted.json())["override"] is None


@pytest.mark.parametrize(
    ("body", "status", "place"),
    [
        ("{", 400, ""),
        ("[]", 422, ""),
        ("{}", 422, "/action"),
        ('{"action": "run"}', 422, "/minutes"),
        ('{"action": "stop", "minutes": 5}', 422, "/action"),
        ('{"action": "run", "minutes": 0}', 422, "/minutes"),
        ('{"action": "run", "minutes": 1441}', 422, "/minutes"),
        ('{"action": "run", "minutes": 1.5}', 422, "/minutes"),
        ('{"action": "run", "minutes": "9"}', 422, "/minutes"),
        # RFC 8259 section 6: JSON has no such number.
        ('{"action": "run", "minutes": NaN}', 400, ""),
        ('{"action": "run", "minutes": 5, "note": "' + 201 * "x" + '"}', 422, "/note"),
        ('{"action": "run", "minutes": 5, "for": "ever"}', 422, "/for"),
    ],
)
async def test_a_wish_that_is_none_is_refused_and_changes_nothing(service, body: str, status: int, place) -> None:
    response = await service.client.put(OVERRIDE, data=body, headers={"Content-Type": "application/json"})
    assert (response.status, response.content_type) == (status, "application/problem+json")
    assert (await response.json()).get("place") == place
    assert (await (await service.get(ANSWER)).json())["override"] is None


@pytest.mark.parametrize("media_type", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data"])
async def test_a_form_of_a_strange_page_cannot_wish(service, media_type: str) -> None:
    body = json.dumps({"action": "run", "minutes": 60})
    response = await service.client.put(OVERRIDE, data=body, headers={"Content-Type": media_type})
    assert response.status == 415


async def test_every_change_is_listed_with_its_reason_the_newest_first(service, assessment: Assessment) -> None:
    nothing = {"hours": 0.0, "expected_pm25": None, "indoor_pm25": None, "runs": 0, "followed": 0}
    assert (await (await service.get(f"{ANSWER}/decisions")).json()) == {"decisions": [], "score": nothing}
    service.fan.decide(assessment.fan)
    service.fan.decide(assessment.fan)
    (decision,) = (await (await service.get(f"{ANSWER}/decisions")).json())["decisions"]
    assert decision["time"] == "2026-01-31T14:05:00Z"
    assert decision["answer"] == await (await service.get(ANSWER)).json()
    assert decision["outcome"]["until"] == "2026-01-31T14:05:00Z"


async def test_a_service_that_stops_leaves_the_fan(service, assessment: Assessment) -> None:
    service.fan.decide(assessment.fan)
    async with TestClient(TestServer(create_app(service.store, service.source, fan=service.fan))):
        pass
    answer = await (await service.get(ANSWER)).json()
    assert (answer["action"], answer["reason_code"]) == ("leave", "shutdown")
