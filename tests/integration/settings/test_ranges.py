"""What the settings let through, the model can take: no house file fails later and without its key named."""

from math import log10
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from moteledger.engine.survey import assembly, leakage_of
from moteledger.settings import House
from motemodel.filters import drop_pa


def written(unit: str, low: float, high: float) -> st.SearchStrategy[str]:
    """A quantity from somewhat below to somewhat above what the settings take."""
    return st.floats(log10(low), log10(high)).map(lambda exponent: f"{10.0**exponent:.4g} {unit}")


READING = st.fixed_dictionaries({"pressure": written("Pa", 0.5, 200.0), "airflow": written("m3/h", 0.5, 1e5)})
LEAKAGE = st.one_of(
    st.floats(0.005, 60.0).map(lambda changes: {"air_changes_50": changes}),
    written("m3/h", 0.5, 1e5).map(lambda airflow: {"airflow_50": airflow}),
    st.floats(0.005, 2e5).map(lambda coefficient: {"flow_coefficient": coefficient}),
    written("cm2", 0.5, 2e5).map(lambda area: {"effective_leakage_area": area}),
    st.lists(READING, max_size=3).map(lambda readings: {"readings": readings}),
    st.sampled_from(["tight", "very leaky"]).map(lambda tightness: {"tightness": tightness}),
    st.sampled_from("AJ").map(lambda letter: {"leakage_class": letter}),
)
BUILDING = st.fixed_dictionaries(
    {"floor_area": written("m2", 8.0, 2500.0)}, optional={"ceiling_height": written("m", 1.2, 12.0)}
)
GAP = st.fixed_dictionaries(
    {"length": written("m", 0.01, 200.0), "width": written("mm", 0.005, 1000.0)},
    optional={"depth": written("mm", 0.5, 4000.0)},
)
RATED_DROP = st.fixed_dictionaries({"airflow": written("m3/h", 0.5, 1e5), "drop": written("Pa", 0.5, 3000.0)})
FILTER = st.fixed_dictionaries(
    {
        "merv": st.integers(1, 16),
        "face_area": written("m2", 5e-4, 200.0),
        "rated_drop": st.lists(RATED_DROP, min_size=1, max_size=2),
    },
    optional={
        "media_area": written("m2", 5e-4, 2000.0),
        "final_drop": written("Pa", 0.5, 3000.0),
        "dust_capacity": written("g", 5e-4, 2e5),
        "charged": st.booleans(),
        "gaps": st.lists(GAP, max_size=2),
    },
)


def house_of(document: dict[str, Any]) -> House | None:
    """The house, or None where the settings refuse the document."""
    try:
        return House.model_validate({"name": "a house"} | document)
    except ValidationError:
        return None


@given(BUILDING, LEAKAGE, st.integers(1, 3))
def test_every_shell_that_the_settings_take_has_a_leakage(
    building: dict[str, Any], leakage: dict[str, Any], storeys: int
) -> None:
    house = house_of({"house": building | {"leakage": leakage}, "site": {"storeys": storeys}})
    if house is not None:
        assert leakage_of(house)[0].airflow_m3h(50.0) > 0.0


@given(FILTER, st.floats(1.0, 50_000.0))
def test_every_filter_that_the_settings_take_has_a_drop(filter_: dict[str, Any], airflow_m3h: float) -> None:
    house = house_of({"house": {"floor_area": "180 m2"}, "filter": filter_})
    if house is not None and house.filter is not None:
        fitted = assembly(house.filter)
        assert fitted is not None
        assert drop_pa(fitted, airflow_m3h) > 0.0


@pytest.mark.parametrize(
    ("key", "changed"),
    [
        ("house.ceiling_height", {"house": {"floor_area": "180 m2", "ceiling_height": "15 m"}}),
        ("house.floor_area", {"house": {"floor_area": "0.5 m2"}}),
        ("house.leakage.flow_coefficient", {"house": {"floor_area": "180 m2", "leakage": {"flow_coefficient": 1e9}}}),
    ],
)
def test_what_the_model_could_not_take_is_refused_by_its_key(key: str, changed: dict[str, Any]) -> None:
    with pytest.raises(ValidationError) as refused:
        House.model_validate({"name": "a house"} | changed)
    assert [".".join(map(str, error["loc"])) for error in refused.value.errors()] == [key]


@pytest.mark.parametrize(
    "readings",
    [
        [],
        [{"pressure": "25 Pa", "airflow": "900 m3/h"}],
        [{"pressure": "25 Pa", "airflow": "2000 m3/h"}, {"pressure": "50 Pa", "airflow": "900 m3/h"}],
    ],
)
def test_blower_door_readings_that_make_no_power_law_are_refused(readings: list[dict[str, str]]) -> None:
    with pytest.raises(ValidationError, match="blower-door readings"):
        House.model_validate({"name": "a house", "house": {"floor_area": "180 m2", "leakage": {"readings": readings}}})


def test_a_rated_drop_at_an_impossible_face_velocity_is_refused() -> None:
    filter_ = {"merv": 13, "face_area": "40 m2", "rated_drop": [{"airflow": "2000 m3/h", "drop": "50 Pa"}]}
    with pytest.raises(ValidationError, match=r"2000 m3/h through a face of 40 m2 is 0\.014 m/s"):
        House.model_validate({"name": "a house", "house": {"floor_area": "180 m2"}, "filter": filter_})


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"sensors": [{"signal": "indoor.temperature", "humidity_growth": 0.4}]}, "belongs to particle sensors only"),
        ({"sensors": [{"signal": "fan.running", "gain": 2.0}]}, "belong to levels only"),
        (
            {"filter": {"merv": 13, "conditioned_efficiency": {"e1": 0.3, "e2": 0.6, "e3": 0.8}}},
            "add charged = true or leave it out",
        ),
    ],
)
def test_what_would_be_left_unused_is_refused(table: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        House.model_validate({"name": "a house", "house": {"floor_area": "180 m2"}} | table)


@pytest.mark.parametrize("written", ["60 %", " 60%", 0.6])
def test_the_least_efficiency_is_written_as_a_share_or_in_per_cent(written: object) -> None:
    filter_ = {"merv": 13, "least_efficiency": written}
    house = House.model_validate({"name": "a house", "house": {"floor_area": "180 m2"}, "filter": filter_})
    assert house.filter is not None
    assert house.filter.least_efficiency == pytest.approx(0.6)


@pytest.mark.parametrize("written", [60, "60", "sixty %", "nan %", "inf %", "-5 %", 0, "100 %", "%", "60 Pa", [0.6]])
def test_a_least_efficiency_that_is_no_share_is_refused_by_its_key(written: object) -> None:
    filter_ = {"merv": 13, "least_efficiency": written}
    whole = {"name": "a house", "house": {"floor_area": "180 m2"}, "filter": filter_}
    with pytest.raises(ValidationError, match=r"filter\.least_efficiency"):
        House.model_validate(whole)
