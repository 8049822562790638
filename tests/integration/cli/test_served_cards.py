"""The cards of a running service in a browser: they follow its stream, outlive it, and stand in listed frames."""

import json
import math
import signal
import socket
import subprocess
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.common.exceptions import WebDriverException

from moteledger.intake import accept
from moteledger.store import Reading, Store, to_us

Start = Callable[..., subprocess.Popen[str]]
LONGEST_S = 60.0
# NIST SP 811 (2008), appendix B: 1 in. w.c. = 249.0889 Pa.
PA_PER_INCH_WATER = 249.0889
HOUSE = """
name = "Rook House"
time_zone = "Etc/GMT+5"
units = "inch-pound"

[house]
floor_area = "150 m2"

[air_handler]
airflow = "900 cfm"

[filter]
merv = 13

[network]
embed_origins = ["{listed}"]
"""


class Framing:
    """A page of another origin that shows a card in a frame."""

    def __init__(self) -> None:
        self.card = ""
        page = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                body = (
                    "<!doctype html><html lang=en><title>A board</title><link rel=icon href=data:,>"
                    f'<h1>A board</h1><iframe title="card" width="600" height="500" src="{page.card}"></iframe>'
                ).encode()
                self.send_response(200)
                self.send_header("Content-Type", "text/html; charset=utf-8")
                self.send_header("Content-Length", str(len(body)))
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: Any) -> None:
                """Keeps the test's output clean."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


@pytest.fixture(scope="module")
def framing() -> Iterator[tuple[Framing, Framing]]:
    """Two such pages: the first is listed in the house file, the second is not."""
    pages = Framing(), Framing()
    yield pages
    for page in pages:
        page.close()


def three_hours(path: Path) -> None:
    """A store with three hours up to now, all invented: PM2.5 in and out, the fan, both pressures."""
    now = datetime.now(UTC).replace(microsecond=0)
    with Store.open(path) as store:
        for minute in range(180):
            moment = to_us(now - timedelta(minutes=180 - minute))
            fan = float(minute % 60 < 25)
            values = {
                "indoor.pm25": round(8.0 + 3.0 * math.sin(minute / 20.0), 1),
                "outdoor.pm25": round(20.0 + 5.0 * math.sin(minute / 50.0), 1),
                "fan.running": fan,
                "filter.pressure_drop": round(50.0 * fan, 1),
                "duct.static_pressure": round(140.0 * fan, 1),
            }
            accept(store, [Reading(moment, name, value) for name, value in values.items()])


class Served:
    """A service that can be killed and started again at the same address."""

    def __init__(self, start: Start, folder: Path, house: str) -> None:
        self._start, self._house, self._store = start, folder / "rook.toml", folder / "rook.db"
        self._house.write_text(house, encoding="utf-8")
        three_hours(self._store)
        # Bound and never listened on: while the service is away nobody else is given its port.
        self._kept = socket.socket()
        self._kept.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._kept.bind(("127.0.0.1", 0))
        self.port = self._kept.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        command = ("serve", "--house", self._house, "--store", self._store, "--port", str(self.port))
        self.process = self._start(*command)
        assert self.process.stdout is not None
        assert self.process.stderr is not None
        line = self.process.stdout.readline()
        assert self.address in line, self.process.stderr.read()
        deadline = time.monotonic() + LONGEST_S
        while "Nothing is written here yet" in self.get("/cards/pressure") and time.monotonic() < deadline:
            time.sleep(0.05)

    def get(self, path: str) -> str:
        with urllib.request.urlopen(self.address + path, timeout=LONGEST_S) as answer:
            return str(answer.read().decode())

    def push(self, signal_name: str, value: float) -> None:
        told = {"time": datetime.now(UTC).isoformat(), "signal": signal_name, "value": value}
        body = json.dumps(told).encode()
        headers = {"Content-Type": "application/json"}
        request = urllib.request.Request(f"{self.address}/v1/readings", body, headers)
        with urllib.request.urlopen(request, timeout=LONGEST_S) as answer:
            assert answer.status in (200, 201)

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.communicate(timeout=LONGEST_S)

    def close(self) -> None:
        if self.process is not None:
            self.kill()
        self._kept.close()


@pytest.fixture(scope="module")
def served(
    start_command: Start, framing: tuple[Framing, Framing], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Served]:
    house = HOUSE.format(listed=framing[0].address)
    running = Served(start_command, tmp_path_factory.mktemp("cards"), house)
    for page in framing:
        page.card = f"{running.address}/cards/pressure"
    try:
        running.start()
        yield running
    finally:
        running.close()


@pytest.fixture(autouse=True)
def own_page(browser: webdriver.Chrome) -> Iterator[None]:
    """Begins with an empty page and log, and leaves no page that goes on asking."""
    browser.get("about:blank")
    browser.get_log("browser")
    yield
    browser.switch_to.default_content()
    browser.get("about:blank")
    browser.get_log("browser")


def until(holds: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + LONGEST_S
    while not holds():
        assert time.monotonic() < deadline, what
        time.sleep(0.02)


def errors(browser: webdriver.Chrome) -> list[str]:
    return [entry["message"] for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]


# The card has no figure for a moment where a service that has just started is asked for it.
FIGURE = "document.querySelector('[data-live=\"duct.static_pressure\"]')"
TEXT = f"return {FIGURE}?.querySelector('data').textContent ?? ''"


def follow(browser: webdriver.Chrome, served: Served, pressures: list[float]) -> None:
    """Pushed readings appear in the place that stands there, as numbers of the house's unit."""
    for pressure in pressures:
        expected = f"{pressure / PA_PER_INCH_WATER:.3f}"

        def shows(expected: str = expected, pressure: float = pressure) -> bool:
            # The newest reading stands until the next comes, so that it may be told again.
            served.push("duct.static_pressure", pressure)
            return bool(browser.execute_script(TEXT) == expected)

        until(shows, f"the page does not show {expected}")


def test_figures_follow_the_services_stream_in_their_place_and_come_back_after_it_was_killed(
    browser: webdriver.Chrome, served: Served
) -> None:
    browser.get(served.address + "/")
    until(lambda: "Rook House" in browser.title, "no page")

    def changed_in_place() -> bool:
        """Whether the very element took the new number; a card that was drawn anew meanwhile is looked at again."""
        browser.execute_script(f"if ({FIGURE}) {FIGURE}.stands = true")
        follow(browser, served, [100.0, 120.0])
        return bool(browser.execute_script(f"return {FIGURE}?.stands === true"))

    until(changed_in_place, "the figure was replaced each time")
    assert errors(browser) == []

    connection = "return document.querySelector('.connection').textContent"
    served.kill()
    until(lambda: browser.execute_script(connection).startswith("Offline since"), "it does not say that it is offline")
    assert browser.execute_script(TEXT) == "0.482"
    # What could not be fetched is told by the browser itself; the page's own script raises nothing.
    assert all("net::ERR" in message for message in errors(browser))

    served.start()
    until(lambda: browser.execute_script(connection) == "", "it does not find the service again")
    errors(browser)
    follow(browser, served, [90.0, 110.0])
    assert errors(browser) == []


def framed_text(browser: webdriver.Chrome) -> str:
    """What stands in the page's frame; nothing where the browser shows its own page in the card's stead."""
    browser.switch_to.default_content()
    browser.switch_to.frame(0)
    with suppress(WebDriverException):
        return browser.find_element("tag name", "body").text
    return ""


def test_a_card_stands_in_the_frame_of_a_listed_page_and_of_no_other(
    browser: webdriver.Chrome, served: Served, framing: tuple[Framing, Framing]
) -> None:
    """HTML Standard, 7.1.1: another port is another origin. CSP Level 3, 6.4.2: frame-ancestors."""
    listed, stranger = framing
    assert len({listed.address, stranger.address, served.address}) == 3
    browser.get(listed.address)
    until(lambda: "Static pressure in the duct" in framed_text(browser), "no card in the listed page's frame")
    assert errors(browser) == []

    browser.switch_to.default_content()
    browser.get(stranger.address)
    said: list[str] = []

    def is_refused() -> bool:
        said.extend(errors(browser))
        return any("frame-ancestors" in message for message in said)

    until(is_refused, "the browser does not say that it refuses the frame")
    assert "Static pressure" not in framed_text(browser)
