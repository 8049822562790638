"""The forms on the cards: they work without script, say 303, and are taken only from a page of this service."""

import re
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import add_pages, create_app
from moteledger.api.forms import FormKeeper
from moteledger.engine import Assessment
from moteledger.engine.fan_control import FanControl
from moteledger.engine.filter_change import filter_changes
from moteledger.settings import House
from moteledger.store import Store

NOW = datetime(2026, 1, 31, 23, 30, tzinfo=UTC)
FORM = "application/x-www-form-urlencoded"
TOKEN_OF = {"/filter/change": "a", "/fan/wish": "b"}


class Nobody:
    def current(self) -> Assessment | None:
        return None


@pytest.fixture
async def served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[tuple[TestClient[Any, Any], Store]]:
    """A house one hour ahead of UTC, where it is the first of February already; its forms' tokens as they are given."""
    house = House.model_validate({"name": "Plover", "time_zone": "Etc/GMT-1", "house": {"floor_area": "120 m2"}})
    given = FormKeeper.forms

    def forms(keeper: FormKeeper, request: Any) -> Any:
        found = given(keeper, request)
        TOKEN_OF.update({"/filter/change": found.change_filter, "/fan/wish": found.wish_for_fan})
        return found

    monkeypatch.setattr(FormKeeper, "forms", forms)
    with Store.open(tmp_path / "house.sqlite") as store:
        fan = FanControl(store, lambda: NOW)
        app = create_app(store, Nobody(), fan=fan, clock=lambda: NOW)
        add_pages(app, house)
        async with TestClient(TestServer(app)) as client:
            assert (await client.get("/cards/filter")).status == 200
            yield client, store


async def send(client: TestClient[Any, Any], path: str, **fields: str) -> Any:
    data = {"token": TOKEN_OF[path], **fields}
    return await client.post(path, data=data, allow_redirects=False)


async def test_a_change_of_the_filter_is_recorded_by_the_house_s_own_day_and_can_be_taken_back(served: Any) -> None:
    client, store = served
    answer = await send(client, "/filter/change", do="record", on="2026-02-01")
    assert (answer.status, answer.headers["Location"]) == (303, "/cards/filter")
    assert str(filter_changes(store).newest) == "2026-02-01"
    await send(client, "/filter/change", do="withdraw")
    assert filter_changes(store).newest is None


@pytest.mark.parametrize("on", ["", "yesterday", "2026-02-02", "2015-01-01", "9999999999-01-01"])
async def test_an_impossible_day_is_refused_in_words_with_the_way_back(served: Any, on: str) -> None:
    client, store = served
    answer = await send(client, "/filter/change", do="record", on=on)
    text = await answer.text()
    assert answer.status == 422
    assert 'href="/cards/filter"' in text
    assert re.search(r"No day such as 2026-02-01|is to come or more than ten years ago", text)
    assert filter_changes(store).newest is None


async def test_a_wish_for_the_fan_stands_and_is_lifted(served: Any) -> None:
    client, _ = served
    answer = await send(client, "/fan/wish", do="rest", minutes="60")
    assert (answer.status, answer.headers["Location"]) == (303, "/cards/fan")
    told = await (await client.get("/v1/answer/fan")).json()
    assert told["override"]["action"] == "rest"
    assert datetime.fromisoformat(told["override"]["until"]) == NOW + timedelta(hours=1)
    await send(client, "/fan/wish", do="plan")
    assert (await (await client.get("/v1/answer/fan")).json())["override"] is None


@pytest.mark.parametrize("fields", [{"do": "fly", "minutes": "5"}, {"do": "run"}, {"do": "run", "minutes": "481"}])
async def test_a_wish_that_makes_no_sense_is_refused(served: Any, fields: dict[str, str]) -> None:
    client, _ = served
    assert (await send(client, "/fan/wish", **fields)).status == 422


@pytest.mark.parametrize("path", ["/filter/change", "/fan/wish"])
async def test_a_form_without_this_page_s_token_is_refused(served: Any, path: str) -> None:
    client, store = served
    other = TOKEN_OF["/fan/wish" if path == "/filter/change" else "/filter/change"]
    for token in ("", "guess", other, "\N{SNOWMAN}"):
        fields = {"token": token, "do": "record", "on": "2026-02-01", "minutes": "5"}
        assert (await client.post(path, data=fields, allow_redirects=False)).status == 403
    assert filter_changes(store).newest is None


async def test_a_form_of_a_strange_page_is_refused_even_with_a_token(served: Any) -> None:
    client, store = served
    fields = {"token": TOKEN_OF["/filter/change"], "do": "record", "on": "2026-02-01"}
    answer = await client.post("/filter/change", data=fields, headers={"Origin": "http://strange.example"})
    assert answer.status == 403
    assert filter_changes(store).newest is None


@pytest.mark.parametrize("body", [b"\xff\xfe", b"a=1&" * 50, b"", b"token"])
async def test_what_is_no_form_is_refused_and_breaks_nothing(served: Any, body: bytes) -> None:
    client, _ = served
    answer = await client.post("/fan/wish", data=body, headers={"Content-Type": FORM})
    assert answer.status in (400, 403)
    assert (await client.post("/fan/wish", json={})).status == 415


async def test_from_the_page_one_comes_back_to_the_page(served: Any) -> None:
    client, _ = served
    page = str(client.make_url("/"))
    fields = {"token": TOKEN_OF["/fan/wish"], "do": "plan"}
    answer = await client.post("/fan/wish", data=fields, headers={"Referer": page}, allow_redirects=False)
    assert answer.headers["Location"] == "/#fan"
