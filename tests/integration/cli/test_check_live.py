"""`check --live`: what arrives from each source, how it is converted, and what is missing."""

import json
import re
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from moteledger.cli.asked_service import AskedService, AskingError
from moteledger.cli.looking import live_text
from moteledger.intake import SourceReport, SourcesReport
from moteledger.settings import Network

HOUSE = """
name = "Crake House"
[house]
floor_area = "100 m2"
[[hub]]
name = "shelf"
address = "{address}"
every = "1 s"
[[hub.signals]]
signal = "filter.pressure_drop"
pointer = "/drop"
unit = "in.w.c."
[[hub.signals]]
signal = "fan.running"
pointer = "/fan"
states = {{ turning = 1, resting = 0 }}
[[hub.signals]]
signal = "indoor.pm25"
pointer = "/dust"
[[hub.signals]]
signal = "outdoor.pm25"
pointer = "/roof"
"""


class Shelf(BaseHTTPRequestHandler):
    def do_GET(self) -> None:
        self.send_response(200)
        self.end_headers()
        self.wfile.write(json.dumps({"drop": 0.5, "fan": "turning", "dust": "n/a"}).encode())

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture(scope="module")
def shelf() -> Iterator[str]:
    with ThreadingHTTPServer(("127.0.0.1", 0), Shelf) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}/"
        server.shutdown()


def test_every_signal_is_shown_as_it_came_and_as_it_is_kept(run_all: Callable, shelf: str, tmp_path: Path) -> None:
    house = tmp_path / "crake.toml"
    house.write_text(HOUSE.format(address=shelf))
    told = run_all({"it": ("check", "--house", house, "--live", "--for", "10")})["it"]
    assert told.returncode == 1, told.stderr
    # NIST SP 811 (2008), appendix B.8: 1 inch of water (conventional) = 249.0889 Pa.
    assert "0.5 in.w.c. -> 124.544 Pa at 20" in told.stdout
    assert '"turning" -> 1 at 20' in told.stdout
    assert '1 REFUSED, the last: /dust "n/a" is no number; map a number, or give states for words' in told.stdout
    assert "nothing came: the document has no such place" in told.stdout
    assert "outdoor.pm25 is mapped, but nothing came; it would tell what comes in from outdoors" in told.stdout
    assert "outdoor.temperature is missing; it would tell" in told.stdout


def test_a_source_that_fails_is_told_and_so_is_a_service_that_is_not_there(run_all: Callable, tmp_path: Path) -> None:
    house = tmp_path / "crake.toml"
    house.write_text(HOUSE.format(address="http://127.0.0.1:9/"))
    told = run_all(
        {
            "source": ("check", "--house", house, "--live", "--for", "30"),
            "service": ("check", "--house", house, "--live", "http://127.0.0.1:9"),
            "store": ("check", "--store", house, "--live"),
        }
    )
    assert [each.returncode for each in told.values()] == [1, 1, 2]
    assert "FAILING: cannot be reached" in told["source"].stdout
    assert "no answer" in told["service"].stderr


def test_a_running_service_reads_its_sources_and_tells_of_them(
    run_all: Callable, start_command: Callable, shelf: str, tmp_path: Path
) -> None:
    house = tmp_path / "crake.toml"
    house.write_text(HOUSE.format(address=shelf))
    process = start_command("serve", "--house", house, "--store", tmp_path / "crake.sqlite", "--port", "0")
    address = re.search(r"http://127\.0\.0\.1:\d+", process.stdout.readline())
    assert address is not None
    try:
        deadline = time.monotonic() + 60.0
        told = run_all({"it": ("check", "--house", house, "--live", address[0])})["it"]
        while "in.w.c. ->" not in told.stdout and time.monotonic() < deadline:
            time.sleep(0.1)
            told = run_all({"it": ("check", "--house", house, "--live", address[0])})["it"]
    finally:
        process.terminate()
        _, err = process.communicate(timeout=60)
    assert "0.5 in.w.c. -> 124.544 Pa" in told.stdout
    assert process.returncode == 0, err


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate that signs itself for another name than this machine's, and a second one with the same key."""
    folder = tmp_path_factory.mktemp("tls")
    key = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    for name in ("crake", "other"):
        subprocess.run(
            ["openssl", "req", "-x509", *key, "-keyout", f"{name}.key", "-out", f"{name}.pem", "-subj", "/CN=crake"],
            cwd=folder, check=True, capture_output=True,
        )  # fmt: skip
    return folder


def test_a_service_that_asks_for_a_token_over_tls_is_asked_with_both(
    run_all: Callable, start_command: Callable, shelf: str, certificate: Path, tmp_path: Path
) -> None:
    def house(name: str) -> Path:
        path = tmp_path / f"{name}.toml"
        files = f'certificate_file = "{certificate}/{name}.pem"\nkey_file = "{certificate}/{name}.key"'
        path.write_text(HOUSE.format(address=shelf) + f"[network]\ntokens_required = true\n{files}\n")
        return path

    store = tmp_path / "crake.sqlite"
    made = run_all({s: ("token", "new", "--store", store, "--name", s, "--scope", s) for s in ("view", "contribute")})
    for scope, done in made.items():
        (tmp_path / scope).write_text(done.stdout.splitlines()[0] + "\n")
    process = start_command("serve", "--house", house("crake"), "--store", store, "--port", "0")
    address = re.search(r"https://127\.0\.0\.1:\d+", process.stdout.readline())[0]

    def asked(name: str, url: str, *more: str | Path) -> tuple[str | Path, ...]:
        return ("check", "--house", house(name), "--live", url, *more)

    try:
        told = run_all(
            {
                "good": asked("crake", address, "--token-file", tmp_path / "view"),
                "none": asked("crake", address),
                "wrong": asked("crake", address, "--token-file", tmp_path / "contribute"),
                "no file": asked("crake", address, "--token-file", tmp_path / "nowhere"),
                "plain": asked("crake", address.replace("https", "http")),
                "stranger": asked("other", address, "--token-file", tmp_path / "view"),
            }
        )
    finally:
        process.terminate()
        process.communicate(timeout=20)
    assert "shelf (polling" in told["good"].stdout, told["good"].stderr
    assert "answers 401 to /v1/sources; it takes a token: set MOTELEDGER_TOKEN, or name" in told["none"].stderr
    assert "answers 403 to /v1/sources; the token does not open this" in told["wrong"].stderr
    assert "the secret cannot be read" in told["no file"].stderr
    assert "write https://" in told["plain"].stderr
    assert "no answer (self-signed certificate" in told["stranger"].stderr
    for name in ("none", "wrong", "no file", "plain", "stranger"):
        assert (told[name].returncode, told[name].stderr.count("\n")) == (1, 1), name


def test_a_token_in_the_environment_is_shown_and_one_that_is_none_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    shown = []

    class Asked(Shelf):
        def do_GET(self) -> None:
            shown.append(self.headers["Authorization"])
            super().do_GET()

    with ThreadingHTTPServer(("127.0.0.1", 0), Asked) as server:
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
        address = f"http://127.0.0.1:{server.server_port}"
        for token in ("mote_a_b", ""):
            monkeypatch.setenv("MOTELEDGER_TOKEN", token)
            AskedService(address, Network()).get("/v1/sources", 1000)
        with pytest.raises(AskingError, match="more than 3 bytes"):
            AskedService(address, Network()).get("/v1/sources", 3)
        server.shutdown()
    assert shown == ["Bearer mote_a_b", None, None]
    monkeypatch.setenv("MOTELEDGER_TOKEN", "m\u00f6te")
    with pytest.raises(AskingError, match="MOTELEDGER_TOKEN holds no token"):
        AskedService("http://127.0.0.1:1", Network())


@pytest.mark.parametrize("example", ["gull_row.toml", "plover_barn.toml"])
def test_the_examples_are_good(run_all: Callable, example: str) -> None:
    told = run_all({"it": ("check", "--house", Path(__file__).parents[3] / "config_examples" / example)})["it"]
    assert told.returncode == 0, told.stderr


def test_what_a_source_names_or_sends_cannot_steer_the_terminal() -> None:
    source = SourceReport(
        name="shelf\x1b]0;mine\x07",
        kind="hub",
        address="http://127.0.0.1:1\x9b2J",
        state="failing",
        last_good=None,
        error="answered \u202egnihton\r",
        next_try="soon",
        failures=1,
        documents=0,
        accepted=0,
        repeated=0,
        differing=0,
        refused=0,
        refusals=[],
        signals=[],
    )
    text = live_text(SourcesReport(time="now", sources=[source], missing=[]))
    assert all(line.isprintable() for line in text.split("\n"))
    assert "shelf?]0;mine?" in text
