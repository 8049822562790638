"""A house and its contractor's collector, both killed (kill -9) again and again, with a line between that fails.

    python tests/studies/link_rounds.py --rounds 40

Both are the real service, each in a process of its own. In each round readings come in at the house, old ones and some
twice among them, one of the two is killed at a random moment, and the line lets through, cuts off within a request,
swallows the answer, answers nonsense in the collector's place, or lets nobody in. In the end both run, the line is well,
and what the house has acknowledged must be in the collector: each reading once, none altered, none that was never
sent, and none of the rooms.
"""

import argparse
import contextlib
import http.client
import json
import os
import random
import re
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

from moteledger.store import Store, outbox, problems_of
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
COMMAND = (sys.executable, "-c", "from moteledger.cli import main; raise SystemExit(main())")
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
            threading.Thread(target=self._take, args=(near, fault, self._chance.randrange(20, 4000)), daemon=True).start()

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
                f"readings sent to the house {self.sent:,}, acknowledged {self.acknowledged:,}; most waiting at once "
                f"{self.waited_most:,}",
                f"in the collector: {self.collected:,}; acknowledged and lost {self.lost}, never sent {self.invented}, "
                f"altered {self.altered}, in one of the two only {self.differs_from_house}, "
                f"of the rooms {self.of_the_rooms}, refused {self.put_aside}",
                f"the stores afterwards: {'sound' if not self.problems else '; '.join(self.problems)}",
            )
        )


def run(rounds: int, folder: Path, seed: int = 30) -> Rounds:
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
    started = [start(command, token) for command in commands]
    ports = [port_of(process) for process in started]
    line.target = ports[1]
    try:
        for _ in range(rounds):
            until = time.monotonic() + chance.uniform(0.2, 2.5)
            while time.monotonic() < until:
                push(ports[0], book, [next(seconds) for _ in range(BATCH)])
                time.sleep(0.02)
            which = chance.randrange(2)
            kill(started[which])
            kills[which] += 1
            if which == 0:
                with Store.open(folder / "house.sqlite") as store:
                    waited = max(waited, outbox.forwarding(store).waiting)
            started[which] = start(commands[which], token)
            ports[which] = port_of(started[which])
            line.target = ports[1]
        line.well = True
        # A fresh start of the house tries at once; what was tried before may wait for minutes.
        kill(started[0])
        push_all(folder, book)
        started[0] = start(commands[0], token)
        port_of(started[0])
        until_nothing_waits(folder / "house.sqlite")
    finally:
        for process in started:
            kill(process)
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


def push_all(folder: Path, book: Book) -> None:
    """What a program of its own brings in while the house's service is away is to be sent, too."""
    recording = folder / "recording.csv"
    seconds = range(-200_000_000, -200_000_000 + 60 * 300, 60)
    rows = [f"{record(second, SENT)['time']},{SENT},{value_of(second)}" for second in seconds]
    recording.write_text("\n".join(["time,signal,value", *rows, ""]), encoding="utf-8")
    book.sent.update(seconds)
    subprocess.run(
        [*COMMAND, "backfill", str(recording), "--store", str(folder / "house.sqlite")],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    book.acknowledged.update(seconds)


def record(second: int, signal: str) -> dict[str, object]:
    """The reading of a second as it is sent."""
    moment = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(FIRST_US // SECOND_US + second - 400_000_000))
    return {"time": moment, "signal": signal, "value": value_of(second)}


def start(arguments: tuple[str, ...], token: str) -> "subprocess.Popen[str]":
    """A service in a process of its own."""
    return subprocess.Popen(
        [*COMMAND, *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env={**os.environ, "LINK_TOKEN": token},
    )


def port_of(process: "subprocess.Popen[str]") -> int:
    """The port that a service has said it listens on."""
    assert process.stdout is not None
    found = re.search(r":(\d+)/", process.stdout.readline())
    if found is None:
        kill(process)
        raise RuntimeError("the service did not start")
    return int(found[1])


def kill(process: "subprocess.Popen[str]") -> None:
    """As a power cut would."""
    process.kill()
    process.wait()
    if process.stdout is not None:
        process.stdout.close()


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
    seconds = (series.time_us - FIRST_US) // SECOND_US + 400_000_000
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
