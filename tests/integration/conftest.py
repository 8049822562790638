"""Real components: a browser for the tests that look at pages, and a broker."""

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
MOSQUITTO = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    """Headless Chromium; a machine without it skips loudly, or fails where real components are required."""
    if CHROMIUM is None or DRIVER is None:
        missing = "chromium and chromedriver (Debian: chromium, chromium-driver) are not installed"
        if os.environ.get("MOTELEDGER_REQUIRE_REAL_COMPONENTS") == "1":
            pytest.fail(missing)
        pytest.skip(f"NOT TESTED in a browser: {missing}")
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    yield driver
    driver.quit()


class Broker:
    """A real broker with a disk of its own, that can be stopped and started again."""

    def __init__(self, folder: Path) -> None:
        with socket.create_server(("127.0.0.1", 0)) as free:
            self.port = free.getsockname()[1]
        self.process: subprocess.Popen[bytes] | None = None
        self._file = folder / "broker.conf"
        (folder / "passwords").write_text("")
        self._file.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder}/\nuser root\nmax_queued_messages 100000\n"
        )

    def start(self) -> None:
        assert MOSQUITTO is not None
        self.process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        for _ in range(500):
            try:
                socket.create_connection(("127.0.0.1", self.port), 0.5).close()
            except OSError:
                assert self.process.poll() is None, "the broker did not start"
                time.sleep(0.01)
            else:
                return
        raise AssertionError("the broker does not listen")

    def stop(self) -> None:
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    if MOSQUITTO is None:
        missing = "mosquitto (Debian: mosquitto) is not installed"
        if os.environ.get("MOTELEDGER_REQUIRE_REAL_COMPONENTS") == "1":
            pytest.fail(missing)
        pytest.skip(f"NOT TESTED with a broker: {missing}")
    folder = tmp_path / "broker"
    folder.mkdir()
    running = Broker(folder)
    running.start()
    yield running
    running.stop()
