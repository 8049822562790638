"""A house and its contractor's collector, both killed (kill -9) again and again, with a line between that fails.

    python tests/studies/link_rounds.py --rounds 40

Both are the real service, each in a process of its own. In each round readings come in at the house, old ones and some
twice among them, and one of the two in turn is killed at a random moment. The line lets through, cuts off within a
request, swallows the answer, answers nonsense in the collector's place, or lets nobody in. In the end both run and the
line is well. Then what the house has acknowledged must be in the collector: each reading once, none altered, none that
was never sent, and none of the rooms.
"""

import argparse
import contextlib
import http.client
import json
import os
import random
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from moteledger.store import Reading, Store, outbox, problems_of
from moteledger.store.tokens import Scope, Tokens

HOUSE = """
name = "Rook House"
[house]
floor_area = "150 m2"
[network]
requests_per_second = 5000
[collector]
address = "http://127.0.0.1:{port}"
token = {{ environment = "LINK_TOKEN" }}
every = "1 s"
"""
OFFICE = """
name = "Rook Lane Air"
folder = "."
[network]
requests_per_second = 5000
"""
SENT, KEPT_AT_HOME = "filter.pressure_drop", "indoor.pm25"
FIRST_US = 1_767_225_600_000_000
SECOND_US = 1_000_000
BATCH = 400
LATEST_S = 400_000_000
"""So far before the first moment, that no reading is of a time to come."""
# Most of a start is loading: it is done once here, in a process that is then forked for each service.
LAUNCHER = """
import json, os, signal, sys
import moteledger.api, moteledger.metrics, moteledger.publish
from moteledger.cli import main

signal.signal(signal.SIGCHLD, signal.SIG_IGN)
for line in sys.stdin:
    asked = json.loads(line)
    child = os.fork()
    if child == 0:
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        os.dup2(os.open(asked["out"], os.O_CREAT | os.O_TRUNC | os.O_WRONLY, 0o600), 1)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
        signal.alarm(600)
        try:
            os._exit(main(asked["arguments"]))
        except BaseException:
            os._exit(1)
    print(child, flush=True)
"""
FAULTS = ("pass", "pass", "refuse", "cut", "lose", "nonsense")
NONSENSE = b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\n{}"
PATIENCE_S = 120.0


def value_of(second: int) -> float:
    """The value that the reading of a second has."""
    return float((second * 7919) % 2000)


class Line:
    """A line to a port that may change, which does to each connection what chance says; `well` lets all through."""

    def __init__(self, chance: random.Random) -> None:
        self.target = 0
        self.well = False
        self.met: Counter[str] = Counter()
        self._chance = chance
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        threading.Thread(target=self._listen, daemon=True).start()

    def close(self) -> None:
        """Take no more connections."""
        self._listening.close()

    def _listen(self) -> None:
        while True:
            try:
                near, _ = self._listening.accept()
            except OSError:
                return
            fault = "pass" if self.well else self._chance.choice(FAULTS)
            self.met[fault] += 1
            threading.Thread(
                target=self._take, args=(near, fault, self._chance.randrange(20, 4000)), daemon=True
            ).start()

    def _take(self, near: socket.socket, fault: str, most: int) -> None:
        with near, contextlib.suppress(OSError):
            if fault == "refuse":
                return
            if fault == "nonsense":
                near.recv(1 << 16)
                near.sendall(NONSENSE)
                return
            with socket.create_connection(("127.0.0.1", self.target)) as far:
                back = threading.Thread(target=self._pump, args=(far, near, 0 if fault == "lose" else 1 << 40))
                back.start()
                self._pump(near, far, most if fault == "cut" else 1 << 40)
                back.join()

    @staticmethod
    def _pump(source: socket.socket, sink: socket.socket, most: int) -> None:
        """Pass on at most so many bytes; at the end of them, or of the source, end both."""
        with contextlib.suppress(OSError):
            while some := source.recv(1 << 16):
                sink.sendall(some[:most])
                most -= len(some)
                if most <= 0:
                    break
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


@dataclass
class Book:
    """What was sent to the house and what it acknowledged, by seconds since the first."""

    sent: set[int] = field(default_factory=set)
    acknowledged: set[int] = field(default_factory=set)


@dataclass(frozen=True)
class Rounds:
    """What some rounds came to."""

    rounds: int
    kills: tuple[int, int]
    faults: dict[str, int]
    sent: int
    acknowledged: int
    collected: int
    lost: int
    invented: int
    altered: int
    differs_from_house: int
    of_the_rooms: int
    put_aside: int
    waited_most: int
    problems: tuple[str, ...]

    def text(self) -> str:
        """The figures, a line each."""
        met = ", ".join(f"{name} {count}" for name, count in sorted(self.faults.items()))
        return "\n".join(
            (
                f"rounds: {self.rounds}; house killed {self.kills[0]} times, collector {self.kills[1]}",
                f"connections over the line: {met}",
                f"readings sent to the house {self.sent:,}, acknowledged {self.acknowledged:,}; most waiting at a kill "
                f"{self.waited_most:,}",
                f"in the collector: {self.collected:,}; acknowledged and lost {self.lost}, never sent {self.invented}, "
                f"altered {self.altered}, in one of the two only {self.differs_from_house}, "
                f"of the rooms {self.of_the_rooms}, refused {self.put_aside}",
                f"the stores afterwards: {'sound' if not self.problems else '; '.join(self.problems)}",
            )
        )


def run(rounds: int, folder: Path, seed: int = 30, longest_s: float = 2.5) -> Rounds:
    """Kill and fail `rounds` times, then let all be well; raises RuntimeError if a service does not start."""
    chance, book, kills, waited = random.Random(seed), Book(), [0, 0], 0
    line = Line(random.Random(seed + 1))
    (folder / "houses").mkdir()
    house, office = folder / "house.toml", folder / "office.toml"
    house.write_text(HOUSE.format(port=line.port), encoding="utf-8")
    office.write_text(OFFICE, encoding="utf-8")
    with Store.open(folder / "collector.sqlite") as store:
        _, token = Tokens(store).new("rook-house", [Scope.CONTRIBUTE], FIRST_US)
    commands = (
        ("serve", "--house", str(house), "--store", str(folder / "house.sqlite"), "--port", "0"),
        ("serve", "--collect", str(office), "--port", "0"),
    )
    seconds = numbers(chance)
    launcher = Launcher(folder, token)
    started: list[Running] = []
    try:
        started += [launcher.start(command) for command in commands]
        line.target = started[1].port
        for number in range(rounds):
            push(started[0].port, book, [next(seconds) for _ in range(BATCH)])
            ends = threading.Event()
            pushing = threading.Thread(target=keep_pushing, args=(started[0].port, book, seconds, ends))
            pushing.start()
            time.sleep(chance.uniform(0.0, longest_s))
            which = (number + 1) % 2
            started[which].kill()
            kills[which] += 1
            ends.set()
            pushing.join()
            if which == 0:
                with Store.open(folder / "house.sqlite") as store:
                    waited = max(waited, outbox.forwarding(store).waiting)
            started[which] = launcher.start(commands[which])
            line.target = started[1].port
        line.well = True
        # A fresh start of the house tries at once; what was tried before may wait for minutes.
        started[0].kill()
        kills[0] += 1
        bring_in(folder, book)
        started[0] = launcher.start(commands[0])
        until_nothing_waits(folder / "house.sqlite")
    finally:
        for service in started:
            service.kill()
        launcher.close()
        line.close()
    return counted(folder, book, rounds, (kills[0], kills[1]), dict(line.met), waited)


def numbers(chance: random.Random) -> Iterator[int]:
    """Seconds to be sent: mostly the next one, now and then one of long ago, now and then one a second time."""
    following, old = 0, 0
    while True:
        match chance.randrange(20):
            case 0:
                old -= chance.randrange(1, 90_000)
                yield old
            case 1 if following:
                yield chance.randrange(following)
            case _:
                yield following
                following += 1


def push(port: int, book: Book, seconds: list[int]) -> None:
    """Send a batch to the house and note what it acknowledges."""
    book.sent.update(seconds)
    records = [record(second, signal) for second in seconds for signal in (SENT, KEPT_AT_HOME)]
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    with contextlib.closing(connection), contextlib.suppress(OSError, http.client.HTTPException):
        connection.request("POST", "/v1/readings", json.dumps(records), {"Content-Type": "application/json"})
        answer = connection.getresponse()
        answer.read()
        if answer.status == http.HTTPStatus.OK:
            book.acknowledged.update(seconds)


def keep_pushing(port: int, book: Book, seconds: Iterator[int], ends: threading.Event) -> None:
    """Send batch after batch, also while the house is killed, until told to end."""
    while not ends.is_set():
        push(port, book, [next(seconds) for _ in range(BATCH)])
        time.sleep(0.02)


def bring_in(folder: Path, book: Book) -> None:
    """What another program brings in while the house's service is away is to be sent, too."""
    seconds = range(-200_000_000, -200_000_000 + 60 * 300, 60)
    with Store.open(folder / "house.sqlite") as store:
        store.append([Reading(time_us_of(second), SENT, value_of(second)) for second in seconds])
    book.sent.update(seconds)
    book.acknowledged.update(seconds)


def time_us_of(second: int) -> int:
    """When the reading of a second was taken, microseconds since 1970 UTC."""
    return FIRST_US + (second - LATEST_S) * SECOND_US


def record(second: int, signal: str) -> dict[str, object]:
    """The reading of a second as it is sent."""
    moment = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time_us_of(second) // SECOND_US))
    return {"time": moment, "signal": signal, "value": value_of(second)}


class Launcher:
    """Starts services, each in a process of its own."""

    def __init__(self, folder: Path, token: str) -> None:
        self._folder, self._started = folder, 0
        self._process = subprocess.Popen(
            [sys.executable, "-c", LAUNCHER],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "LINK_TOKEN": token},
        )

    def start(self, arguments: tuple[str, ...]) -> "Running":
        """A service that has said on which port it listens; raises RuntimeError if it does not start."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self._started += 1
        out = self._folder / f"said-{self._started}"
        self._process.stdin.write(json.dumps({"arguments": arguments, "out": str(out)}) + "\n")
        self._process.stdin.flush()
        process = int(self._process.stdout.readline())
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until and is_alive(process):
            found = re.search(r":(\d+)/", out.read_text(encoding="utf-8")) if out.exists() else None
            if found is not None:
                return Running(process, int(found[1]))
            time.sleep(0.01)
        raise RuntimeError("the service did not start")

    def close(self) -> None:
        """End the process that starts the others."""
        self._process.communicate()


@dataclass(frozen=True)
class Running:
    """A running service: its process and its port."""

    process: int
    port: int

    def kill(self) -> None:
        """End it as a power cut would, and return once it is gone."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.process, signal.SIGKILL)
        while is_alive(self.process):
            time.sleep(0.005)


def is_alive(process: int) -> bool:
    """Whether there is such a process."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def until_nothing_waits(path: Path) -> None:
    """Wait for the house to have sent everything; raises RuntimeError if that takes far too long."""
    until = time.monotonic() + PATIENCE_S
    with Store.open(path) as store:
        while outbox.forwarding(store).waiting:
            if time.monotonic() > until:
                raise RuntimeError(f"{outbox.forwarding(store).waiting} readings still wait")
            time.sleep(0.05)


def counted(
    folder: Path, book: Book, rounds: int, kills: tuple[int, int], faults: dict[str, int], waited: int
) -> Rounds:
    """What the two stores hold, held against the book."""
    stores = (folder / "house.sqlite", folder / "houses" / "rook-house.sqlite")
    with Store.open(stores[0]) as house, Store.open(stores[1]) as office:
        at_house, at_office = (found(store) for store in (house, office))
        of_the_rooms = len(office.series(KEPT_AT_HOME, -(2**62), 2**62))
        put_aside = outbox.forwarding(house).put_aside
    return Rounds(
        rounds=rounds,
        kills=kills,
        faults=faults,
        sent=len(book.sent),
        acknowledged=len(book.acknowledged),
        collected=len(at_office),
        lost=len(book.acknowledged - at_office.keys()),
        invented=len(at_office.keys() - book.sent),
        altered=sum(value != value_of(second) for second, value in at_office.items()),
        differs_from_house=len(at_house.items() ^ at_office.items()),
        of_the_rooms=of_the_rooms,
        put_aside=put_aside,
        waited_most=waited,
        problems=tuple(problem for store in stores for problem in problems_of(store)),
    )


def found(store: Store) -> dict[int, float]:
    """The values in a store by their seconds."""
    series = store.series(SENT, -(2**62), 2**62)
    seconds = (series.time_us - FIRST_US) // SECOND_US + LATEST_S
    return dict(zip(seconds.tolist(), series.value.tolist(), strict=True))


def main() -> None:
    """Read the command line and print the figures."""
    parser = argparse.ArgumentParser(description="kill -9 of a house and its collector with a line that fails between")
    parser.add_argument("--rounds", type=int, default=40)
    parser.add_argument("--seed", type=int, default=30)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="moteledger-link-") as folder:
        sys.stdout.write(run(options.rounds, Path(folder), options.seed).text() + "\n")


if __name__ == "__main__":
    main()
