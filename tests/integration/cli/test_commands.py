"""What each command does when all is well: its exit code, what it prints, what it writes."""

import csv
import gzip
import json
import math
import os
import pty
import select
import subprocess
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path

import pytest

from moteledger.cli.summary import summary
from moteledger.demo import ATTRIBUTION, HOUSE_FILE, ORIGIN_OF_THE_AIR
from moteledger.engine.assessment import Assessment, FilterLimit
from moteledger.engine.filter_limits import day_of
from moteledger.settings import read_house

Finished = subprocess.CompletedProcess[str]
Run = Callable[..., Finished]
RunAll = Callable[[dict[str, tuple[str | Path, ...]]], dict[str, Finished]]


@pytest.fixture(scope="module")
def assessed(
    run: Run, recording: Path, house_file: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Finished, Path]:
    out = tmp_path_factory.mktemp("told") / "told.json"
    return run("assess", recording, "--house", house_file, "--json", out), out


def test_an_assessment_ends_with_exit_code_0_and_says_nothing_but_what_was_asked(
    assessed: tuple[Finished, Path],
) -> None:
    done, _ = assessed
    assert done.returncode == 0
    assert done.stderr == "", "no progress bar in a pipe"


def test_the_summary_tells_the_account_first_then_what_to_do_then_the_figures(
    assessed: tuple[Finished, Path],
) -> None:
    told = assessed[0].stdout
    # 2 March 2026, 00:00 to 04:00 UTC is the evening before, five hours behind.
    assert told.startswith("Rook House: Sun 1 Mar 19:00 to Sun 1 Mar 23:00\n")
    parts = ["entered from outdoors", "Fan now:", "Filter:", "Delivery:", "estimated", "Data:", "Cautions:"]
    places = [told.index(part) for part in parts]
    assert places == sorted(places)
    assert "µg/m³" in told
    assert "ug/m3" not in told


def test_both_sides_of_the_printed_account_come_to_the_same_total(assessed: tuple[Finished, Path]) -> None:
    line = next(line for line in assessed[0].stdout.splitlines() if line.startswith("total"))
    _, left, _, right, *_ = line.split()
    assert left == right
    assert "(PM2.5 as one size class, entry, loss, clean air from the survey" in assessed[0].stdout


def test_the_json_is_whole_and_holds_what_the_summary_tells(assessed: tuple[Finished, Path]) -> None:
    done, out = assessed
    told = json.loads(out.read_text(encoding="utf-8"))
    assert told["house"] == "Rook House"
    assert told["period"]["start"] == "2026-03-02T00:00:00Z"
    assert f"Fan now: {told['fan']['action_now']}. {told['fan']['reason']}" in done.stdout
    assert [path.name for path in out.parent.iterdir()] == ["told.json"]


def test_an_earlier_file_is_replaced_whole(run_all: RunAll, recording: Path, house_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "told.json"
    out.write_text("x" * 1_000_000)
    assert run_all({"it": ("assess", recording, "--house", house_file, "--json", out)})["it"].returncode == 0
    assert json.loads(out.read_text(encoding="utf-8"))["house"] == "Rook House"


def test_long_or_wide_plain_or_packed_the_same_readings_give_the_same_assessment(
    run_all: RunAll,
    rows: list[tuple[str, float, float, int]],
    house_file: Path,
    tmp_path: Path,
    assessed: tuple[Finished, Path],
) -> None:
    long = tmp_path / "long.csv"
    with long.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(["time", "signal", "value", "unit"])
        for time, indoor, outdoor, fan in rows:
            table.writerow([time, "indoor.pm25", indoor / 1000.0, "mg/m3"])
            table.writerow([time, "outdoor.pm25", outdoor, "ug/m3"])
            table.writerow([time, "fan.running", fan, ""])
    packed = tmp_path / "long.csv.gz"
    packed.write_bytes(gzip.compress(long.read_bytes()))
    done = run_all(
        {
            path.name: ("assess", path, "--house", house_file, "--json", tmp_path / f"{path.name}.json")
            for path in (long, packed)
        }
    )
    for name, each in done.items():
        assert each.stdout == assessed[0].stdout, name


def test_a_checked_house_file_is_good_and_told_what_would_make_more_known(run_all: RunAll, house_file: Path) -> None:
    done = run_all({"it": ("check", "--house", house_file)})["it"]
    assert (done.returncode, done.stderr) == (0, "")
    # 1 ft = 0.3048 m: 366 m3 are 12,925 ft3.
    assert "good. Rook House, 366 m³ (12,925 ft³) of air." in done.stdout
    assert "house.leakage is not given; it would tell how fast outdoor particles" in done.stdout
    assert "air_handler.airflow" not in done.stdout


def test_a_filter_s_day_with_no_end_in_sight_is_told_as_open(assessment: Assessment, house_file: Path) -> None:
    today = assessment.period.end.date()
    never = day_of(math.inf, today)
    limits = (FilterLimit(reason="pressure", on=today, earliest=today, latest=never, told="It is at its limit."),)
    fields = {"change_on": today, "change_between": (today, never), "limits": limits}
    open_ = assessment.model_copy(update={"filter": assessment.filter.model_copy(update=fields)})
    told = summary(open_, read_house(house_file))
    assert f"Filter: change on {today}, {today} or later. " in told
    assert f"limit by pressure: {today}, {today} or later. It is at its limit." in told
    assert str(never) not in told


@pytest.mark.parametrize("installed", ["9999-12-31", "2000-01-01"])
def test_a_filters_day_that_is_still_to_come_is_told_by_check(
    run_all: RunAll, house_file: Path, tmp_path: Path, installed: str
) -> None:
    house = tmp_path / "house.toml"
    house.write_text(f"{house_file.read_text(encoding='utf-8')}installed = {installed}\n", encoding="utf-8")
    done = run_all({"it": ("check", "--house", house)})["it"]
    assert (done.returncode, done.stderr) == (0, "")
    told = "filter.installed: 9999-12-31 is still to come" in done.stdout
    assert told == (installed == "9999-12-31")


def test_the_version_is_the_packages_own(run_all: RunAll) -> None:
    assert run_all({"it": ("--version",)})["it"].stdout == f"moteledger {version('moteledger')}\n"


@pytest.fixture(scope="module")
def demo_recording(run_all: RunAll, tmp_path_factory: pytest.TempPathFactory) -> tuple[Finished, Path]:
    out = tmp_path_factory.mktemp("demo") / "demo.csv.gz"
    return run_all({"it": ("demo", "--recording", out)})["it"], out


def test_the_demo_writes_its_readings_and_says_which_of_them_are_simulated(
    demo_recording: tuple[Finished, Path],
) -> None:
    done, out = demo_recording
    assert (done.returncode, done.stderr) == (0, "")
    assert ORIGIN_OF_THE_AIR in done.stdout
    assert ATTRIBUTION in done.stdout
    assert [path.name for path in out.parent.iterdir()] == ["demo.csv.gz"]
    with gzip.open(out, "rt", encoding="utf-8") as file:
        assert file.readline() == "time,signal,value\n"
        count = sum(1 for _ in file)
    assert f"{count} readings" in done.stdout


def test_the_demos_two_weeks_are_assessed_to_an_account_that_closes_to_a_billionth(
    demo_recording: tuple[Finished, Path], run_all: RunAll, tmp_path: Path
) -> None:
    out = tmp_path / "told.json"
    done = run_all({"it": ("assess", demo_recording[1], "--house", HOUSE_FILE, "--json", out)})["it"]
    assert (done.returncode, done.stderr) == (0, "")
    assert abs(json.loads(out.read_text(encoding="utf-8"))["ledger"]["closure"]) < 1e-9
    assert done.stdout.startswith("Tern Cottage, Saltmere: ")


def test_a_terminal_is_shown_a_progress_bar_that_goes_when_the_work_is_done(
    recording: Path, house_file: Path, start_command: Callable[..., subprocess.Popen[str]]
) -> None:
    outside, inside = pty.openpty()
    process = start_command("assess", recording, "--house", house_file, stderr=inside)
    os.close(inside)
    told, shown = process.communicate(timeout=60)[0], b""
    while select.select([outside], [], [], 0.1)[0]:
        try:
            shown += os.read(outside, 65536)
        except OSError:
            break
    os.close(outside)
    assert process.returncode == 0
    assert b"reading [" in shown
    assert b"100 %" in shown
    assert shown.endswith(b"\r\x1b[K")
    assert told.startswith("Rook House")


def test_the_demo_once_prints_an_assessment_and_what_is_simulated_and_ends(run_all: RunAll) -> None:
    done = run_all({"it": ("demo", "--once")})["it"]
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Tern Cottage, Saltmere: ")
    assert ORIGIN_OF_THE_AIR in done.stdout
    assert ATTRIBUTION in done.stdout
