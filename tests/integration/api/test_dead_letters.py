"""Dead letters over HTTP and on their card: listed, sent again or discarded, by the house's administrator alone."""

import json
import re

import pytest
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import add_pages, create_app
from moteledger.intake import Arrivals
from moteledger.settings import House
from moteledger.store.dead_letters import DeadLetter, DeadLetters

HOUSE = House.model_validate({"name": "Wren House", "house": {"floor_area": "120 m2"}})
ALARM = json.dumps({"name": "filter-due", "title": "The filter is due"})
AT_US = 1_769_860_800_000_000  # 2026-01-31T12:00:00Z
WHICH = {"webhook": "office", "id": f"alarm-{AT_US}"}


@pytest.fixture
async def refused(service, assessment):
    """A service with pages, one webhook and one letter that its address refused."""
    arrivals = Arrivals()
    arrivals.source("office", "webhook", "http://office")
    service.source.assessment = assessment
    letters = DeadLetters(service.store)
    letters.put_aside(DeadLetter("office", "alarm", AT_US, ALARM, 410, AT_US + 1_000_000))
    app = create_app(service.store, service.source, fan=service.fan, arrivals=arrivals)
    add_pages(app, HOUSE)
    async with TestClient(TestServer(app)) as client:
        client.letters = letters
        yield client


async def test_what_was_refused_for_good_is_listed_with_what_it_tells(refused) -> None:
    answer = await (await refused.get("/v1/dead-letters")).json()
    assert answer["dead_letters"] == [
        {
            **WHICH,
            "event": "alarm",
            "happened": "2026-01-31T12:00:00Z",
            "refused": "2026-01-31T12:00:01Z",
            "status": 410,
            "again": False,
            "content": json.loads(ALARM),
        }
    ]


async def test_it_is_sent_again_or_discarded_when_a_person_says_so(refused) -> None:
    answer = await refused.put("/v1/dead-letters/resent", json=WHICH)
    assert (answer.status, (await answer.json())["again"]) == (200, True)
    assert [letter.again for letter in refused.letters.wanted_again("office")] == [True]
    answer = await refused.put("/v1/dead-letters/discarded", json=WHICH)
    assert (answer.status, (await answer.json())["id"]) == (200, WHICH["id"])
    assert refused.letters.all() == ()
    for act in ("resent", "discarded"):
        answer = await refused.put(f"/v1/dead-letters/{act}", json=WHICH)
        assert answer.status == 422
        assert "/v1/dead-letters lists those there are" in (await answer.json())["detail"]


async def test_a_webhook_that_is_no_longer_there_is_told(refused) -> None:
    answer = await refused.put("/v1/dead-letters/resent", json=WHICH | {"webhook": "attic"})
    assert answer.status == 422
    assert (await answer.json())["detail"] == "the house file has no webhook 'attic' to send it to; it has office"


@pytest.mark.parametrize("body", [{}, WHICH | {"id": "alarm"}, WHICH | {"id": "alarm-" + "9" * 19}, WHICH | {"all": 1}])
async def test_what_names_no_letter_is_refused(refused, body) -> None:
    for act in ("resent", "discarded"):
        assert (await refused.put(f"/v1/dead-letters/{act}", json=body)).status == 422
    assert len(refused.letters.all()) == 1


async def test_the_card_of_the_alarms_shows_it_with_both_acts(refused) -> None:
    card = await (await refused.get("/cards/alarms")).text()
    assert "The filter is due. <b>office</b> refused it (410)" in card
    fields = dict(re.findall(r'name="(token|webhook|id)" value="([^"]*)"', card))
    assert {name: fields[name] for name in WHICH} == WHICH
    sent = await refused.post("/dead-letters", data=fields | {"do": "again"}, allow_redirects=False)
    assert (sent.status, sent.headers["Location"]) == (303, "/cards/alarms")
    card = await (await refused.get("/cards/alarms")).text()
    assert "It will be sent again." in card
    assert 'value="again"' not in card
    assert (await refused.post("/dead-letters", data=fields | {"do": "discard"})).status == 200
    assert refused.letters.all() == ()
    assert "refused it" not in await (await refused.get("/cards/alarms")).text()


@pytest.mark.parametrize(
    ("change", "status"), [({"token": "0"}, 403), ({"do": "burn"}, 422), ({"id": "x"}, 422), ({"id": "alarm-1"}, 422)]
)
async def test_a_form_that_is_none_of_ours_changes_nothing(refused, change, status) -> None:
    card = await (await refused.get("/cards/alarms")).text()
    fields = dict(re.findall(r'name="(token|webhook|id)" value="([^"]*)"', card)) | {"do": "discard"}
    assert (await refused.post("/dead-letters", data=fields | change)).status == status
    assert len(refused.letters.all()) == 1
