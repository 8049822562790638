"""Where the output goes: into a pipe that closes, a terminal that knows no umlauts, a disk that is full."""

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

Run = Callable[..., subprocess.CompletedProcess[str]]


@pytest.mark.parametrize("command", ["assess", "check"])
def test_a_reader_that_has_seen_enough_is_no_error(
    command: str, start_command: Callable[..., subprocess.Popen[str]], recording: Path, house_file: Path
) -> None:
    # What `check` prints fits the buffer, so that the closed pipe shows at the last flush only.
    process = start_command(command, *([recording] if command == "assess" else []), "--house", house_file)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    err = process.stderr.read()
    process.stderr.close()
    assert process.wait(timeout=60) == 0
    assert err == ""


@pytest.mark.parametrize("encoding", ["cp437", "utf-16"])
def test_a_terminal_that_lacks_a_character_shows_a_mark_in_its_place(
    encoding: str, start_command: Callable[..., subprocess.Popen[bytes]], house_file: Path
) -> None:
    process = start_command("check", "--house", house_file, encoding=None, env={"PYTHONIOENCODING": encoding})
    out, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (0, b"")
    cubic = "366 m? (" if encoding == "cp437" else "366 m³ ("
    assert cubic in out.decode(encoding)


def test_an_error_in_a_strange_encoding_is_told_all_the_same(
    start_command: Callable[..., subprocess.Popen[bytes]], tmp_path: Path
) -> None:
    process = start_command(
        "check", "--house", tmp_path / "Jürgens Haus.toml", encoding=None, env={"PYTHONIOENCODING": "ascii"}
    )
    _, err = process.communicate(timeout=60)
    assert process.returncode == 1
    assert b"no such file" in err
    assert err.count(b"\n") == 1


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="NOT TESTED: there is no /dev/full here")
def test_a_full_disk_is_told_in_one_line(start_command: Callable[..., subprocess.Popen[str]], house_file: Path) -> None:
    with Path("/dev/full").open("w") as full:
        process = start_command("check", "--house", house_file, stdout=full)
        _, err = process.communicate(timeout=60)
    assert process.returncode == 1
    assert err.count("\n") == 1
    assert "standard output: No space left on device" in err


def test_without_any_output_the_work_is_done_all_the_same(recording: Path, house_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "told.json"
    script = (
        "import os, sys; os.close(1); sys.stdout = None\n"
        "from moteledger.cli import main; raise SystemExit(main(sys.argv[1:]))"
    )
    arguments = ["assess", str(recording), "--house", str(house_file), "--json", str(out)]
    done = subprocess.run([sys.executable, "-c", script, *arguments], timeout=60, check=False, stderr=subprocess.PIPE)
    assert (done.returncode, done.stderr) == (0, b"")
    assert out.stat().st_size > 1000
