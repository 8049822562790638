"""The command as a process of its own, and a short recording to give it."""

import csv
import json
import math
import os
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
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

# Most of a short run is loading: here it is done once, and every command is a process forked from that.
# Between the two stands one that waits for the command and tells its process, and in the end its exit code.
LOADED = """
import gc, json, os, signal, socket, sys, threading, traceback
import moteledger.api, moteledger.metrics, moteledger.publish
from moteledger.cli import main

def asked():
    gc.freeze()
    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    line = socket.socket(fileno=int(sys.argv[1]))
    while True:
        message, given, _, _ = socket.recv_fds(line, 1 << 16, 3)
        if not message:
            os._exit(0)
        *outputs, told = given
        if os.fork() == 0:
            signal.signal(signal.SIGCHLD, signal.SIG_DFL)
            command = os.fork()
            if command == 0:
                for number, output in enumerate(outputs, start=1):
                    os.dup2(output, number)
                for each in (line.detach(), *outputs, told):
                    os.close(each)
                signal.alarm(180)
                return json.loads(message)
            for each in outputs:
                os.close(each)
            os.write(told, b"%d\\n" % command)
            os.write(told, b"%d\\n" % os.waitstatus_to_exitcode(os.waitpid(command, 0)[1]))
            os._exit(0)
        for each in (*outputs, told):
            os.close(each)

arguments = asked()
try:
    code = main(arguments)
except SystemExit as end:
    code = end.code
except BaseException:
    traceback.print_exc()
    code = 1
# As at the end of any program, but for taking apart all that was loaded.
for thread in threading.enumerate():
    if thread is not threading.current_thread() and not thread.daemon:
        thread.join()
sys.stdout.flush()
os._exit(code)
"""

Finished = subprocess.CompletedProcess[str]


class Command:
    """A command that runs, with what `subprocess.Popen` has of it."""

    def __init__(self, loaded: socket.socket, arguments: list[str]) -> None:
        (out, to_out), (err, to_err), (told, to_told) = os.pipe(), os.pipe(), os.pipe()
        socket.send_fds(loaded, [json.dumps(arguments).encode()], [to_out, to_err, to_told])
        for each in (to_out, to_err, to_told):
            os.close(each)
        self.stdout, self.stderr, self._told = (os.fdopen(each, encoding="utf-8") for each in (out, err, told))
        self.pid = int(self._told.readline())
        self.returncode: int | None = None

    def wait(self, timeout: float) -> int:
        if self.returncode is None:
            if not select.select([self._told], [], [], timeout)[0]:
                raise subprocess.TimeoutExpired(str(self.pid), timeout)
            self.returncode = int(self._told.readline())
            self._told.close()
        return self.returncode

    def poll(self) -> int | None:
        with suppress(subprocess.TimeoutExpired):
            self.wait(0.0)
        return self.returncode

    def communicate(self, timeout: float) -> tuple[str, str]:
        with ThreadPoolExecutor(2) as readers:
            reading = [readers.submit(each.read) for each in (self.stdout, self.stderr) if not each.closed]
            try:
                self.wait(timeout)
            except subprocess.TimeoutExpired:
                self.kill()
                raise
            out, err = (each.result() for each in reading)
        self.stdout.close()
        self.stderr.close()
        return out, err

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


@pytest.fixture(scope="session")
def loaded() -> Iterator[socket.socket]:
    """The line to a process that has loaded the program and waits for commands to run."""
    line, its_line = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    process = subprocess.Popen(
        [sys.executable, "-c", LOADED, str(its_line.fileno())],
        stdin=subprocess.DEVNULL,
        # It writes nothing itself; a command has these for its own, so that they must be of the same kind.
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=environment | {"PYTHONIOENCODING": "utf-8"},
        pass_fds=[its_line.fileno()],
    )
    its_line.close()
    yield line
    line.close()
    assert process.communicate(timeout=60) == (b"", b"")


@pytest.fixture(scope="session")
def start_command(loaded: socket.socket) -> Iterator[Callable[..., Command | subprocess.Popen[str]]]:
    """Start the command and let it run, its output buffered as in any pipe; `env` is added to the environment.

    With an environment or outputs of its own it is a process from its first line. What a test that failed has left
    running is killed at the end.
    """
    started: list[Command | subprocess.Popen[str]] = []

    def begin(
        *arguments: str | Path, env: dict[str, str] | None = None, **options: Any
    ) -> Command | subprocess.Popen[str]:
        if env is None and not options:
            started.append(Command(loaded, [*map(str, arguments)]))
        else:
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
def run(loaded: socket.socket) -> Callable[..., Finished]:
    """Run the command to its end."""

    def to_its_end(*arguments: str | Path) -> Finished:
        command = Command(loaded, [*map(str, arguments)])
        out, err = command.communicate(timeout=120)
        assert command.returncode is not None
        return Finished([*map(str, arguments)], command.returncode, out, err)

    return to_its_end


@pytest.fixture(scope="session")
def run_all(run: Callable[..., Finished]) -> Callable[..., dict[str, Finished]]:
    """Run several commands, one after the other."""
    return lambda cases: {name: run(*case) for name, case in cases.items()}


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
