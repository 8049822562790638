"""`moteledger compare`: a table that fits a terminal, files written whole, one clear line when something is wrong."""

import json
from pathlib import Path

import pytest

from moteledger.cli import main

EXAMPLES = Path(__file__).parents[3] / "config_examples"
HOUSE = str(EXAMPLES / "heron_lane.toml")
CANDIDATES = str(EXAMPLES / "heron_lane_candidates.toml")
ONE = """
[[candidates]]
name = "Plain"
merv = 11
face_area = "4 ft2"
rated_drop = [{ airflow = "1200 cfm", drop = "0.12 in.w.c." }]
longest_use = "60 d"
price = 10
"""


def test_the_table_fits_a_hundred_columns_and_tells_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, page = tmp_path / "out.json", tmp_path / "page.html"
    assert main(["compare", "--house", HOUSE, "--candidates", CANDIDATES, "--json", str(out), "--html", str(page)]) == 0
    printed = capsys.readouterr().out
    assert max(map(len, printed.splitlines())) <= 100
    document = json.loads(out.read_text(encoding="utf-8"))
    assert [entry["rank"] for entry in document["entries"]] == [1, 2, 3, 4, 5, None]
    for entry in document["entries"]:
        assert entry["name"].split()[0] in printed
    assert "Refused" in printed
    assert "350 cfm per ton" in printed
    assert document["cautions"][0]["text"].split()[0] in printed
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")


@pytest.mark.parametrize("ranking", ["clean-air", "cost", "life", "ordinary-day", "smoke-day"])
def test_it_ranks_by_what_is_asked(ranking: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, out = tmp_path / "one.toml", tmp_path / "out.json"
    path.write_text(ONE, encoding="utf-8")
    arguments = ["compare", "--house", HOUSE, "--candidates", str(path), "--rank", ranking, "--json", str(out)]
    assert main(arguments) == 0
    assert json.loads(out.read_text(encoding="utf-8"))["ranked_by"] == ranking
    assert "first" in capsys.readouterr().out.splitlines()[0]


@pytest.mark.parametrize(
    ("house", "candidates", "words"),
    [
        (None, ONE.replace("merv = 11", "merv = 17"), ["candidates.0.merv", "17", "16"]),
        (None, ONE.replace("4 ft2", "4 cfm"), ["candidates.0.face_area", "4 cfm", "ft2"]),
        (None, ONE + "coil_coverd = 0.2\n", ["candidates.0.coil_coverd", "'coil_covered'"]),
        ('name = "x"\n[house]\nfloor_area = "150 m2"\n', ONE, ["house file", "air_handler", "airflow", "add"]),
        ('name = "x"\n[house]\nfloor_area = "150"\n', ONE, ["house.floor_area", "no unit"]),
    ],
)
def test_a_bad_file_is_answered_by_one_line_and_nothing_is_written(
    house: str | None, candidates: str, words: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house_file, candidates_file, out = tmp_path / "house.toml", tmp_path / "candidates.toml", tmp_path / "out.json"
    candidates_file.write_text(candidates, encoding="utf-8")
    if house is not None:
        house_file.write_text(house, encoding="utf-8")
    chosen = HOUSE if house is None else str(house_file)
    assert main(["compare", "--house", chosen, "--candidates", str(candidates_file), "--json", str(out)]) == 1
    told = capsys.readouterr()
    assert told.out == ""
    assert len(told.err.strip().splitlines()) == 1
    for word in words:
        assert word in told.err
    assert not out.exists()


def test_an_unknown_ranking_is_wrong_usage(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as exit_:
        main(["compare", "--house", HOUSE, "--candidates", CANDIDATES, "--rank", "price"])
    assert exit_.value.code == 2
    assert "--rank" in capsys.readouterr().err
