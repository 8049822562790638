"""The page of a house that has no file yet, over plain HTTP and in a browser, up to its first reading."""

import html
import re
import shlex
import signal
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path
from random import Random
from typing import Any
from urllib.parse import urlencode

import pytest
from selenium import webdriver

from moteledger.settings import read_house
from moteledger.settings.questions import QUESTIONS, write_new

Start = Callable[..., subprocess.Popen[str]]
FORM = "application/x-www-form-urlencoded"
SOUND = {"name": "Tern <Cottage> & Co", "units": "inch-pound", "time_zone": "UTC", "house.floor_area": "1900"}


class FirstRun:
    """A service that was started without a house file."""

    def __init__(self, process: subprocess.Popen[str], file: Path) -> None:
        assert process.stdout is not None
        self.process, self.file = process, file
        self.line = process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+", self.line)
        assert found is not None, self.line
        self.address = found[0]

    def ask(self, path: str, body: bytes | None = None, **headers: str) -> tuple[int, str]:
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        request = urllib.request.Request(self.address + path, body, named)
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read().decode()

    def token(self) -> str:
        found = re.search(r'name="token" value="(\w+)"', self.ask("/")[1])
        assert found is not None
        return found[1]

    def send(self, answers: dict[str, str], **headers: str) -> tuple[int, str]:
        return self.ask("/first-run", urlencode(answers).encode(), **{"Content_Type": FORM, **headers})

    def stop(self) -> tuple[int, str]:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        _, err = self.process.communicate(timeout=60)
        return self.process.returncode, err


@pytest.fixture(scope="module")
def asking(start_command: Start, tmp_path_factory: pytest.TempPathFactory) -> Iterator[FirstRun]:
    """One that goes on asking; no test lets it be answered."""
    folder = tmp_path_factory.mktemp("asking")
    file = folder / "new.toml"
    running = FirstRun(start_command("serve", "--house", file, "--store", folder / "new.db", "--port", "0"), file)
    yield running
    assert running.stop()[0] == 0
    assert list(folder.iterdir()) == []


def test_the_page_asks_what_init_asks_with_reasons_and_defaults(asking: FirstRun) -> None:
    assert "no such file yet" in asking.line
    status, page = asking.ask("/")
    assert status == 200
    told = html.unescape(page)
    for question in QUESTIONS:
        assert question.asks in told
        assert question.explains in told
        assert f'name="{question.key}"' in page
        assert question.default in told


def test_an_answer_that_cannot_be_used_is_told_beside_its_field_and_what_was_typed_stays(asking: FirstRun) -> None:
    typed = {**SOUND, "token": asking.token(), "house.floor_area": "three <b>", "filter.merv": "99"}
    status, page = asking.send(typed)
    assert status == 422
    assert re.findall(r'class="wrong" id="q-([\w-]+)-wrong"', page) == ["house-floor_area", "filter-merv"]
    for key in ("name", "house.floor_area", "filter.merv"):
        assert f'value="{html.escape(typed[key])}"' in page
    assert "<option selected>inch-pound</option>" in page
    status, page = asking.send({"token": asking.token(), "units": "furlongs", "name": ""})
    assert status == 422
    assert re.findall(r'class="wrong" id="q-([\w-]+)-wrong"', page) == ["name", "units", "house-floor_area"]
    assert not asking.file.exists()


def test_only_this_page_may_answer(asking: FirstRun) -> None:
    assert asking.send(SOUND)[0] == 403
    assert asking.send({**SOUND, "token": "0" * 64})[0] == 403
    token = {**SOUND, "token": asking.token()}
    assert asking.send(token, Origin="http://stranger.example")[0] == 403
    assert asking.send(token, Host="stranger.example")[0] == 421
    assert asking.send(token, Content_Type="text/plain")[0] == 415
    assert asking.ask("/v1/readings")[0] == 404
    assert not asking.file.exists()


def test_no_body_whatever_brings_it_down(asking: FirstRun) -> None:
    token, chance = asking.token(), Random(20)
    strange = (
        "",
        " ",
        "\0",
        "\ud800",
        "\U0001f600",
        "9" * 199,
        "9" * 9999,
        "-1",
        "nan",
        "1e999",
        '"""\n[x]',
        "../..",
        "Etc",
    )
    bodies = [bytes(chance.randrange(256) for _ in range(chance.randrange(200))) for _ in range(40)]
    for _ in range(120):
        fields = {question.key: chance.choice(strange) for question in QUESTIONS if chance.random() < 0.7}
        # A name that is never sound keeps the file from being written.
        bodies.append(urlencode({**fields, "name": "", "token": token}, errors="surrogatepass").encode())
    bodies += [b"&" * 5000, b"token=%ff%fe", b"x" * 70_000]
    answered = {asking.ask("/first-run", body, Content_Type=FORM)[0] for body in bodies}
    assert answered <= {400, 403, 413, 422}
    assert 422 in answered
    assert not asking.file.exists()


def test_a_file_that_appeared_meanwhile_is_left_as_it_is(asking: FirstRun) -> None:
    token = asking.token()
    asking.file.write_text("mine")
    try:
        status, page = asking.send({**SOUND, "token": token})
        assert (status, asking.file.read_text()) == (409, "mine")
        assert "is there by now and was left as it is" in page
        with pytest.raises(FileExistsError):
            write_new(asking.file, "other")
        assert [each.name for each in asking.file.parent.iterdir()] == [asking.file.name]
    finally:
        asking.file.unlink()


def test_the_page_fits_a_small_screen_and_an_audit_finds_nothing(asking: FirstRun, browser: webdriver.Chrome) -> None:
    """The rules of axe-core for WCAG 2.0 to 2.2, A and AA, and its best practices; with errors beside the fields."""
    audit = (Path(str(find_spec("selenium_axe_python").origin)).parent / "axe-core" / "axe.min.js").read_text()
    run = """
        const done = arguments[arguments.length - 1];
        axe.run({resultTypes: ["violations"], preload: false}).then(found => done(found.violations.map(
          each => `${each.id}: ${each.nodes.map(node => node.html.slice(0, 160)).join(" | ")}`)));
    """
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 320, "height": 900, "deviceScaleFactor": 1, "mobile": True}
    )
    browser.get(asking.address + "/")
    found: list[Any] = []
    for _ in range(2):
        inner, scroll = browser.execute_script("return [innerWidth, document.documentElement.scrollWidth]")
        assert (inner, scroll) == (320, 320)
        browser.execute_script(audit)
        found += browser.execute_async_script(run)
        browser.execute_script(
            "const form = document.querySelector('form'); form.noValidate = true;"
            "form.elements['filter.merv'].value = '99'; form.requestSubmit()"
        )
        deadline = time.monotonic() + 60.0
        while not browser.execute_script("return !!document.querySelector('.wrong')") and time.monotonic() < deadline:
            time.sleep(0.05)
    assert browser.execute_script("return document.querySelectorAll('.wrong').length") == 2
    assert found == []


def test_a_sound_answer_writes_the_file_says_what_to_connect_and_the_service_goes_on(
    start_command: Start, tmp_path: Path
) -> None:
    file = tmp_path / "tern.toml"
    running = FirstRun(start_command("serve", "--house", file, "--store", tmp_path / "tern.db", "--port", "0"), file)
    try:
        status, page = running.send({**SOUND, "filter.merv": "13", "token": running.token()})
        assert status == 200
        # NIST SP 811 (2008), appendix B: 1 ft2 = 0.09290304 m2.
        house = read_house(file)
        assert (house.name, house.house.floor_area) == (SOUND["name"], pytest.approx(1900 * 0.09290304))
        for name in ("indoor.pm25", "outdoor.pm25", "fan.running", "filter.pressure_drop"):
            assert f"<code>{name}</code>" in page
        assert running.process.stdout is not None
        assert running.address in running.process.stdout.readline()
        assert html.escape(SOUND["name"]) in running.ask("/")[1]
        assert running.ask("/first-run", b"", Content_Type=FORM)[0] in (404, 405)
        line = re.search(r"<code>(curl .*?)</code>", page)
        assert line is not None
        words = shlex.split(html.unescape(line[1]))
        assert words[2] == f"{running.address}/v1/readings"
        media_type, body = words[4].removeprefix("Content-Type: "), words[6]
        status, told = running.ask("/v1/readings", body.encode(), Content_Type=media_type)
        assert (status, '"accepted":1' in told.replace(" ", "")) == (200, True)
        assert [each.name for each in tmp_path.iterdir() if each.suffix == ".toml" or ".toml" in each.name] == [
            file.name
        ]
    finally:
        code, err = running.stop()
    assert code == 0
    assert "Traceback" not in err
