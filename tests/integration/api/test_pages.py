"""The pages as the service gives them: what stands on them comes from the newest assessment, and grows old in view."""

import html
from collections.abc import AsyncIterator
from concurrent.futures.process import BrokenProcessPool
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from aiohttp.test_utils import TestClient, TestServer

from moteledger.api import add_pages, create_app
from moteledger.cards import CARDS, STATIC_FILES
from moteledger.engine import Assessment
from moteledger.settings import House
from moteledger.store import Store

BANNER = "Everything here is <simulated>."


class Pages:
    """A service with pages, its clock set by hand and its assessment put in by hand."""

    def __init__(self) -> None:
        self.now = datetime(2026, 1, 31, 14, 5, tzinfo=UTC)
        self.assessment: Assessment | None = None
        self.client: TestClient[Any, Any]

    def current(self) -> Assessment | None:
        return self.assessment

    async def text(self, path: str) -> str:
        answer = await self.client.get(path)
        assert answer.status == 200
        return await answer.text()


@pytest.fixture
async def pages(tmp_path: Path) -> AsyncIterator[Pages]:
    serving = Pages()
    house = House.model_validate({"name": "Mill & Sons' Cottage", "house": {"floor_area": "120 m2"}})
    with Store.open(tmp_path / "house.sqlite") as store:
        app = create_app(store, serving, clock=lambda: serving.now)
        add_pages(app, house, banner=BANNER)
        async with TestClient(TestServer(app)) as serving.client:
            yield serving


async def test_a_young_house_is_told_what_each_card_waits_for(pages: Pages) -> None:
    page = html.unescape(await pages.text("/"))
    for card in CARDS.values():
        assert card.waits_for in page


async def test_a_new_assessment_shows_at_the_next_request(pages: Pages, assessment: Assessment) -> None:
    assert "The air is good." not in await pages.text("/")
    pages.assessment = assessment
    for path in ("/", "/cards/air"):
        assert "The air is good." in await pages.text(path)


async def test_an_old_assessment_is_shown_as_old(pages: Pages, assessment: Assessment) -> None:
    pages.assessment = assessment
    pages.now += timedelta(hours=2)
    assert "How the air is now is not known. At the last reading: The air is good." in await pages.text("/cards/air")


async def test_names_and_banners_are_text_and_never_markup(pages: Pages, assessment: Assessment) -> None:
    pages.assessment = assessment
    for path in ("/", *(f"/cards/{name}" for name in CARDS)):
        page = await pages.text(path)
        assert "Everything here is &lt;simulated&gt;." in page
        assert "<simulated>" not in page
        assert "Mill & Sons" not in page


@pytest.mark.parametrize("name", STATIC_FILES)
async def test_the_pages_files_are_served_as_what_they_are(name: str, pages: Pages) -> None:
    answer = await pages.client.get(f"/static/{name}")
    assert answer.headers["Content-Type"] == STATIC_FILES[name].content_type
    assert await answer.read() == STATIC_FILES[name].content


async def test_pages_need_nothing_that_is_not_served_here(pages: Pages, assessment: Assessment) -> None:
    pages.assessment = assessment
    page = await pages.text("/")
    assert "http://" not in page.replace("http://www.w3.org/", "")
    assert "https://" not in page
    assert "<style" not in page
    assert "onclick" not in page


@pytest.mark.parametrize("path", ["/cards/weather", "/cards/..%2f..%2fsettings", "/cards/%00", "/static/secret.toml"])
async def test_what_is_not_there_is_a_problem_and_nothing_else(path: str, pages: Pages) -> None:
    answer = await pages.client.get(path)
    assert answer.status == 404
    assert answer.content_type == "application/problem+json"
    assert (await answer.json())["status"] == 404


@pytest.mark.parametrize("path", ["/", "/cards/air"])
async def test_pages_are_only_read(path: str, pages: Pages) -> None:
    answer = await pages.client.post(path)
    assert answer.status == 405
    assert "GET" in answer.headers["Allow"]


async def test_a_page_asked_for_by_a_stranger_s_name_is_refused(pages: Pages) -> None:
    answer = await pages.client.get("/", headers={"Host": "rebound.example"})
    assert answer.status == 421
    assert "simulated" not in await answer.text()


async def test_a_report_whose_process_the_system_ends_is_told_as_come_back_later(
    pages: Pages, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    # As it ends what takes the last of the memory.
    async def ended(*_: object) -> None:
        raise BrokenProcessPool

    monkeypatch.setattr("moteledger.api.reporting._in_a_process", ended)
    answer = await pages.client.get("/report.json")
    assert (answer.status, answer.headers["Retry-After"]) == (503, "10")
    assert "most likely for want of memory" in (await answer.json())["detail"]
    assert "Traceback" not in caplog.text and "was ended" in caplog.text
