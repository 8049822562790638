"""The gas, against handbook figures."""

import json
from pathlib import Path

import pytest

from motemodel.particles import Air

RECORDS = {
    record["id"]: record
    for record in json.loads((Path(__file__).parents[2] / "reference" / "particles.json").read_text(encoding="utf-8"))
}


def test_room_air_has_the_handbook_density_viscosity_and_mean_free_path() -> None:
    record = RECORDS["air_20C"]
    air = Air()
    measured = [air.density_kg_m3, air.viscosity_pa_s, air.mean_free_path_um]
    assert measured == pytest.approx(record["expected"], rel=record["tolerance"])


def test_viscosity_follows_the_standard_atmosphere_with_temperature() -> None:
    record = RECORDS["air_viscosity_0_50C"]
    viscosities = [Air(temperature).viscosity_pa_s for temperature in record["inputs"]["temperature_C"]]
    assert viscosities == pytest.approx(record["expected"], rel=record["tolerance"])


def test_pressure_falls_with_altitude_as_tabulated() -> None:
    record = RECORDS["air_1500m"]
    air = Air.at_altitude(record["inputs"]["altitude_m"])
    assert air.pressure_pa / 1000.0 == pytest.approx(record["expected"], rel=record["tolerance"])
    assert air.mean_free_path_um > Air().mean_free_path_um


@pytest.mark.parametrize(
    ("arguments", "place"),
    [
        ({"temperature_c": float("nan")}, "temperature_c"),
        ({"temperature_c": 300.0}, "temperature_c"),
        ({"pressure_pa": 1013.0}, "pressure_pa"),
        ({"pressure_pa": -1.0}, "pressure_pa"),
    ],
)
def test_impossible_air_is_refused_by_name(arguments: dict[str, float], place: str) -> None:
    with pytest.raises(ValueError, match=rf"^{place}: .*give"):
        Air(**arguments)


def test_impossible_altitude_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"^altitude_m: "):
        Air.at_altitude(9000.0)
