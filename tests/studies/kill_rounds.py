"""A service killed (kill -9) again and again while readings come in over HTTP: what it acknowledged must be there.

    python tests/studies/kill_rounds.py --rounds 100

Each round starts the real service on the same store, has several clients send batches and single readings, kills the
process at a random moment, and reads the file. Every reading has a value that tells its time, so that one which was
never sent would be seen. What was sent and not acknowledged is sent again in the next round.
"""

import argparse
import http.client
import json
import random
import re
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

from moteledger.store import Store, problems_of

HOUSE = """
name = "Rook House"
[house]
floor_area = "150 m2"
[network]
requests_per_second = 5000
"""
SIGNAL = "duct.static_pressure"
CLIENTS = 4
FIRST_US = 1_767_225_600_000_000
SECOND_US = 1_000_000
MOST_VALUES = 2000
COMMAND = (sys.executable, "-c", "from moteledger.cli import main; raise SystemExit(main())")


def value_of(second: int) -> float:
    """The value that the reading of a second has."""
    return float((second * 7919) % MOST_VALUES)


@dataclass
class Book:
    """What was sent and what was acknowledged, by seconds since the first."""

    sent: set[int] = field(default_factory=set)
    acknowledged: set[int] = field(default_factory=set)
    lock: threading.Lock = field(default_factory=threading.Lock)
    following: int = 0

    def take(self, count: int) -> list[int]:
        """The next seconds to send."""
        with self.lock:
            first, self.following = self.following, self.following + count
            seconds = list(range(first, first + count))
            self.sent.update(seconds)
            return seconds

    def open_seconds(self) -> list[int]:
        """What was sent and never acknowledged."""
        return sorted(self.sent - self.acknowledged)


@dataclass(frozen=True)
class Rounds:
    """What some rounds came to."""

    rounds: int
    sent: int
    acknowledged: int
    kept: int
    lost: int
    invented: int
    altered: int
    killed_mid_request: int
    problems: tuple[str, ...]

    def text(self) -> str:
        """The figures, a line each."""
        return "\n".join(
            (
                f"rounds of kill -9 during intake over HTTP: {self.rounds}",
                f"readings sent {self.sent:,}, acknowledged {self.acknowledged:,}, kept {self.kept:,}",
                f"acknowledged and lost: {self.lost}; never sent and there: {self.invented}; altered: {self.altered}",
                f"requests cut off by the kill: {self.killed_mid_request}",
                f"the store afterwards: {'sound' if not self.problems else '; '.join(self.problems)}",
            )
        )


def run(rounds: int, folder: Path, seed: int = 20) -> Rounds:
    """Kill a service `rounds` times; raises RuntimeError if it does not start."""
    house, store = folder / "house.toml", folder / "house.sqlite"
    house.write_text(HOUSE, encoding="utf-8")
    book, moments, cut_off, lost, invented, altered = Book(), random.Random(seed), 0, 0, 0, 0
    kept: set[int] = set()
    for _ in range(rounds):
        process = subprocess.Popen(
            [*COMMAND, "serve", "--house", str(house), "--store", str(store), "--port", "0"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert process.stdout is not None
        found = re.search(r":(\d+)/", process.stdout.readline())
        if found is None:
            process.kill()
            raise RuntimeError("the service did not start")
        cuts: list[int] = []
        again = book.open_seconds()
        clients = [
            threading.Thread(target=send, args=(int(found[1]), book, cuts, again if n == 0 else [], seed + n))
            for n in range(CLIENTS)
        ]
        for client in clients:
            client.start()
        time.sleep(moments.uniform(0.02, 0.5))
        process.kill()
        process.wait()
        process.stdout.close()
        for client in clients:
            client.join()
        cut_off += len(cuts)
        with Store.open(store) as opened:
            series = opened.series(SIGNAL, 0, 2**62)
        seconds = ((series.time_us - FIRST_US) // SECOND_US).tolist()
        kept = set(seconds)
        lost += len(book.acknowledged - kept)
        invented += len(kept - book.sent) + len(seconds) - len(kept)
        altered += sum(value != value_of(second) for second, value in zip(seconds, series.value.tolist(), strict=True))
    return Rounds(
        rounds,
        len(book.sent),
        len(book.acknowledged),
        len(kept),
        lost,
        invented,
        altered,
        cut_off,
        problems_of(store),
    )


def send(port: int, book: Book, cuts: list[int], again: list[int], seed: int) -> None:
    """Send until the service is gone, one request after the other; first what was never acknowledged."""
    sizes = random.Random(seed)
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    pending = False
    try:
        while True:
            seconds, again = (again, []) if again else (book.take(sizes.choice((1, 1, 20, 500))), [])
            body = json.dumps([record(second) for second in seconds])
            pending = True
            connection.request("POST", "/v1/readings", body, {"Content-Type": "application/json"})
            answer = connection.getresponse()
            told = answer.read()
            pending = False
            if answer.status == http.HTTPStatus.OK:
                taken = json.loads(told)
                if taken["accepted"] + taken["repeated"] == len(seconds):
                    with book.lock:
                        book.acknowledged.update(seconds)
    except (OSError, http.client.HTTPException):
        if pending:
            cuts.append(1)
    finally:
        connection.close()


def record(second: int) -> dict[str, object]:
    """The reading of a second as it is sent."""
    moment = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(FIRST_US // SECOND_US + second))
    return {"time": moment, "signal": SIGNAL, "value": value_of(second)}


def main() -> None:
    """Read the command line and print the figures."""
    parser = argparse.ArgumentParser(description="kill -9 during intake over HTTP")
    parser.add_argument("--rounds", type=int, default=100)
    parser.add_argument("--seed", type=int, default=20)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="moteledger-kill-") as folder:
        sys.stdout.write(run(options.rounds, Path(folder), options.seed).text() + "\n")


if __name__ == "__main__":
    main()
