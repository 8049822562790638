"""The command as a process of its own, and a short recording to give it."""

import csv
import json
import math
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

COMMAND = (sys.executable, "-c", "from moteledger.cli import main; raise SystemExit(main())")
START = datetime(2026, 3, 2, tzinfo=UTC)
HOUSE = """
name = "Rook House"
time_zone = "Etc/GMT+5"

[house]
floor_area = "150 m2"

[air_handler]
airflow = "900 cfm"

[filter]
merv = 13
"""

# Most of a short run is loading: here it is done once.
FORKING = """
import json, os, signal, sys, traceback
from moteledger.cli import main

for line in sys.stdin:
    request = json.loads(line)
    child = os.fork()
    if child == 0:
        for number, path in ((1, request["out"]), (2, request["err"])):
            os.dup2(os.open(path, os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600), number)
        signal.alarm(120)
        try:
            code = main(request["arguments"])
        except SystemExit as end:
            code = end.code
        except BaseException:
            traceback.print_exc()
            code = 1
        sys.stdout.flush()
        os._exit(code)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""

Finished = subprocess.CompletedProcess[str]


def _run(*arguments: str | Path, **options: Any) -> Finished:
    command = [*COMMAND, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, encoding="utf-8", timeout=120, check=False, **options)


@pytest.fixture(scope="session")
def run() -> Callable[..., Finished]:
    """Run the command to its end."""
    return _run


@pytest.fixture(scope="session")
def run_all(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., dict[str, Finished]]]:
    """Run several commands, each in a process of its own that is forked from one which has loaded the program."""
    folder = tmp_path_factory.mktemp("output")
    environment = os.environ | {"PYTHONIOENCODING": "utf-8"}
    parent = subprocess.Popen(
        [sys.executable, "-c", FORKING],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
        env=environment,
    )
    assert parent.stdin is not None
    assert parent.stdout is not None

    def all_of(cases: dict[str, tuple[str | Path, ...]]) -> dict[str, Finished]:
        answers = {}
        for name, case in cases.items():
            out, err, arguments = folder / "out", folder / "err", [str(each) for each in case]
            request = {"arguments": arguments, "out": str(out), "err": str(err)}
            print(json.dumps(request), file=parent.stdin, flush=True)
            code = int(parent.stdout.readline())
            answers[name] = Finished(arguments, code, out.read_text("utf-8"), err.read_text("utf-8"))
        return answers

    yield all_of
    parent.communicate(timeout=60)


@pytest.fixture(scope="session")
def start_command() -> Iterator[Callable[..., subprocess.Popen[str]]]:
    """Start the command and let it run, its output buffered as in any pipe; `env` is added to the environment.

    What a test that failed has left running is killed at the end.
    """
    started: list[subprocess.Popen[str]] = []

    def begin(*arguments: str | Path, env: dict[str, str] | None = None, **options: Any) -> subprocess.Popen[str]:
        buffered = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "encoding": "utf-8"} | options
        started.append(subprocess.Popen([*COMMAND, *map(str, arguments)], env=buffered | (env or {}), **pipes))
        return started[-1]

    yield begin
    for process in started:
        if process.poll() is None:
            process.kill()
            process.wait(60)


@pytest.fixture(scope="session")
def rows() -> list[tuple[str, float, float, int]]:
    """Four hours of a house in five-minute rows: time, indoors, outdoors, whether the fan runs; all invented."""
    return [
        (
            (START + timedelta(minutes=5 * n)).strftime("%Y-%m-%dT%H:%M:%SZ"),
            round(7.0 + 2.0 * math.sin(n / 9.0), 1),
            round(18.0 + 6.0 * math.sin(n / 30.0), 1),
            int(n % 12 < 4),
        )
        for n in range(49)
    ]


@pytest.fixture(scope="session")
def recording(tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, float, float, int]]) -> Path:
    path = tmp_path_factory.mktemp("recording") / "rook.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(["time", "indoor.pm25", "outdoor.pm25", "fan.running"])
        table.writerows(rows)
    return path


@pytest.fixture(scope="session")
def house_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("house") / "rook.toml"
    path.write_text(HOUSE, encoding="utf-8")
    return path
