"""The contractor's page: each house by its figures or by why there are none, in order, for every reader."""

import http.server
import re
import threading
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from importlib.util import find_spec
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.support.ui import WebDriverWait

from moteledger.cards import STATIC_FILES
from moteledger.cards.clients import TREND_FOR, Trend, render_client, render_clients
from moteledger.engine.assessment import Verdict
from moteledger.engine.standing import AlarmTold, Client, Newest, Share, Standing, is_silent, slipped_first
from moteledger.settings import Collecting, Units

NOW = datetime(2026, 1, 31, 14, 5, tzinfo=UTC)


def client(name: str, told: Standing | None = None, heard_ago_min: int | None = 1, **pressures: float) -> Client:
    heard = None if heard_ago_min is None else NOW - timedelta(minutes=heard_ago_min)
    newest = tuple(
        Newest(signal=signal.replace("__", "."), unit="Pa", value=value, time=NOW, is_fresh=True)
        for signal, value in pressures.items()
    )
    silent = heard_ago_min is None or heard_ago_min > 60
    return Client(id=name, last_heard=heard, is_silent=silent, newest=newest, standing=told)


def page(*clients: Client, units: Units = Units.SI) -> str:
    return render_clients(slipped_first(clients), Collecting(name="Saltmere Air", units=units), now=NOW)


def month(base_pa: float, silence: range = range(0)) -> tuple[tuple[datetime, float], ...]:
    """Three-hourly means up to now that rise by 10 Pa in a month, the steps of `silence` left out."""
    return tuple((NOW - (240 - n) * TREND_FOR / 240, base_pa + n / 24) for n in range(240) if n not in silence)


def house_page(client: Client, *trends: Trend, units: Units = Units.SI) -> str:
    return render_client(client, trends, Collecting(name="Saltmere Air", units=units), now=NOW)


TRENDS = (
    Trend("duct.static_pressure", month(190.0, range(100, 140))),
    Trend("filter.pressure_drop", month(108.0)),
)


SLIPPED = client(
    "heron-lane",
    Standing(
        house="Heron Lane 4",
        verdict=Verdict.SHORT,
        share_of_expected=Share(value=0.62, low=0.55, high=0.70),
        alarms=(AlarmTold(name="filter-drop", title="the drop is beyond its budget", since=NOW, worth_a_drive=True),),
        change_on=date(2026, 1, 29),
        waiting=12_400,
    ),
    duct__static_pressure=201.7,
    filter__pressure_drop=118.9,
)
GOOD = client(
    "tern-cottage",
    Standing(house="Tern Cottage", verdict=Verdict.DELIVERS, share_of_expected=Share(value=0.97, low=0.9, high=1.04)),
)
ALL = (GOOD, SLIPPED, client("gull-row", heard_ago_min=26 * 60), client("new-house", heard_ago_min=None))


def test_a_house_is_told_by_its_share_its_pressures_its_alarms_and_what_is_on_its_way() -> None:
    text = page(*ALL)
    assert "Of 4 houses: 1 delivers less than it should, 1 is worth a drive, 2 have fallen silent." in text
    assert text.index("Heron Lane 4") < text.index("gull-row") < text.index("Tern Cottage")
    for told in (
        "Short.",
        "202",
        "119",
        "Worth a drive:",
        "The drop is beyond its budget.",
        "29 Jan",
        "12,400 readings",
    ):
        assert told in text, told
    assert "never heard" in text
    assert "not measured" in text


def test_a_house_that_calls_itself_as_another_or_as_nothing_is_told_by_its_id() -> None:
    # U+202E turns what follows round (Unicode 15, section 23.2), U+3000 and U+200B show nothing.
    unseen, turned = Standing(house="\u3000\u200b \x00"), Standing(house="Gull\u202ewoR\x07")
    text = page(SLIPPED, client("other", Standing(house="heron lane 4")), client("nobody", unseen), client("x", turned))
    for told in ("Heron Lane 4 (heron-lane)", "heron lane 4 (other)", "<b>nobody</b>", "<b>Gull woR</b>"):
        assert told in text, told
    assert "(nobody)" not in text


def test_a_house_heard_of_before_the_clock_was_set_back_counts_as_silent_until_it_is_heard_again() -> None:
    day = timedelta(days=1)
    assert [is_silent(NOW + ahead, NOW) for ahead in (day, timedelta(minutes=1), -timedelta(minutes=59), -day)] == [
        True,
        False,
        False,
        True,
    ]


def test_pressures_are_told_in_the_units_of_the_office_and_the_other() -> None:
    # NIST SP 811 (2008), appendix B: 1 inch of water (conventional) = 249.0889 Pa, so 201.7 Pa = 0.810 in. w.c.
    text = page(SLIPPED, units=Units.INCH_POUND)
    assert text.index(">0.81<") < text.index("202 Pa")


def test_what_contradicts_itself_or_was_never_told_is_not_drawn() -> None:
    odd = Standing(house="Odd", verdict=Verdict.SHORT, share_of_expected=Share(value=0.9, low=1.0, high=0.8))
    text = page(client("odd", odd), client("none"))
    assert "strip" not in text
    assert "not told yet" in text


@pytest.mark.parametrize(("clients", "lead"), [((), "No house has sent"), ((GOOD,), "is as it should be")])
def test_a_short_list_leads_with_a_sentence_of_its_own(clients: tuple[Client, ...], lead: str) -> None:
    assert lead in page(*clients)


def test_the_page_of_a_house_tells_its_figures_its_alarms_and_draws_a_month() -> None:
    text = house_page(SLIPPED, *TRENDS)
    for told in ("Heron Lane 4", "Short.", "202", "119", "The drop is beyond its budget.", "Worth a drive.", "29 Jan"):
        assert told in text, told
    assert "Drop across the filter: from 108 Pa to 118 Pa." in text
    drawn = re.findall(r'<path class="line line-\w+" d="([^"]+)"', text)
    assert [path.count("M") for path in drawn] == [2, 1], "a silence breaks the line"


def test_a_house_that_told_nothing_has_a_page_that_says_so() -> None:
    text = house_page(client("new-house", heard_ago_min=None), Trend("duct.static_pressure", ()))
    assert "Nothing is told of its delivery yet." in text
    assert "fallen silent" in text
    assert "No pressure came in the last 30 days." in text


@pytest.fixture
def shown() -> list[Client]:
    return list(ALL)


@pytest.fixture
def address(shown: list[Client]) -> Iterator[str]:
    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            file = STATIC_FILES.get(self.path.removeprefix("/static/"))
            whole = house_page(SLIPPED, *TRENDS) if self.path.startswith("/houses/") else page(*shown)
            often = whole.replace('data-refresh-s="10"', 'data-refresh-s="0.2"')
            body = often.encode() if file is None else file.content
            kind = "text/html; charset=utf-8" if file is None else file.content_type
            self.send_response(200)
            self.send_header("Content-Type", kind)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}/"
        server.shutdown()


def test_in_a_browser_it_fits_a_phone_and_a_desk_an_audit_finds_nothing_and_it_keeps_itself_fresh(
    browser: webdriver.Chrome, address: str, shown: list[Client]
) -> None:
    audit = (Path(str(find_spec("selenium_axe_python").origin)).parent / "axe-core" / "axe.min.js").read_text()
    run = """
        const done = arguments[arguments.length - 1];
        axe.run({resultTypes: ["violations"], preload: false}).then(found => done(found.violations.map(
          each => `${each.id}: ${each.nodes.map(node => node.html.slice(0, 160)).join(" | ")}`)));
    """
    try:
        for width, path in ((320, ""), (1280, ""), (320, "houses/heron-lane")):
            metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
            browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
            browser.get(address + path)
            assert browser.execute_script("return document.documentElement.scrollWidth") <= width
            browser.execute_script(audit)
            assert browser.execute_async_script(run) == [], (width, path)
        browser.get(address)
        shown.remove(SLIPPED)
        WebDriverWait(browser, 60).until(lambda _: "Of 3 houses" in browser.find_element("id", "clients").text)
    finally:
        browser.get("about:blank")
