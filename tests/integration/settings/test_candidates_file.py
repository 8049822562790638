"""A candidates file lists filter assemblies; every mistake in it is answered by key, value and fix."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from moteledger.settings import Candidate, CandidatesFileError, DuctKind, read_candidates

EXAMPLES = Path(__file__).parents[3] / "config_examples"
ONE = """
[[candidates]]
name = "Plain"
merv = 8
face_area = "2.5 ft2"
rated_drop = [{ airflow = "1000 cfm", drop = "0.15 in.w.c." }]
"""


def candidates_from(text: str, folder: Path) -> tuple[Candidate, ...]:
    path = folder / "candidates.toml"
    path.write_text(text, encoding="utf-8")
    return read_candidates(path)


def problems_of(text: str, folder: Path) -> list[str]:
    with pytest.raises(CandidatesFileError) as caught:
        candidates_from(text, folder)
    return caught.value.problems


def test_a_candidate_is_written_with_the_keys_of_the_filter(tmp_path: Path) -> None:
    (plain,) = candidates_from(ONE, tmp_path)
    # NIST SP 811 (2008), appendix B: 1 ft2 = 0.09290304 m2.
    assert plain.face_area == pytest.approx(2.5 * 0.09290304)
    assert plain.merv == 8
    assert plain.parallel == 1


def test_a_candidate_tells_what_fitting_it_takes(tmp_path: Path) -> None:
    text = (
        ONE
        + """parallel = 2
coil_covered = 0.33
assembly_price = 900
fittings = [{ loss_coefficient = 1.2, area = "2.2 ft2" }]
transition = { narrow_area = "2.2 ft2", wide_area = "4.4 ft2" }
duct = { diameter = "18 in", length = "24 ft", kind = "flexible", runs = 2, loss_coefficient = 0.9 }
"""
    )
    (told,) = candidates_from(text, tmp_path)
    assert told.duct is not None
    assert told.duct.diameter == pytest.approx(18 * 0.0254)
    assert told.duct.kind is DuctKind.FLEXIBLE
    assert told.transition is not None
    assert told.fittings[0].loss_coefficient == 1.2


def test_equal_filters_side_by_side_are_one_of_the_summed_areas_at_the_summed_airflow(tmp_path: Path) -> None:
    text = ONE + 'parallel = 3\nmedia_area = "10 ft2"\ngaps = [{ length = "0.3 m", width = "1 mm" }]\n'
    (three,) = candidates_from(text, tmp_path)
    together = three.as_one()
    assert together.face_area == pytest.approx(3 * 2.5 * 0.09290304)
    assert together.media_area == pytest.approx(30 * 0.09290304)
    assert together.rated_drop[0].airflow == pytest.approx(3000 * 1.699011, rel=1e-6)
    assert together.rated_drop[0].drop == three.rated_drop[0].drop
    assert len(together.gaps) == 3


def test_every_example_of_candidates_is_good() -> None:
    files = sorted(EXAMPLES.glob("*candidates*.toml"))
    assert files
    for path in files:
        assert read_candidates(path)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["candidates: missing"]),
        ("candidates = []", ["candidates", "at least 1"]),
        (ONE.replace("merv = 8", "merv = 18"), ["candidates.0.merv", "18", "16"]),
        (ONE.replace("merv", "merf"), ["candidates.0.merf", "did you mean 'merv'"]),
        (ONE.replace("2.5 ft2", "2.5 ft"), ["candidates.0.face_area", "2.5 ft", "not a unit of area", "ft2"]),
        (ONE.replace('face_area = "2.5 ft2"\n', ""), ["candidates.0", "face_area not given", 'add face_area = "']),
        (ONE.replace('name = "Plain"\n', ""), ["candidates.0.name: missing"]),
        (ONE + ONE, ["Plain", "more than once", "its own name"]),
        (ONE + "parallel = 0\n", ["candidates.0.parallel", "0 given", "at least 1"]),
        (ONE + 'media_area = "1 ft2"\n', ["candidates.0", "media_area", "0.0929 m2", "unfolded pleats"]),
        (ONE + 'final_drop = "0.1 in.w.c."\n', ["candidates.0", "final_drop", "24.9 Pa", "37.4 Pa"]),
        (
            ONE + 'transition = { narrow_area = "4 ft2", wide_area = "2 ft2" }\n',
            ["candidates.0.transition", "exchange"],
        ),
        (ONE + 'duct = { diameter = "16 in", lenght = "3 m" }\n', ["candidates.0.duct.lenght", "'length'"]),
        (
            ONE + 'duct = { diameter = "1 in", length = "3 m" }\n',
            ["candidates.0.duct.diameter", "1 in", "at least 1.97 in"],
        ),
        (ONE + "coil_covered = 1\n", ["candidates.0.coil_covered", "0.9"]),
        (
            ONE.replace(
                'drop = "0.15 in.w.c." }',
                'drop = "0.15 in.w.c." }, { airflow = "1200 cfm", drop = "0.12 in.w.c." }',
            ),
            ["candidates.0", "rated_drop", "must rise"],
        ),
    ],
)
def test_a_mistake_is_answered_by_key_value_and_fix(text: str, words: list[str], tmp_path: Path) -> None:
    told = "; ".join(problems_of(text, tmp_path))
    for word in words:
        assert word in told


def test_a_file_that_is_not_there_names_the_option_it_was_given_with(tmp_path: Path) -> None:
    with pytest.raises(CandidatesFileError, match="no such file; check the path given after --candidates"):
        read_candidates(tmp_path / "none.toml")


@given(text=st.text(max_size=200), key=st.sampled_from(["merv", "gaps", "duct", "fittings", "name", "price"]))
def test_any_text_is_candidates_or_a_clear_refusal(
    text: str, key: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.getbasetemp() / "typed.toml"
    path.write_text(f"[[candidates]]\n{key} = {text}", encoding="utf-8", errors="surrogatepass")
    with pytest.raises(CandidatesFileError):
        read_candidates(path)


def test_a_list_of_bad_candidates_is_not_also_called_empty(tmp_path: Path) -> None:
    path = tmp_path / "candidates.toml"
    path.write_text('[[candidates]]\nname = "A"\nmerv = 33\n', encoding="utf-8")
    with pytest.raises(CandidatesFileError) as caught:
        read_candidates(path)
    assert len(caught.value.problems) == 1
    path.write_text("candidates = []\n", encoding="utf-8")
    with pytest.raises(CandidatesFileError, match="empty; add at least 1"):
        read_candidates(path)
