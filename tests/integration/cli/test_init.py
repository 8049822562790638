"""A house file from a few questions: sound, commented, never half-written, never over another."""

import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moteledger.cli import main
from moteledger.settings import read_house
from moteledger.settings.questions import QUESTIONS, AnswerError, house_file

SOUND = ["--answer", "name=Tern Cottage", "--answer", "units=inch-pound", "--answer", "house.floor_area=1900"]


def test_answers_make_a_house_file_that_check_accepts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "house.toml"
    assert main(["init", "--out", str(out), *SOUND, "--answer", "filter.merv=13"]) == 0
    told = capsys.readouterr().out
    # NIST SP 811 (2008), appendix B: 1 ft2 = 0.09290304 m2.
    assert read_house(out).house.floor_area == pytest.approx(1900 * 0.09290304)
    assert "indoor.pm25" in told
    assert "/v1/readings" in told
    assert main(["check", "--house", str(out)]) == 0
    before = out.read_text()
    assert main(["init", "--out", str(out), *SOUND]) == 1
    assert out.read_text() == before


def test_nonsense_and_a_missing_terminal_write_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "house.toml"
    assert main(["init", "--out", str(out), *SOUND, "--answer", "filter.merv=99"]) == 1
    assert "filter.merv" in capsys.readouterr().err
    monkeypatch.setattr("sys.stdin", io.StringIO())
    assert main(["init", "--out", str(out)]) == 1
    assert "no terminal" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


@given(st.dictionaries(st.sampled_from([question.key for question in QUESTIONS if question.key != "units"]), st.text()))
def test_whatever_is_answered_makes_a_sound_file_or_a_reason(answers: dict[str, str]) -> None:
    try:
        text = house_file(answers)
    except AnswerError as error:
        assert str(error)
    else:
        assert text.startswith("#")


class Terminal(io.StringIO):
    """Typed lines, as from a terminal."""

    def isatty(self) -> bool:
        return True


def test_it_asks_again_until_an_answer_is_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "house.toml"
    typed = "Tern Cottage\nmetric\nsi\nNowhere/Land\nUTC\n-5\n176\n2.44\n\n1800 cfm\n\n99\n13\n"
    monkeypatch.setattr("sys.stdin", Terminal(typed))
    assert main(["init", "--out", str(out)]) == 0
    house = read_house(out)
    assert (house.house.floor_area, house.filter and house.filter.merv) == (176.0, 13)
    assert "not a time zone" in capsys.readouterr().out


def test_leaving_in_the_middle_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", Terminal("Tern Cottage\nsi\n"))
    assert main(["init", "--out", str(tmp_path / "house.toml")]) == 1
    assert list(tmp_path.iterdir()) == []
