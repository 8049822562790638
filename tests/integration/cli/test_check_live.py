"""`check --live`: what arrives from each source, how it is converted, and what is missing."""

import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

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


def test_every_signal_is_shown_as_it_came_and_as_it_is_kept(run: Callable, shelf: str, tmp_path: Path) -> None:
    house = tmp_path / "crake.toml"
    house.write_text(HOUSE.format(address=shelf))
    told = run("check", "--house", house, "--live", "--for", "10")
    assert told.returncode == 1, told.stderr
    # NIST SP 811 (2008), appendix B.8: 1 inch of water (conventional) = 249.0889 Pa.
    assert "0.5 in.w.c. -> 124.544 Pa at 20" in told.stdout
    assert '"turning" -> 1 at 20' in told.stdout
    assert '1 REFUSED, the last: /dust "n/a" is no number; map a number, or give states for words' in told.stdout
    assert "nothing came: the document has no such place" in told.stdout
    assert "outdoor.pm25 is mapped, but nothing came; it would tell what comes in from outdoors" in told.stdout
    assert "outdoor.temperature is missing; it would tell" in told.stdout


def test_a_source_that_fails_is_told_and_so_is_a_service_that_is_not_there(run: Callable, tmp_path: Path) -> None:
    house = tmp_path / "crake.toml"
    house.write_text(HOUSE.format(address="http://127.0.0.1:9/"))
    told = run("check", "--house", house, "--live", "--for", "30")
    assert told.returncode == 1
    assert "FAILING: cannot be reached" in told.stdout
    told = run("check", "--house", house, "--live", "http://127.0.0.1:9")
    assert told.returncode == 1
    assert "no answer" in told.stderr
    assert run("check", "--store", house, "--live").returncode == 2


def test_a_running_service_reads_its_sources_and_tells_of_them(
    run: Callable, start_command: Callable, shelf: str, tmp_path: Path
) -> None:
    import re
    import time

    house = tmp_path / "crake.toml"
    house.write_text(HOUSE.format(address=shelf))
    process = start_command("serve", "--house", house, "--store", tmp_path / "crake.sqlite", "--port", "0")
    address = re.search(r"http://127\.0\.0\.1:\d+", process.stdout.readline())
    assert address is not None
    for _ in range(50):
        told = run("check", "--house", house, "--live", address[0])
        if "in.w.c. ->" in told.stdout:
            break
        time.sleep(0.1)
    process.terminate()
    _, err = process.communicate(timeout=20)
    assert "0.5 in.w.c. -> 124.544 Pa" in told.stdout
    assert process.returncode == 0, err


@pytest.mark.parametrize("example", ["gull_row.toml", "plover_barn.toml"])
def test_the_examples_are_good(run: Callable, example: str) -> None:
    told = run("check", "--house", Path(__file__).parents[3] / "config_examples" / example)
    assert told.returncode == 0, told.stderr
