"""The cards in a real browser: they fit every width, raise no error, keep themselves current and need no script."""

import json
import queue
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qsl

import pytest
from selenium import webdriver

from moteledger.cards import CARDS, STATIC_FILES, render_card, render_page

POLICY = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'"


class Site:
    """A local server of pages made on demand, under the policy that the cards are made for."""

    def __init__(self) -> None:
        self.pages: dict[str, Callable[[], str]] = {}
        self.posted: list[tuple[str, str]] = []
        self.streaming = True
        self.viewers: list[queue.Queue[bytes]] = []
        site = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                name = self.path.removeprefix("/static/")
                if self.path.startswith("/v1/live") and site.streaming:
                    self._stream()
                    return
                if name in STATIC_FILES:
                    self._answer(200, STATIC_FILES[name].content, STATIC_FILES[name].content_type)
                elif self.path in site.pages:
                    self._answer(200, site.pages[self.path]().encode(), "text/html; charset=utf-8")
                else:
                    self._answer(503, b"", "text/plain")

            def do_POST(self) -> None:
                site.posted.append((self.path, self.rfile.read(int(self.headers["Content-Length"])).decode()))
                self.send_response(303)
                self.send_header("Location", "/plain")
                self.send_header("Content-Length", "0")
                self.end_headers()

            def _stream(self) -> None:
                self.send_response(200)
                self.send_header("Content-Type", "text/event-stream")
                self.end_headers()
                events: queue.Queue[bytes] = queue.Queue()
                site.viewers.append(events)
                self.wfile.write(b"retry: 50\n\n")
                with suppress(OSError):
                    while event := events.get():
                        self.wfile.write(event)
                self.close_connection = True

            def _answer(self, status: int, body: bytes, content_type: str) -> None:
                self.send_response(status)
                self.send_header("Content-Type", content_type)
                self.send_header("Content-Length", str(len(body)))
                self.send_header("Content-Security-Policy", POLICY)
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: Any) -> None:
                """Keeps the test's output clean."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def tell(self, kind: str, **document: Any) -> None:
        """Sends an event as the service does (HTML Standard, section 9.2) to all who look on."""
        for viewer in self.viewers:
            viewer.put(f"event: {kind}\ndata: {json.dumps(document)}\n\n".encode())

    def drop(self, *, for_good: bool = False) -> None:
        """Ends every stream; `for_good` also turns away those who come back."""
        self.streaming = not for_good
        for viewer in self.viewers:
            viewer.put(b"")
        self.viewers.clear()

    def close(self) -> None:
        self.drop(for_good=True)
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


@pytest.fixture(scope="module")
def site() -> Iterator[Site]:
    site = Site()
    yield site
    site.close()


@pytest.fixture(autouse=True)
def fresh_log(browser: webdriver.Chrome) -> None:
    browser.get("about:blank")
    browser.get_log("browser")


def look_at(browser: webdriver.Chrome, width: int, scheme: str = "light", medium: str = "screen") -> None:
    """Sets the true width of the layout; a headless window alone would not go below some 500 px."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": True}
    )
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": medium, "features": features})


def unstreamed(markup: str) -> str:
    """A page that asks for no stream, so that it may be looked at as long as one likes."""
    assert ' data-live="/v1/live"' in markup
    return markup.replace(' data-live="/v1/live"', "")


def page_of(case: Any) -> Callable[[], str]:
    return lambda: unstreamed(
        render_page(case.assessment, case.house, now=case.now, banner=case.banner, beside=case.beside)
    )


def assert_it_fits(browser: webdriver.Chrome, width: int) -> None:
    inner, scroll = browser.execute_script("return [innerWidth, document.documentElement.scrollWidth]")
    assert inner == width
    assert scroll <= width
    spilled = browser.execute_script(
        """return [...document.querySelectorAll("body *:not(svg *)")].filter(element => {
             const box = element.getBoundingClientRect();
             return box.width > 0 && !element.closest(".scroll, .unseen, .skip, .piles")
               && (box.right > innerWidth + 1 || box.left < -1);
           }).map(element => element.outerHTML.slice(0, 120))"""
    )
    assert spilled == []


def test_every_page_fits_every_screen_and_raises_no_error(browser: webdriver.Chrome, site: Site, case: Any) -> None:
    site.pages["/page"] = page_of(case)
    look_at(browser, 320)
    browser.get(site.address + "/page")
    for width in (320, 360, 768, 1280):
        look_at(browser, width)
        assert_it_fits(browser, width)
    assert browser.get_log("browser") == []


@pytest.mark.parametrize("name", CARDS)
def test_every_card_fits_a_frame_of_its_own(
    browser: webdriver.Chrome, site: Site, cases: dict[str, Any], name: str
) -> None:
    case = cases["inch-pound"]
    site.pages["/alone"] = lambda: unstreamed(
        render_card(name, case.assessment, case.house, now=case.now, beside=case.beside)
    )
    look_at(browser, 320, scheme="dark")
    browser.get(site.address + "/alone")
    for width in (320, 768, 1280):
        look_at(browser, width, scheme="dark")
        assert_it_fits(browser, width)
    assert browser.get_log("browser") == []


def test_dark_light_and_print_have_their_own_paper(
    browser: webdriver.Chrome, site: Site, cases: dict[str, Any]
) -> None:
    site.pages["/papers"] = page_of(cases["typical"])
    papers = []
    for scheme, medium in (("light", "screen"), ("dark", "screen"), ("dark", "print")):
        look_at(browser, 768, scheme, medium)
        browser.get(site.address + "/papers")
        papers.append(browser.execute_script("return getComputedStyle(document.documentElement).backgroundColor"))
    assert papers == ["rgb(243, 245, 236)", "rgb(20, 27, 24)", "rgb(255, 255, 255)"]
    look_at(browser, 768)


def test_the_totals_of_both_sides_stand_on_one_line_on_a_wide_screen(
    browser: webdriver.Chrome, site: Site, cases: dict[str, Any]
) -> None:
    site.pages["/totals"] = page_of(cases["typical"])
    look_at(browser, 1280)
    browser.get(site.address + "/totals")
    tops = browser.execute_script(
        "return [...document.querySelectorAll('.side tfoot tr')].map(row => row.getBoundingClientRect().top)"
    )
    assert len(tops) == 2
    assert tops[0] == pytest.approx(tops[1], abs=1.0)


def test_the_first_step_of_the_keyboard_skips_to_the_cards(
    browser: webdriver.Chrome, site: Site, cases: dict[str, Any]
) -> None:
    site.pages["/keys"] = page_of(cases["typical"])
    look_at(browser, 768)
    browser.get(site.address + "/keys")
    # A key that comes before the first picture is drawn is lost.
    browser.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")
    for key, code in (("Tab", 9), ("Enter", 13)):
        press = {"key": key, "code": key, "windowsVirtualKeyCode": code}
        text = {"text": "\r"} if key == "Enter" else {}
        browser.execute_cdp_cmd("Input.dispatchKeyEvent", {"type": "keyDown", **press, **text})
        browser.execute_cdp_cmd("Input.dispatchKeyEvent", {"type": "keyUp", **press})
        if key == "Tab":
            until(browser, "return document.activeElement.className", "skip")
            until(browser, "return document.activeElement.getBoundingClientRect().top >= 0", True)
    until(browser, "return location.hash", "#main")


def until(browser: webdriver.Chrome, script: str, expected: object) -> None:
    """Waits up to a minute until a script answers as expected."""
    deadline = time.monotonic() + 60.0
    found = browser.execute_script(script)
    while found != expected and time.monotonic() < deadline:
        time.sleep(0.02)
        found = browser.execute_script(script)
    assert found == expected


def test_cards_keep_themselves_current_and_say_when_the_connection_is_lost(
    browser: webdriver.Chrome, site: Site, cases: dict[str, Any]
) -> None:
    case = cases["typical"]
    said = ["The air is good."]

    def assessment() -> Any:
        return case.assessment.model_copy(update={"air": case.assessment.air.model_copy(update={"sentence": said[0]})})

    def quick(markup: str) -> str:
        assert 'data-refresh-s="30"' in markup
        return unstreamed(markup).replace('data-refresh-s="30"', 'data-refresh-s="0.05"')

    site.pages["/"] = lambda: quick(render_page(assessment(), case.house, now=case.now))
    for name in CARDS:
        site.pages[f"/cards/{name}"] = lambda name=name: render_card(name, assessment(), case.house, now=case.now)
    look_at(browser, 768)
    browser.get(site.address + "/")
    browser.execute_script("document.querySelector('#account details').open = true")
    lead = "return document.querySelector('#air .lead').textContent"
    until(browser, lead, "The air is good.")

    said[0] = "The air is poor."
    until(browser, lead, "The air is poor.")
    assert browser.execute_script("return document.querySelector('#account details').open")
    assert browser.execute_script("return document.querySelectorAll('article').length") == len(CARDS)

    account = site.pages.pop("/cards/account")
    connection = "return document.querySelector('.connection').textContent.startsWith('Offline since')"
    until(browser, connection, True)
    assert browser.execute_script(lead) == "The air is poor."
    site.pages["/cards/account"] = account
    until(browser, connection, False)


def test_without_script_the_page_says_all_the_same(
    browser: webdriver.Chrome, site: Site, cases: dict[str, Any]
) -> None:
    site.pages["/plain"] = page_of(cases["inch-pound"])
    look_at(browser, 768)
    texts = []
    for disabled in (False, True):
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": disabled})
        browser.get(site.address + "/plain")
        texts.append(browser.find_element("tag name", "body").text)
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
    assert len(texts[0]) > 2000
    assert texts[0] == texts[1]


def test_without_script_the_forms_are_sent_and_lead_back_to_the_page(
    browser: webdriver.Chrome, site: Site, cases: dict[str, Any]
) -> None:
    site.pages["/plain"] = page_of(cases["inch-pound"])
    look_at(browser, 768)
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        for form, button in (("/filter/change", "record"), ("/fan/wish", "rest")):
            browser.get(site.address + "/plain")
            browser.find_element("css selector", f"form[action='{form}'] button[value='{button}']").click()
            deadline = time.monotonic() + 60.0
            while len(site.posted) < 1 and time.monotonic() < deadline:
                time.sleep(0.02)
            path, body = site.posted.pop()
            assert path == form
            fields = dict(parse_qsl(body))
            assert fields.pop("do") == button
            assert fields.pop("token").startswith("token-of-the-")
            assert fields in ({"on": "2025-03-11"}, {"minutes": "60"})
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_cards_follow_the_stream_and_come_back_to_it_when_it_breaks(
    browser: webdriver.Chrome, site: Site, cases: dict[str, Any]
) -> None:
    """0.4 in. w.c. of 249.0889 Pa each (NIST SP 811, appendix B.9) are 99.64 Pa."""
    case = cases["inch-pound"]
    said = ["The air is good."]

    def draw(render: Callable[..., str], *name: str) -> str:
        air = case.assessment.air.model_copy(update={"sentence": said[0]})
        assessment = case.assessment.model_copy(update={"air": air})
        return render(*name, assessment, case.house, now=case.now, beside=case.beside)

    site.streaming = True
    site.pages["/streamed"] = lambda: draw(render_page).replace('data-refresh-s="30"', 'data-refresh-s="3"')
    for name in CARDS:
        site.pages[f"/cards/{name}"] = lambda name=name: draw(render_card, name)
    look_at(browser, 768)
    browser.get(site.address + "/streamed")
    lead = "return document.querySelector('#air .lead').textContent"
    figure = "return document.querySelector('[data-live=\"duct.static_pressure\"] data').textContent"
    connection = "return document.querySelector('.connection').textContent"

    def wait_for_viewers() -> None:
        deadline = time.monotonic() + 60.0
        while not site.viewers and time.monotonic() < deadline:
            time.sleep(0.02)
        assert site.viewers

    wait_for_viewers()
    site.tell("reading", signal="duct.static_pressure", time="2025-03-11T10:20:01Z", value=99.64, unit="Pa")
    until(browser, figure, "0.400")
    said[0] = "The air is poor."
    site.tell("assessment", time="2025-03-11T10:21:00Z")
    until(browser, lead, "The air is poor.")

    site.drop()
    wait_for_viewers()
    until(browser, connection, "")
    # Coming back also draws every card anew; a sensor goes on telling meanwhile.
    deadline = time.monotonic() + 60.0
    while browser.execute_script(figure) != "0.800" and time.monotonic() < deadline:
        site.tell("reading", signal="duct.static_pressure", time="2025-03-11T10:20:09Z", value=2 * 99.64, unit="Pa")
        time.sleep(0.05)
    assert browser.execute_script(figure) == "0.800"

    site.drop(for_good=True)
    said[0] = "The air is better."
    until(browser, lead, "The air is better.")
    site.streaming = True
    browser.get("about:blank")


def test_an_accessibility_audit_finds_nothing(
    browser: webdriver.Chrome, audit: Callable[..., object], site: Site, cases: dict[str, Any]
) -> None:
    """Of the page; each card alone has its own, in both schemes. States differ by words: one width is enough."""
    for name in ("inch-pound", "stale", "learning", "nothing yet"):
        site.pages["/audited"] = page_of(cases[name])
        browser.get(site.address + "/audited")
        browser.execute_script("document.querySelectorAll('details').forEach(each => { each.open = true; })")
        assert audit((320, 1280) if name == "inch-pound" else (768,), ("light",)) == {}, name
    look_at(browser, 768)
