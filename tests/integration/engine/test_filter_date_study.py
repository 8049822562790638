"""The filter date study at a tiny size: it draws lives of its own, and the advice on them is a date near the truth."""

import runpy
from pathlib import Path

import numpy as np

STUDY = Path(__file__).parents[2] / "studies" / "filter_date.py"


def test_three_lives_are_drawn_and_each_is_given_a_date() -> None:
    study = runpy.run_path(str(STUDY))
    late, held = study["study"](3, 5)
    assert late.shape == held.shape == (3,)
    assert np.isfinite(late).all()
    assert (np.abs(late) < 120.0).all()


def test_without_anything_that_changes_the_dates_lie_closer() -> None:
    study = runpy.run_path(str(STUDY))
    rng = np.random.default_rng(2)
    one = study["life"](rng, 0.0)
    late, _ = study["missed_by"](one)
    assert abs(late) < 60.0
