"""A real service in a process of its own, for the benches that measure it from outside."""

import http.client
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

HOUSE = """
name = "Bench House"
[house]
floor_area = "180 m2"
[network]
requests_per_second = 100000
"""
_COMMAND = (sys.executable, "-c", "from moteledger.cli import main; raise SystemExit(main())")
_PATIENCE_S = 60.0


@dataclass(frozen=True)
class Running:
    """A running service: its process, its port, and the time from starting it to its first answer, s."""

    process: int
    port: int
    ready_s: float

    def connection(self) -> http.client.HTTPConnection:
        """A connection to keep and use again."""
        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=_PATIENCE_S)

    def resident_mb(self) -> float:
        """Memory that it holds now, MB (Linux)."""
        return _status_mb(Path(f"/proc/{self.process}/status").read_text(encoding="ascii"), "VmRSS")


@contextmanager
def scratch() -> Iterator[Path]:
    """A folder with a house file, gone afterwards; on the disk, since memory would take a flush for free."""
    with TemporaryDirectory(prefix="moteledger-bench-", dir=os.environ.get("TMPDIR", "/var/tmp")) as folder:  # noqa: S108
        (Path(folder) / "house.toml").write_text(HOUSE, encoding="utf-8")
        yield Path(folder)


@contextmanager
def running(folder: Path) -> Iterator[Running]:
    """The service on `store.db` in a folder made by `scratch`."""
    arguments = ["serve", "--house", str(folder / "house.toml"), "--store", str(folder / "store.db"), "--port", "0"]
    started = perf_counter()
    process = subprocess.Popen(  # noqa: S603  our own command
        [*_COMMAND, *arguments], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    try:
        line = process.stdout.readline() if process.stdout is not None else ""
        address = re.search(r":(\d+)/", line)
        if address is None:
            raise RuntimeError("the service did not start; try moteledger serve by hand")
        port = int(address[1])
        found = Running(process.pid, port, 0.0)
        request(found.connection(), "GET", "/healthz")
        yield Running(process.pid, port, perf_counter() - started)
    finally:
        process.kill()
        process.communicate()


def request(connection: http.client.HTTPConnection, method: str, path: str, body: object = None) -> tuple[int, bytes]:
    """Ask once; the status and what was answered."""
    text = body if isinstance(body, bytes) or body is None else json.dumps(body).encode()
    connection.request(method, path, text, {"Content-Type": "application/json"} if text is not None else {})
    answer = connection.getresponse()
    return answer.status, answer.read()


def peak_mb(program: str, *arguments: str) -> tuple[float, float]:
    """The most memory that a Python program held, MB, and how long it took, s (Linux)."""
    told = f"{program}\nprint(open('/proc/self/status').read())"
    started = perf_counter()
    done = subprocess.run(  # noqa: S603  our own program
        [sys.executable, "-c", told, *arguments], stdout=subprocess.PIPE, text=True, check=True
    )
    return _status_mb(done.stdout, "VmHWM"), perf_counter() - started


def _status_mb(status: str, key: str) -> float:
    for line in status.splitlines():
        if line.startswith(f"{key}:"):
            return int(line.split()[1]) / 1024.0
    raise RuntimeError(f"{key} is not told by this system; memory is measured on Linux only")
