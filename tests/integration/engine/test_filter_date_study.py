"""The filter date study at a tiny size: it draws lives of its own, and the advice on them is a date near the truth."""

import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

STUDY = Path(__file__).parents[2] / "studies" / "filter_date.py"


@pytest.fixture(scope="module")
def study() -> dict:
    return runpy.run_path(str(STUDY))


def test_lives_of_which_little_and_of_which_much_is_told_are_given_a_date_with_its_interval(study: dict) -> None:
    for case in ("nothing told of weather or blower", "+ a filter like it watched before", "static pressure alone"):
        how = study["CASES"][case]
        found = study["study"](1, 5, how)
        assert np.isfinite(found[0].late)
        assert abs(found[0].late) < 120.0
        assert 0.0 < found[0].width_days < 400.0


def test_a_steady_life_with_airflow_weather_and_blower_told_is_dated_within_the_ten_days(study: dict) -> None:
    rng = np.random.default_rng(2)
    how = study["Lives"](weather=True, climate=True, blower=True, pm25=True, unsteady=0.0)
    one = study["life"](rng, how)
    while one.airflow_m3h is None:
        one = study["life"](rng, how)
    found = study["missed_by"](one)
    assert abs(found.late) <= 10.0
    assert found.held


def test_the_readings_end_sixty_days_ahead_and_a_later_date_is_called_later(study: dict) -> None:
    one = study["life"](np.random.default_rng(5), study["Lives"]())
    assert one.due - one.house.filter.installed >= study["timedelta"](days=study["LEAST_DAYS"])
    assert (one.due - study["timedelta"](days=study["AHEAD_DAYS"]) - one.begun).days * 96 == one.time_h.size
    sooner = replace(one, due=one.due - study["timedelta"](days=30))
    assert study["missed_by"](sooner).late == study["missed_by"](one).late + 30.0
