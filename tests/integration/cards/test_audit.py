"""Each card alone and the pages before there is a house, audited on screens of all kinds; states, units, print."""

import threading
from collections.abc import Callable, Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from selenium import webdriver

from moteledger.cards import CARDS, STATIC_FILES, render_card, render_connecting, render_first_run, render_page
from moteledger.settings import Clock, House

Audit = Callable[..., dict[tuple[int, str], list[str]]]


class Quiet(SimpleHTTPRequestHandler):
    """Gives the files of a folder and says nothing."""

    def log_message(self, format: str, *args: Any) -> None:
        """Keeps the test's output clean."""


@pytest.fixture(scope="module")
def show(browser: webdriver.Chrome, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[str], None]]:
    """Shows a page in the browser, with the files that it asks for, its details open."""
    folder = tmp_path_factory.mktemp("pages")
    (folder / "static").mkdir()
    for name, file in STATIC_FILES.items():
        (folder / "static" / name).write_bytes(file.content)
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(Quiet, directory=str(folder)))
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()

    def shown(markup: str) -> None:
        # A name of its own for each, or the browser would show what it kept.
        page = folder / f"page-{len(list(folder.iterdir()))}.html"
        # Without a stream, so that the page may be looked at as long as one likes.
        page.write_text(markup.replace(' data-live="/v1/live"', ""), encoding="utf-8")
        browser.get(f"http://127.0.0.1:{server.server_port}/{page.name}")
        browser.execute_script("document.querySelectorAll('details').forEach(each => { each.open = true; })")

    browser.get("about:blank")
    browser.get_log("browser")
    yield shown
    browser.get("about:blank")
    server.shutdown()
    server.server_close()
    thread.join()


def card(name: str, case: Any) -> str:
    return render_card(name, case.assessment, case.house, now=case.now, banner=case.banner, beside=case.beside)


@pytest.mark.parametrize("name", CARDS)
def test_each_card_alone_at_every_width_in_light_and_dark(
    browser: webdriver.Chrome, audit: Audit, show: Callable[[str], None], cases: dict[str, Any], name: str
) -> None:
    show(card(name, cases["inch-pound"]))
    assert audit() == {}
    assert browser.get_log("browser") == []


def test_the_pages_before_there_is_a_house(
    browser: webdriver.Chrome, audit: Audit, show: Callable[[str], None], house_of: Callable[..., House]
) -> None:
    asked = render_first_run("0" * 64, {"name": "Rook"}, {"filter.merv": "MERV 99 is not known"}, action="/first-run")
    for markup in (asked, render_connecting(house_of(), "/srv/house/rook.toml", "http://127.0.0.1:8467")):
        show(markup)
        assert audit() == {}
    assert browser.get_log("browser") == []


def seen(browser: webdriver.Chrome) -> str:
    return " ".join(browser.find_element("tag name", "body").text.split())


@pytest.mark.parametrize("script", ["on", "off"])
def test_each_honest_state_is_told_on_the_page_with_script_and_without(
    browser: webdriver.Chrome, show: Callable[[str], None], cases: dict[str, Any], script: str
) -> None:
    """Nothing yet, learning, a sensor in doubt, stale, a clock that runs ahead. (Offline needs a service to lose.)"""
    states = {
        "nothing yet": ("Nothing is written here yet.", "Readings come since", "Still missing: PM2.5 outdoors"),
        "learning": ("Still learning: 14 h are recorded.", "wanted", "Stuck for 3 h"),
        "unknown": ("Not known.", "The fan never rested in this period", "cannot be told yet"),
        "stale": ("Not current: the last reading came 3 h 20 min ago, at 11:15.", "the advice has run out"),
        "from the future": ("in the future. Check the clock of the sensor and of this computer.",),
    }
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 360, "height": 800, "deviceScaleFactor": 1, "mobile": True}
    )
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": script == "off"})
    try:
        for name, said in states.items():
            case = cases[name]
            show(render_page(case.assessment, case.house, now=case.now, beside=case.beside))
            words = seen(browser)
            for each in said:
                assert each.lower() in words.lower(), (name, each)
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_each_house_is_spoken_to_in_its_own_units_and_clock(
    browser: webdriver.Chrome, show: Callable[[str], None], cases: dict[str, Any]
) -> None:
    """742 m3/h are 437 cfm and 72 Pa are 0.289 in. w.c. (NIST SP 811, appendix B); 14:32 is 2:32 pm."""
    for name, style, said, unsaid in (
        ("typical", Clock.H24, ("742 m³/h", "72 Pa", "until 14:32."), "2:32 pm"),
        ("inch-pound", Clock.H12, ("437 cfm", "0.289 in. w.c.", "until 2:32\N{NO-BREAK SPACE}pm."), "14:32"),
    ):
        case = cases[name]
        house = case.house.model_copy(update={"clock": style})
        show(render_page(case.assessment, house, now=case.now, beside=case.beside))
        words = seen(browser)
        for each in said:
            assert " ".join(each.split()) in words, (name, each)
        assert unsaid not in words


def test_print_leaves_out_what_can_only_be_pressed_and_shows_what_is_folded(
    browser: webdriver.Chrome, show: Callable[[str], None], cases: dict[str, Any]
) -> None:
    case = cases["inch-pound"]
    show(render_page(case.assessment, case.house, now=case.now, beside=case.beside))
    browser.execute_script("document.querySelectorAll('details').forEach(each => { each.open = false; })")
    shown = "return [...document.querySelectorAll(arguments[0])].filter(each => each.checkVisibility()).length"
    places = ("form.act", ".book-head nav", ".card h2", "details table")
    counts = {}
    for medium in ("screen", "print"):
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": medium, "features": []})
        counts[medium] = [browser.execute_script(shown, place) for place in places]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "screen", "features": []})
    # The forms of the filter, of the fan, and of each dead letter.
    assert counts["screen"][:3] == [4, 1, len(CARDS)]
    assert counts["print"][:3] == [0, 0, len(CARDS)]
    assert counts["print"][3] > counts["screen"][3]
