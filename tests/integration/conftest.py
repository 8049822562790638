"""Real components, a browser and a broker, and an assessment made by hand."""

import os
import shutil
import socket
import subprocess
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from moteledger.engine.assessment import (
    Air,
    Assessment,
    Caution,
    DataBehind,
    DataQuality,
    Delivery,
    DeviceMass,
    Event,
    FanAdvice,
    FanSpan,
    Figures,
    FilterAdvice,
    Known,
    Ledger,
    NotKnown,
    Period,
    Verdict,
)
from moteledger.store import Reading, Series

NOW = datetime(2026, 1, 31, 14, 5, tzinfo=UTC)
CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
MOSQUITTO = shutil.which("mosquitto") or shutil.which("/usr/sbin/mosquitto")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
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
    try:
        driver.set_page_load_timeout(60)
        driver.set_script_timeout(60)
        yield driver
    finally:
        driver.quit()


AUDIT = """
const done = arguments[arguments.length - 1];
axe.run(
  {exclude: [[".picture svg"]]},
  {resultTypes: ["violations"], preload: false, ...arguments[0]}
).then(found => done(found.violations.map(
  each => `${each.id}: ${each.nodes.map(node => node.html.slice(0, 160)).join(" | ")}`)));
"""


@pytest.fixture(scope="session")
def audit(browser: webdriver.Chrome) -> Callable[..., dict[tuple[int, str], list[str]]]:
    """Audits the page that the browser shows, by the rules of axe-core for WCAG 2.0 to 2.2, A and AA, and its best
    practices, at several widths, at the first of them in dark too; tells by width and scheme what was found, a page
    wider than the screen included. The inside of a document's pictures, which readers of the screen skip, is left out.
    """
    engine = (Path(str(find_spec("selenium_axe_python").origin)).parent / "axe-core" / "axe.min.js").read_text()

    def found(
        widths: Sequence[int] = (320, 768, 1280), schemes: Sequence[str] = ("light", "dark")
    ) -> dict[tuple[int, str], list[str]]:
        violations = {}
        browser.execute_script(engine)
        for width in widths:
            size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": True}
            browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
            # Schemes differ by their colours alone, which `test_palette` checks and no width changes:
            # the second one is looked at once, by the rules on colour.
            for scheme in schemes if width == widths[0] else schemes[:1]:
                rules = (
                    {}
                    if scheme == schemes[0]
                    else {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}
                )
                scheme_told = [{"name": "prefers-color-scheme", "value": scheme}]
                browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "screen", "features": scheme_told})
                told = browser.execute_async_script(AUDIT, rules)
                inner, scroll = browser.execute_script("return [innerWidth, document.documentElement.scrollWidth]")
                if (inner, scroll) != (width, width):
                    told.append(f"{scroll} px wide on a screen of {inner} px")
                if told:
                    violations[width, scheme] = told
        return violations

    return found


class Broker:
    """A real broker with a disk of its own, that can be stopped and started again."""

    def __init__(self, folder: Path) -> None:
        # Bound and never listened on: the broker may share it, and while it is stopped nobody else is given it.
        self._kept = socket.socket()
        self._kept.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._kept.bind(("127.0.0.1", 0))
        self.port = self._kept.getsockname()[1]
        self.process: subprocess.Popen[bytes] | None = None
        self.folder = folder
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
        for _ in range(6000):
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
            self.process.wait(60)
            self.process = None

    def close(self) -> None:
        self.stop()
        self._kept.close()


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
    try:
        running.start()
        yield running
    finally:
        running.close()


@pytest.fixture
def assessment() -> Assessment:
    """An invented house; the numbers mean nothing but are all different."""
    unknown = NotKnown(reason="the fan never rested")
    share = Known(value=0.9, low=0.8, high=1.0, unit="1")
    figures = Figures(
        outdoor_entry_per_h=Known(value=0.3, low=0.2, high=0.4, unit="1/h"),
        loss_fan_off_per_h=Known(value=0.6, low=0.5, high=0.7, unit="1/h"),
        clean_air_delivered_m3h=Known(value=610.0, low=560.0, high=660.0, unit="m3/h"),
        installed_efficiency=unknown,
        sensor_gain_ratio=unknown,
    )
    return Assessment(
        house="Mill Cottage",
        period=Period(start=NOW - timedelta(days=2), end=NOW, step_s=60.0, time_zone="UTC"),
        data_quality=DataQuality(signals=(), missing=()),
        air=Air(
            time=NOW,
            indoor_pm25=Known(value=4.0, low=3.0, high=5.0, unit="ug/m3"),
            outdoor_pm25=Known(value=18.0, low=16.0, high=20.0, unit="ug/m3"),
            nowcast_pm25=unknown,
            index=33,
            category="Good",
            indoor_day_mean_pm25=Known(value=6.0, low=5.0, high=7.0, unit="ug/m3"),
            guideline_day_pm25=15.0,
            sentence="The air is good.",
        ),
        estimates=figures,
        expected=figures,
        delivery=Delivery(verdict=Verdict.DELIVERS, reason="it does", share_of_expected=share),
        ledger=Ledger(
            basis="measured",
            entered_mg=100.0,
            generated_mg=20.0,
            filtered_mg=80.0,
            settled_mg=25.0,
            carried_out_mg=14.5,
            stored_mg=0.5,
            closure=1e-15,
            by_device=(DeviceMass(device="filter", filtered_mg=80.0),),
        ),
        events=(
            Event(start=NOW - timedelta(hours=5), end=NOW - timedelta(hours=4), emitted_mg=unknown, peak_ug_m3=80.0),
        ),
        filter=FilterAdvice(
            drop_at_reference_pa=Known(value=55.0, low=52.0, high=58.0, unit="Pa"),
            reference_airflow_m3h=1700.0,
            drop_limit_pa=125.0,
            deposited_g=Known(value=9.0, low=7.0, high=11.0, unit="g"),
            change_on=date(2026, 5, 1),
            change_between=(date(2026, 4, 1), date(2026, 6, 1)),
            reason="the drop rises",
        ),
        fan=FanAdvice(
            action_now="run",
            reason="smoke is on its way",
            valid_until=NOW + timedelta(minutes=15),
            forecast_basis="persistence",
            schedule=(FanSpan(start=NOW, end=NOW + timedelta(hours=3)),),
            run_hours=3.0,
            energy_kwh=Known(value=1.2, low=1.1, high=1.3, unit="kWh"),
            mean_pm25=Known(value=5.0, low=4.0, high=6.0, unit="ug/m3"),
            target_ug_m3=12.0,
            alternatives=(),
            based_on=(
                DataBehind(signal="indoor.pm25", newest=NOW, good_until=NOW + timedelta(minutes=12)),
                DataBehind(signal="outdoor.pm25", newest=NOW, good_until=NOW + timedelta(hours=3)),
            ),
            confidence=0.9,
        ),
        cautions=(
            Caution(code="moisture", text="Coil moisture.", applies_to="fan"),
            Caution(code="ice", text="Low airflow ices coils.", applies_to="filter"),
            Caution(code="sensor", text="One sensor.", applies_to="delivery"),
        ),
    )


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A private authority, a certificate by it for this machine, and one that signs itself, made by openssl."""
    folder = tmp_path_factory.mktemp("tls")
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    for name in ("authority", "stranger"):
        subprocess.run(
            ["openssl", "req", "-x509", *key, "-keyout", f"{name}.key", "-out", f"{name}.pem", "-subj", f"/CN={name}",
             "-addext", "keyUsage=critical,keyCertSign,digitalSignature"],
            cwd=folder, check=True, capture_output=True, timeout=60,
        )  # fmt: skip
    for name, host in (("hub", "IP:127.0.0.1"), ("elsewhere", "DNS:elsewhere.invalid")):
        subprocess.run(
            ["openssl", "req", "-x509", *key, "-keyout", f"{name}.key", "-out", f"{name}.pem", "-subj", "/CN=hub",
             "-CA", "authority.pem", "-CAkey", "authority.key", "-addext", f"subjectAltName={host}",
             "-addext", "basicConstraints=critical,CA:FALSE"],
            cwd=folder, check=True, capture_output=True, timeout=60,
        )  # fmt: skip
    return folder


@pytest.fixture(scope="session")
def by_signal() -> Callable[[Iterable[Reading]], dict[str, Series]]:
    """Readings in the order in which they came, put into a series for each signal."""

    def sorted_out(readings: Iterable[Reading]) -> dict[str, Series]:
        columns: defaultdict[str, tuple[list[int], list[float]]] = defaultdict(lambda: ([], []))
        for time_us, signal, value in readings:
            columns[signal][0].append(time_us)
            columns[signal][1].append(value)
        return {name: Series(np.array(times, np.int64), np.array(values)) for name, (times, values) in columns.items()}

    return sorted_out
