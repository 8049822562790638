"""`init` on a real terminal: typed answers make a file that `check` accepts; Ctrl-C in the middle leaves nothing."""

import os
import pty
import select
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from moteledger.cli import main
from moteledger.settings import read_house
from moteledger.settings.questions import QUESTIONS

# A session's leader takes the first terminal that it opens for its own, so that Ctrl-C reaches it as it does by hand.
COMMAND = (
    "import os; os.close(os.open(os.ttyname(0), os.O_RDWR)); from moteledger.cli import main; raise SystemExit(main())"
)
LONGEST_S = 60.0
TYPED = {
    "name": "Rook House",
    "units": "inch-pound",
    "time_zone": "UTC",
    "house.floor_area": "1900",
    "filter.merv": "13",
}


class Terminal:
    """A person at a terminal in front of `init`."""

    def __init__(self, out: Path) -> None:
        self.screen, self._seen = "", 0
        self._master, slave = pty.openpty()
        command = [sys.executable, "-c", COMMAND, "init", "--out", str(out)]
        self.process = subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave, start_new_session=True)
        os.close(slave)

    def until(self, words: str) -> None:
        """Read on until these words have come, behind those waited for before, and a prompt waits for an answer."""
        deadline = time.monotonic() + LONGEST_S
        while words not in self.screen[self._seen :] or not self.screen.endswith(": "):
            assert time.monotonic() < deadline, self.screen
            assert self._read(0.1) or self.process.poll() is None, self.screen
        self._seen = len(self.screen)

    def _read(self, wait_s: float) -> bool:
        if not select.select([self._master], [], [], wait_s)[0]:
            return False
        try:
            told = os.read(self._master, 4096)
        except OSError:
            # How Linux tells that the other side of a terminal is closed.
            return False
        self.screen += told.decode()
        return bool(told)

    def type(self, keys: str) -> None:
        os.write(self._master, keys.encode())

    def interrupt(self) -> None:
        """Press Ctrl-C once. Where it comes before the command reads on, only the next key lets it be seen."""
        deadline = time.monotonic() + LONGEST_S
        self.type("\x03")
        while self.process.poll() is None:
            assert time.monotonic() < deadline, self.screen
            self._read(0.3)
            self.type("\r")

    def end(self) -> int:
        code = self.process.wait(LONGEST_S)
        while self._read(0.0):
            pass
        return code

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(LONGEST_S)
        os.close(self._master)


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    sitting = Terminal(tmp_path / "house.toml")
    yield sitting
    sitting.close()


def test_typed_answers_make_a_house_file_that_check_accepts(terminal: Terminal, tmp_path: Path) -> None:
    for question in QUESTIONS:
        terminal.until(question.asks)
        assert question.explains.split(".")[0] in terminal.screen
        if question.key == "units":
            terminal.type("furlongs\r")
            terminal.until("Answer one of: ")
        terminal.type(TYPED.get(question.key, "") + "\r")
    assert terminal.end() == 0, terminal.screen
    assert "written" in terminal.screen
    house = read_house(tmp_path / "house.toml")
    # NIST SP 811 (2008), appendix B: 1 ft2 = 0.09290304 m2.
    assert (house.name, house.house.floor_area) == ("Rook House", pytest.approx(1900 * 0.09290304))
    assert house.filter is not None
    assert house.filter.merv == 13
    assert main(["check", "--house", str(tmp_path / "house.toml")]) == 0


def test_ctrl_c_in_the_middle_leaves_nothing_and_says_so_in_one_line(terminal: Terminal, tmp_path: Path) -> None:
    terminal.until(QUESTIONS[0].asks)
    terminal.type("Rook House\r")
    terminal.until(QUESTIONS[1].asks)
    terminal.interrupt()
    assert terminal.end() != 0
    assert "Traceback" not in terminal.screen
    assert list(tmp_path.iterdir()) == []
