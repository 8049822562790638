"""The demo as a stranger meets it: one command, and a page that says what is simulated, in a real browser too.

The tests share one demo, which the last of them ends; what needs seconds to pass stands behind what needs none.
"""

import json
import re
import signal
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from selenium import webdriver

from moteledger.cards import CARDS
from moteledger.demo import HOUSE_FILE

SECTIONS = ("air", "ledger", "delivery", "filter", "events", "advice/fan", "advice/filter")


class Demo:
    """A running demo, its address, and the newest reading when it was first met."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        assert process.stdout is not None
        line = process.stdout.readline()
        address = re.search(r"http://127\.0\.0\.1:\d+", line)
        assert address is not None, line
        self.process, self.line, self.address = process, line, address[0]
        self.met = self.newest()

    def get(self, path: str) -> str:
        with urllib.request.urlopen(self.address + path, timeout=60) as answer:
            return str(answer.read().decode())

    def json(self, path: str) -> Any:
        return json.loads(self.get(path))

    def newest(self) -> str:
        return str(self.json("/v1/readings?signal=indoor.pm25")["time"][-1])


@pytest.fixture(scope="module")
def demo(start_command: Callable[..., subprocess.Popen[str]]) -> Iterator[Demo]:
    running = Demo(start_command("demo", "--port", "0"))
    yield running
    if running.process.poll() is None:
        running.process.kill()
        running.process.communicate(timeout=60)


def test_the_first_line_says_where_the_page_is_and_how_to_stop(demo: Demo) -> None:
    assert demo.line == f"The page is at {demo.address}/ (stop with Ctrl-C).\n"


def test_the_page_holds_every_card_filled_and_says_what_is_simulated_and_where_the_air_was_measured(
    demo: Demo,
) -> None:
    page = demo.get("/")
    for name, card in CARDS.items():
        assert f'id="{name}"' in page
        assert card.waits_for not in page
    for word in ("simulated", "invented", "Beijing", "2014"):
        assert word in page


@pytest.mark.parametrize("section", SECTIONS)
def test_every_section_is_there_for_machines(section: str, demo: Demo) -> None:
    assert demo.json(f"/v1/{section}")["house"] == "Tern Cottage, Saltmere"


@pytest.mark.parametrize("width", [360, 1280])
def test_the_page_fits_a_telephone_and_a_desk_and_raises_no_error(
    width: int, demo: Demo, browser: webdriver.Chrome
) -> None:
    browser.get("about:blank")
    browser.get_log("browser")
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    browser.get(demo.address + "/")
    inner, scroll = browser.execute_script("return [innerWidth, document.documentElement.scrollWidth]")
    assert inner == width
    assert scroll <= width
    assert len(browser.find_elements("css selector", "article.card")) == len(CARDS)
    assert browser.execute_script("return getComputedStyle(document.querySelector('article.card')).display") != "inline"
    assert browser.get_log("browser") == []


def test_a_card_alone_in_the_browser_has_its_style_and_raises_no_error(demo: Demo, browser: webdriver.Chrome) -> None:
    browser.get(demo.address + "/cards/account")
    assert browser.get_log("browser") == []
    assert "simulated" in browser.find_element("tag name", "body").text


def test_following_the_demo_tells_a_line_and_ends_cleanly_on_request(
    demo: Demo, start_command: Callable[..., subprocess.Popen[str]]
) -> None:
    # So close that no evening of the demo's house can be enough.
    following = start_command("prove", "--house", HOUSE_FILE, "--live", demo.address, "--within", "5")
    assert following.stdout is not None
    line = following.stdout.readline()
    assert re.match(r"\d\d:\d\d  \d+ µg/m³, fan (on|off); decays: \d+ with the fan off, \d+ with the fan on; ", line)
    following.send_signal(signal.SIGINT)
    out, err = following.communicate(timeout=60)
    assert (following.returncode, err) == (0, "")
    assert out == "Stopped; the service goes on, and so can the test.\n"


def test_time_runs_on_and_new_readings_come_in(demo: Demo) -> None:
    # The house tells its news every ten seconds.
    deadline = time.monotonic() + 60.0
    while demo.newest() <= demo.met and time.monotonic() < deadline:
        time.sleep(0.25)
    assert demo.newest() > demo.met


def test_it_ends_on_request_without_complaint(demo: Demo) -> None:
    demo.process.send_signal(signal.SIGTERM)
    out, err = demo.process.communicate(timeout=60)
    assert (demo.process.returncode, out, err) == (0, "", "")
