"""The sections of the assessment."""

import pytest

from moteledger.api import sections
from moteledger.engine.assessment import Assessment, FilterAdvice

SECTIONS = {
    "/v1/air": {"air"},
    "/v1/ledger": {"ledger"},
    "/v1/delivery": {"delivery", "estimates", "expected", "cautions"},
    "/v1/filter": {"filter"},
    "/v1/events": {"events"},
    "/v1/advice/fan": {"fan", "cautions"},
    "/v1/advice/filter": {"filter", "cautions"},
}


@pytest.mark.parametrize("path", SECTIONS)
async def test_without_an_assessment_a_section_says_come_back(service, path: str) -> None:
    response = await service.get(path)
    assert (response.status, response.content_type) == (503, "application/problem+json")
    assert int(response.headers["Retry-After"]) > 0
    assert "there is no assessment yet" in (await response.json())["detail"]


@pytest.mark.parametrize("path", SECTIONS)
async def test_a_section_is_what_the_assessment_says(service, assessment: Assessment, path: str) -> None:
    service.source.assessment = assessment
    response = await service.get(path)
    assert (response.status, response.content_type) == (200, "application/json")
    answer = await response.json()
    whole = assessment.model_dump(mode="json")
    assert set(answer) == {"house", "period"} | SECTIONS[path]
    for key in set(answer) - {"cautions", "filter"}:
        assert answer[key] == whole[key]
    if "filter" in answer:
        assert answer["filter"].items() <= whole["filter"].items()
    if "cautions" in answer:
        (caution,) = answer["cautions"]
        assert caution["applies_to"] == path.rsplit("/", maxsplit=1)[-1]
        assert caution in whole["cautions"]


def test_state_and_advice_of_the_filter_together_hold_all_that_is_known_of_it() -> None:
    state, advice = set(sections.FilterState.model_fields), set(sections.FilterChange.model_fields)
    assert state | advice == set(FilterAdvice.model_fields)
    assert state & advice == {"limits"}, "what its limits are belongs to both"
