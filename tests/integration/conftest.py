"""A real browser for the tests that look at pages."""

import os
import shutil
from collections.abc import Iterator

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
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
