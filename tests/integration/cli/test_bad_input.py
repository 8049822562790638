"""Bad input at the command line: exit code 1 and one line that names the place, the value and the fix; nothing else.

Nothing on standard output, nothing half-written, no trace of the program's inside. Wrong usage is exit code 2 (the
convention of POSIX utilities and of Python's own argument parser).
"""

import gzip
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from moteledger.demo import HOUSE_FILE

READING = "2026-03-02T00:00:00Z"


@dataclass(frozen=True)
class Case:
    """What is wrong with a recording or a house file, and the words that must be told of it."""

    recording: str | bytes | None = None
    house: str | None = None
    words: tuple[str, ...] = ()


LEAST = 'name = "Rook House"\n[house]\nfloor_area = "150 m2"\n'
CASES = {
    "an empty file": Case("", words=("is empty", "names its columns")),
    "a header alone": Case("time,signal,value\n", words=("no reading", "add rows")),
    "a wrong unit": Case(
        f"time,signal,value,unit\n{READING},indoor.pm25,5,psi\n", words=("line 2", "'unit'", "'psi'", "ug/m3")
    ),
    "a wrong unit in a heading": Case(
        f"time,indoor.pm25 [furlong]\n{READING},5\n", words=("line 1", "indoor.pm25", "'furlong'", "ug/m3")
    ),
    "an unknown signal": Case(
        f"time,signal,value\n{READING},indoor.pm52,5\n",
        words=("line 2", "'signal'", "'indoor.pm52'", "did you mean 'indoor.pm25'"),
    ),
    "text for a number": Case(
        f"time,signal,value\n{READING},indoor.pm25,high\n", words=("line 2", "'value'", "'high'", "12.5")
    ),
    "a time without a zone": Case(
        "time,signal,value\n2026-03-02T00:00:00,indoor.pm25,5\n",
        words=("line 2", "'time'", "'2026-03-02T00:00:00'", "end it with Z"),
    ),
    "a packed file cut short": Case(
        gzip.compress(f"time,signal,value\n{READING},indoor.pm25,5\n".encode() * 200)[:-9], words=("gzip", "again")
    ),
    "a spreadsheet's own file": Case(b"PK\x03\x04\xff\xfe\x00\x00" * 20, words=("spreadsheet", "as CSV")),
    "text of another encoding": Case("time,signal,value\n2026,größe,5\n".encode("latin-1"), words=("UTF-8",)),
    "too short a time": Case(
        "time,indoor.pm25,outdoor.pm25\n" + "".join(f"2026-03-02T00:{m:02}:00Z,{m},{m}\n" for m in range(30)),
        words=("indoor.pm25 and outdoor.pm25", "2026-03-02T00:00:00Z", "at least an hour"),
    ),
    "no outdoor air": Case(f"time,indoor.pm25\n{READING},5\n", words=("pm25", "fewer than two readings", "add that")),
    "a slip in the TOML": Case(house=LEAST.replace('= "150', '= = "150'), words=("not TOML", "line 3", "correct")),
    "a misspelt key": Case(house=LEAST + "[filter]\nmervv = 13\n", words=("filter.mervv", "did you mean 'merv'")),
    "a number without its unit": Case(
        house=LEAST.replace('"150 m2"', "150"), words=("house.floor_area", "150", "no unit", '"180 m2"')
    ),
    "a wish that no house can meet": Case(
        house=LEAST + '[targets]\npm25 = "0 ug/m3"\n', words=("targets.pm25", "'0 ug/m3'", "at least 1 ug/m3")
    ),
    "no house file": Case(house="", words=("missing",)),
}


@dataclass(frozen=True)
class Answer:
    """What a run left: its code, what it said, and which files stood beside its input afterwards."""

    code: int
    out: str
    err: str
    files: tuple[str, ...]


@pytest.fixture(scope="module")
def answers(
    tmp_path_factory: pytest.TempPathFactory, run_all: Callable[..., dict], recording: Path, house_file: Path
) -> dict[str, Answer]:
    """All cases run, each in a folder of its own, asked to write an assessment there."""
    folders, commands = {}, {}
    for name, case in CASES.items():
        folders[name] = tmp_path_factory.mktemp("case")
        given, house = recording, house_file
        if case.recording is not None:
            given = folders[name] / "given.csv"
            given.write_bytes(case.recording if isinstance(case.recording, bytes) else case.recording.encode())
        if case.house is not None:
            house = folders[name] / "house.toml"
            house.write_text(case.house)
        commands[name] = ("assess", given, "--house", house, "--json", folders[name] / "told.json")
    return {
        name: Answer(done.returncode, done.stdout, done.stderr, tuple(path.name for path in folders[name].iterdir()))
        for name, done in run_all(commands).items()
    }


@pytest.mark.parametrize("name", CASES)
def test_it_is_answered_by_one_line_with_place_value_and_fix(name: str, answers: dict[str, Answer]) -> None:
    told = answers[name]
    assert told.code == 1
    assert told.out == ""
    assert told.err.count("\n") == 1, told.err
    assert told.err.startswith("moteledger assess: ")
    assert "Traceback" not in told.err
    for word in CASES[name].words:
        assert word in told.err
    file = "house.toml" if CASES[name].house is not None else "given.csv"
    if "pm25" not in CASES[name].words[0]:
        assert file in told.err


@pytest.mark.parametrize("name", CASES)
def test_nothing_is_left_half_written(name: str, answers: dict[str, Answer]) -> None:
    assert set(answers[name].files) <= {"given.csv", "house.toml"}


@pytest.fixture(scope="module")
def elsewhere(
    tmp_path_factory: pytest.TempPathFactory, run_all: Callable[..., dict], recording: Path, house_file: Path
) -> tuple[Path, dict]:
    """Runs that cannot read or write where they are told to."""
    folder = tmp_path_factory.mktemp("elsewhere")
    (folder / "a file").write_text("no folder")
    (folder / "a folder").mkdir()
    (folder / "notes.txt").write_text("no store at all, only some notes")
    assess = ("assess", recording, "--house", house_file)
    demo = ("demo", "--recording")
    serve = ("serve", "--port", "0", "--house")
    return folder, run_all(
        {
            "recording missing": ("assess", folder / "none.csv", "--house", house_file),
            "house missing": ("assess", recording, "--house", folder / "none.toml"),
            "check missing": ("check", "--house", folder / "none.toml"),
            "json into no folder": (*assess, "--json", folder / "none" / "told.json"),
            "json below a file": (*assess, "--json", folder / "a file" / "told.json"),
            "json onto a folder": (*assess, "--json", folder / "a folder"),
            "demo into no folder": (*demo, folder / "none" / "demo.csv"),
            "store in no folder": (*serve, house_file, "--store", folder / "none" / "rook.sqlite"),
            "store that is none": (*serve, house_file, "--store", folder / "notes.txt"),
        }
    )


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("recording missing", ("none.csv", "no such file", "check the path")),
        ("house missing", ("none.toml", "no such file", "check the path")),
        ("check missing", ("none.toml", "no such file", "check the path")),
        ("json into no folder", ("told.json", "cannot be written", "No such file", "check the folder")),
        ("json below a file", ("told.json", "cannot be written", "Not a directory", "check the folder")),
        ("json onto a folder", ("a folder", "cannot be written", "Is a directory", "check the folder")),
        ("demo into no folder", ("demo.csv", "cannot be written", "No such file", "check the folder")),
        ("store in no folder", ("rook.sqlite", "does not exist", "create it")),
        ("store that is none", ("notes.txt", "is not a store", "choose another file")),
    ],
)
def test_a_file_that_cannot_be_read_or_written_is_named_with_the_reason(
    name: str, words: tuple[str, ...], elsewhere: tuple[Path, dict]
) -> None:
    told = elsewhere[1][name]
    assert (told.returncode, told.stdout) == (1, "")
    assert told.stderr.count("\n") == 1, told.stderr
    for word in words:
        assert word in told.stderr


def test_not_a_file_more_stands_where_writing_failed(elsewhere: tuple[Path, dict]) -> None:
    folder, _ = elsewhere
    assert sorted(path.name for path in folder.rglob("*")) == ["a file", "a folder", "notes.txt"]
    assert (folder / "notes.txt").read_text() == "no store at all, only some notes"


@pytest.fixture(scope="module")
def misused(run_all: Callable[..., dict]) -> dict:
    return run_all(
        {
            "no command": (),
            "unknown command": ("asses",),
            "no house": ("assess", "some.csv"),
            "no such port": ("demo", "--port", "99999"),
            "json to no name": ("assess", "some.csv", "--house", HOUSE_FILE, "--json", "."),
        }
    )


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("no command", ("required", "COMMAND")),
        ("unknown command", ("'asses'", "'assess'")),
        ("no house", ("--house",)),
        ("no such port", ("99999", "0 to 65535")),
        ("json to no name", ("--json", "'.' is not a file")),
    ],
)
def test_wrong_usage_is_told_with_the_usage_and_exit_code_2(name: str, words: tuple[str, ...], misused: dict) -> None:
    told = misused[name]
    assert (told.returncode, told.stdout) == (2, "")
    assert told.stderr.startswith("usage: moteledger")
    for word in words:
        assert word in told.stderr
