"""Slip, settling and diffusion, against Hinds' tables and an aerosol library of general purpose."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.constants import g

from motemodel.particles import (
    ROOM_AIR,
    Air,
    diffusion_coefficient,
    relaxation_time,
    settling_velocity,
    slip_correction,
)

RECORDS = json.loads((Path(__file__).parents[2] / "reference" / "particles.json").read_text(encoding="utf-8"))


def records(prefix: str) -> list[Any]:
    found = [record for record in RECORDS if record["id"].startswith(prefix)]
    assert found
    return [pytest.param(record, id=record["id"]) for record in found]


def air_of(inputs: dict[str, float]) -> Air:
    return Air(inputs["temperature_K"] - 273.15, inputs["pressure_hPa"] * 100.0)


@pytest.mark.parametrize("record", records("cc_"))
def test_slip_correction_by_hinds(record: dict[str, Any]) -> None:
    assert float(slip_correction(record["inputs"]["d_um"])) == pytest.approx(record["expected"], rel=1e-4)


@pytest.mark.parametrize("record", records("lib_slip"))
def test_slip_correction_by_an_aerosol_library(record: dict[str, Any]) -> None:
    slip = slip_correction(record["inputs"]["d_um"], air_of(record["inputs"]))
    assert float(slip) == pytest.approx(record["expected"], rel=record["tolerance"])


@pytest.mark.parametrize("record", records("D_"))
def test_diffusion_coefficient_by_hinds(record: dict[str, Any]) -> None:
    assert float(diffusion_coefficient(record["inputs"]["d_um"])) == pytest.approx(record["expected"], rel=1e-4)


@pytest.mark.parametrize("record", records("lib_diffusion"))
def test_diffusion_coefficient_by_an_aerosol_library(record: dict[str, Any]) -> None:
    coefficient = diffusion_coefficient(record["inputs"]["d_um"], air_of(record["inputs"]))
    assert float(coefficient) == pytest.approx(record["expected"], rel=record["tolerance"])


@pytest.mark.parametrize("record", records("hinds_settling"))
def test_settling_velocity_by_hinds(record: dict[str, Any]) -> None:
    velocity = settling_velocity(record["inputs"]["d_um"])
    assert float(velocity) == pytest.approx(record["expected"], rel=record["tolerance"])


def test_settling_balances_weight_and_drag() -> None:
    # Schiller & Naumann (1935): Cd = 24/Re (1 + 0.15 Re^0.687), written out as forces on one sphere.
    diameter = np.array([20.0, 100.0, 400.0])
    velocity = settling_velocity(diameter)
    metres = diameter * 1e-6
    reynolds = velocity * metres / ROOM_AIR.kinematic_viscosity_m2_s
    drag_coefficient = 24.0 / reynolds * (1.0 + 0.15 * reynolds**0.687)
    drag = drag_coefficient / slip_correction(diameter) * np.pi / 8.0 * metres**2 * ROOM_AIR.density_kg_m3 * velocity**2
    weight = np.pi / 6.0 * metres**3 * 1000.0 * g
    assert drag == pytest.approx(weight, rel=2e-3)


@given(st.floats(0.001, 500.0), st.floats(1.0001, 2.0))
@settings(max_examples=80)
def test_larger_particles_settle_faster_and_diffuse_slower(diameter: float, ratio: float) -> None:
    assert settling_velocity(diameter * ratio) > settling_velocity(diameter)
    assert diffusion_coefficient(diameter * ratio) < diffusion_coefficient(diameter)
    assert 1.0 <= slip_correction(diameter * ratio) <= slip_correction(diameter)


@given(st.floats(0.001, 700.0), st.floats(300.0, 3000.0))
@settings(max_examples=80)
def test_drag_never_makes_a_particle_faster_than_stokes_law(diameter: float, density: float) -> None:
    stokes = relaxation_time(diameter, density_kg_m3=density) * g
    assert 0.0 < settling_velocity(diameter, density_kg_m3=density) <= stokes * (1.0 + 1e-12)


@pytest.mark.parametrize("diameter", [0.0, -1.0, float("nan"), float("inf"), [1.0, 0.0], "big"])
def test_impossible_diameters_are_refused_by_name(diameter: Any) -> None:
    for law in (slip_correction, settling_velocity, diffusion_coefficient):
        with pytest.raises(ValueError, match=r"^diameter_um: .*give"):
            law(diameter)


def test_gravel_is_refused_as_beyond_the_drag_law() -> None:
    with pytest.raises(ValueError, match=r"^diameter_um: .*Reynolds"):
        settling_velocity(5000.0)


def test_an_empty_array_of_sizes_gives_an_empty_answer() -> None:
    assert settling_velocity(np.array([])).shape == (0,)
