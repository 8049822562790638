"""Telling the service that the filter was changed."""

import pytest

CHANGE = "/v1/filter/change"


async def test_a_change_is_recorded_and_can_be_taken_back(service) -> None:
    response = await service.client.put(CHANGE, json={"on": "2026-01-30"})
    assert (response.status, await response.json()) == (200, {"changed_on": ["2026-01-30"]})
    response = await service.client.delete(CHANGE)
    assert (response.status, await response.json()) == (200, {"changed_on": []})


@pytest.mark.parametrize("on", ["2026-02-01", "2016-03-01"])
async def test_tomorrow_somewhere_and_ten_years_ago_are_days_still(service, on: str) -> None:
    assert (await service.client.put(CHANGE, json={"on": on})).status == 200


@pytest.mark.parametrize(
    "body",
    [
        "{}",
        "[]",
        '{"on": "2026-02-02"}',
        '{"on": "2015-01-01"}',
        '{"on": "30 January"}',
        '{"on": "2026-02-30"}',
        '{"on": 1769731200}',
        '{"on": "2026-01-30", "at": "noon"}',
    ],
)
async def test_what_is_no_such_day_is_refused_with_the_form(service, body: str) -> None:
    response = await service.client.put(CHANGE, data=body, headers={"Content-Type": "application/json"})
    assert (response.status, response.content_type) == (422, "application/problem+json")
    assert '{"on": "2026-05-01"}' in (await response.json())["detail"]


async def test_what_is_no_json_is_a_bad_request(service) -> None:
    response = await service.client.put(CHANGE, data="{", headers={"Content-Type": "application/json"})
    assert response.status == 400
    assert (await response.json())["place"] == ""


async def test_a_form_of_a_strange_page_cannot_tell_of_a_change(service) -> None:
    response = await service.client.put(CHANGE, data='{"on": "2026-01-30"}', headers={"Content-Type": "text/plain"})
    assert response.status == 415
