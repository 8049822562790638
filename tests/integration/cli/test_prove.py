"""The fan-off / fan-on test by command: its plan, a recording evaluated, a running service followed."""

import csv
import json
import re
import socket
import subprocess
import threading
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

Finished = subprocess.CompletedProcess[str]
Run = Callable[..., Finished]
RunAll = Callable[[dict[str, tuple[str | Path, ...]]], dict[str, Finished]]
Start = Callable[..., subprocess.Popen[str]]
Row = tuple[str, float, float, int]

VOLUME_M3, CLEAN_AIR_M3H, LOSS, ENTRY, OUTDOOR = 366.0, 900.0, 0.6, 0.35, 9.0


@pytest.fixture(scope="module")
def test_rows() -> list[Row]:
    """Five hours that end now, integrated by scipy: a meal, the fan off, a meal, the fan on."""
    middle = np.arange(0.0, 5.0, 1.0 / 60.0) + 0.5 / 60.0

    def rate(t: float, c: np.ndarray) -> np.ndarray:
        source = 360.0 if 1.0 < t < 1.25 or 3.2 < t < 3.45 else 0.0
        return ENTRY * OUTDOOR + source - (LOSS + (CLEAN_AIR_M3H / VOLUME_M3 if t > 3.5 else 0.0)) * c

    upheld = ENTRY * OUTDOOR / LOSS
    indoor = solve_ivp(rate, (0.0, middle[-1]), [upheld], t_eval=middle, rtol=1e-8, max_step=0.02).y[0]
    indoor += np.hypot(0.5, 0.02 * indoor) * np.random.default_rng(1).normal(size=middle.size)
    first = datetime.now(UTC).replace(second=0, microsecond=0) - timedelta(hours=5)
    return [
        (
            (first + timedelta(minutes=n + 1)).strftime("%Y-%m-%dT%H:%M:%SZ"),
            round(max(level, 0.0), 1),
            OUTDOOR + 0.1 * (n % 2),
            int(t > 3.5),
        )
        for n, (t, level) in enumerate(zip(middle.tolist(), indoor.tolist(), strict=True))
    ]


@pytest.fixture(scope="module")
def tested(test_rows: list[Row], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("test") / "test.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(["time", "indoor.pm25", "outdoor.pm25", "fan.running"])
        table.writerows(test_rows)
    return path


def address_of(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    address = re.search(r"http://127\.0\.0\.1:\d+", process.stdout.readline())
    assert address is not None
    return address[0]


@pytest.fixture
def service(start_command: Start, house_file: Path, tmp_path: Path) -> Iterator[str]:
    """The address of a service without readings."""
    process = start_command("serve", "--house", house_file, "--store", tmp_path / "readings.db", "--port", "0")
    yield address_of(process)
    process.kill()
    process.communicate(timeout=60)


def test_without_a_recording_the_plan_is_printed_step_by_step(
    run_all: RunAll, house_file: Path, tmp_path: Path
) -> None:
    out = tmp_path / "plan.json"
    done = run_all({"it": ("prove", "--house", house_file, "--json", out)})["it"]
    assert (done.returncode, done.stderr) == (0, "")
    told = " ".join(done.stdout.split())
    places = [told.index(part) for part in ("Shut windows", "Raise the level", "Fan off:", "Fan on:", "Cautions:")]
    assert places == sorted(places)
    for word in (
        "room air cleaners",
        "Make no smoke, burn nothing",
        "licensed technician",
        "CO and smoke alarms",
        "asthma",
    ):
        assert word in told
    plan = json.loads(out.read_text(encoding="utf-8"))
    assert f"{plan['fan_off_min']} min Fan off:" in told


def test_a_recording_of_the_test_is_evaluated_and_written(
    run_all: RunAll, tested: Path, house_file: Path, tmp_path: Path
) -> None:
    out = tmp_path / "proof.json"
    done = run_all({"it": ("prove", tested, "--house", house_file, "--json", out)})["it"]
    assert (done.returncode, done.stderr) == (0, "")
    assert "The test is enough." in done.stdout
    proof = json.loads(out.read_text(encoding="utf-8"))
    assert proof["enough"] is True
    delivered = proof["clean_air_delivered_m3h"]
    assert delivered["low"] <= CLEAN_AIR_M3H <= delivered["high"]
    assert delivered["unit"] == "m3/h"


def test_a_recording_without_a_decay_says_what_is_missing(run_all: RunAll, recording: Path, house_file: Path) -> None:
    done = run_all({"it": ("prove", recording, "--house", house_file)})["it"]
    assert done.returncode == 0
    assert "Decays: none that can be used" in done.stdout
    assert "Not enough yet (±15\N{NO-BREAK SPACE}% is wanted)" in done.stdout
    assert "start level too low" in done.stdout


def test_a_closer_answer_may_be_wanted(run_all: RunAll, tested: Path, house_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "proof.json"
    run_all({"it": ("prove", tested, "--house", house_file, "--within", "5", "--json", out)})
    proof = json.loads(out.read_text(encoding="utf-8"))
    assert proof["wanted_half_width"] == 0.05
    assert proof["enough"] == (proof["half_width"] <= 0.05)


@pytest.mark.parametrize(
    "address",
    [
        "http://192.168.1.20:8467",
        "http://example.org",
        "https://203.0.113.5:8467",
        "http://127.0.0.1.example.org:8467",
        "http://127.0.0.1@example.org/",
        "http://[::2]:8467",
        "http://0.0.0.0:8467",
        "http://127.0.0.1:99999",
        "file:///etc/passwd",
        "127.0.0.1:8467",
        "",
    ],
)
def test_only_a_service_on_this_machine_is_followed(address: str, run_all: RunAll, house_file: Path) -> None:
    done = run_all({"it": ("prove", "--house", house_file, f"--live={address}")})["it"]
    assert done.returncode == 2
    assert done.stderr.splitlines()[-1].endswith(
        "is not a service on this machine; give its loopback address, such as http://127.0.0.1:8467"
    )


def test_wrong_usage_is_told_as_such(run_all: RunAll, tested: Path, house_file: Path) -> None:
    both = ("prove", tested, "--live", "http://127.0.0.1:8467", "--house", house_file)
    done = run_all({"both": both, "within": ("prove", "--house", house_file, "--within", "0")})
    assert done["both"].returncode == 2
    assert "not allowed with" in done["both"].stderr
    assert done["within"].returncode == 2
    assert "'0' is not a percentage from 5 to 50" in done["within"].stderr


def test_a_service_that_is_not_there_is_told_in_one_line(run_all: RunAll, house_file: Path) -> None:
    with socket.socket() as bound:
        bound.bind(("127.0.0.1", 0))
        address = f"http://127.0.0.1:{bound.getsockname()[1]}"
        done = run_all({"it": ("prove", "--house", house_file, "--live", address)})["it"]
    assert done.returncode == 1
    assert done.stderr == (
        f"moteledger prove: {address}: no answer (Connection refused); start the service or correct the port\n"
    )


@pytest.mark.parametrize("answer", ["elsewhere", "nonsense", "numbers that are none", "error"])
def test_a_strange_service_is_not_believed_and_a_redirect_not_followed(
    answer: str, run_all: RunAll, house_file: Path
) -> None:
    class Strange(BaseHTTPRequestHandler):
        asked: list[str] = []  # noqa: RUF012  each test makes its own class

        def do_GET(self) -> None:
            self.asked.append(self.path)
            status, body = {
                "elsewhere": (302, b""),
                "nonsense": (200, b"[" * 100_000),
                "numbers that are none": (200, b'{"time": ["2026-03-02T00:00:00Z"], "value": [NaN]}'),
                "error": (500, b""),
            }[answer]
            self.send_response(status)
            self.send_header("Location", "/elsewhere")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Strange) as server:
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
        address = f"http://127.0.0.1:{server.server_port}"
        done = run_all({"it": ("prove", "--house", house_file, "--live", address)})["it"]
        server.shutdown()
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "check that the address is that of a house's service" in done.stderr
    assert len(Strange.asked) == 1


def test_a_running_service_is_followed_until_the_test_is_enough(
    service: str, run: Run, test_rows: list[Row], house_file: Path
) -> None:
    body = [
        {"time": time, "signal": name, "value": value}
        for time, *values in test_rows
        for name, value in zip(("indoor.pm25", "outdoor.pm25", "fan.running"), values, strict=True)
    ]
    request = urllib.request.Request(
        f"{service}/v1/readings", json.dumps(body).encode(), {"Content-Type": "application/json"}
    )
    with urllib.request.urlopen(request, timeout=60) as answer:
        assert json.load(answer)["accepted"] == len(body)
    done = run("prove", "--house", house_file, "--live", service)
    assert (done.returncode, done.stderr) == (0, "")
    first = done.stdout.splitlines()[0]
    assert "fan on; decays: 1 with the fan off, 1 with the fan on; enough: clean air delivered" in first
    assert "The test is enough." in done.stdout
