"""How particles of each size enter, settle and are caught in the simulated house, against published figures."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import lognorm

from moteledger.demo import aerosol
from moteledger.demo.room import (
    CRACK_DEPTH_M,
    CRACK_DROP_PA,
    CRACK_HEIGHT_MM,
    TURBULENCE_PER_S,
    WALL_AREA_PER_VOLUME_PER_M,
)

REFERENCE = {
    record["id"]: record
    for record in json.loads((Path(__file__).parents[2] / "reference" / "demo.json").read_text(encoding="utf-8"))
}
SURFACES = (WALL_AREA_PER_VOLUME_PER_M, TURBULENCE_PER_S)
GAPS = [key for key in REFERENCE if key.startswith("gap_")]


def at(*diameters_um: float) -> aerosol.Array:
    return np.array(diameters_um)


@pytest.mark.parametrize("diameter_um", [0.1, 0.3, 1.0])
def test_slip_and_diffusion_are_those_of_the_aerosol_handbook(diameter_um: float) -> None:
    slip, diffusion = REFERENCE[f"cc_{diameter_um}"], REFERENCE[f"D_{diameter_um}"]
    assert aerosol.slip_correction(at(diameter_um)) == pytest.approx(slip["expected"], rel=0.02)
    assert aerosol.diffusivity_m2_s(at(diameter_um)) == pytest.approx(diffusion["expected"], rel=0.02)


# Hinds, Aerosol Technology, 2nd ed. (1999), table A11 (unit density, 20 degC, 101 kPa), from memory.
@pytest.mark.parametrize(("diameter_um", "velocity"), [(0.1, 8.8e-7), (1.0, 3.5e-5), (10.0, 3.06e-3)])
def test_particles_settle_as_fast_as_the_handbook_says(diameter_um: float, velocity: float) -> None:
    assert aerosol.settling_velocity_m_s(at(diameter_um)) == pytest.approx(velocity, rel=0.02)


def test_deposition_is_of_the_size_measured_in_a_lived_in_house() -> None:
    small, big = REFERENCE["hr_dep_small"]["expected"], REFERENCE["hr_dep_big"]["expected"]
    rate = aerosol.deposition_per_h(at(0.4, 10.0), 2.44, *SURFACES)
    assert small / 3.0 < rate[0] < 2.0 * small
    assert big / 2.0 < rate[1] < 2.0 * big


def test_deposition_is_least_for_particles_between_a_tenth_and_one_micrometre() -> None:
    # Nazaroff (2004), Indoor Air 14 (suppl. 7): 175: slowest for the accumulation mode, 0.1 to 1 um; from memory.
    diameter = np.geomspace(0.01, 10.0, 400)
    assert 0.1 <= diameter[aerosol.deposition_per_h(diameter, 2.44, *SURFACES).argmin()] <= 1.0


def test_a_quarter_millimetre_crack_lets_the_accumulation_mode_pass_and_holds_back_coarse_and_ultrafine() -> None:
    # Liu and Nazaroff (2001), Atmos. Environ. 35: 4451, abstract: nearly complete penetration of 0.1 to 1 um particles
    # through cracks of 0.25 mm and more at 4 Pa and more; from memory.
    passed = aerosol.crack_penetration(at(0.01, 0.1, 0.3, 1.0, 10.0), CRACK_HEIGHT_MM, CRACK_DEPTH_M, CRACK_DROP_PA)
    assert np.all(passed[1:4] > 0.85)
    assert passed[0] < 0.5
    assert passed[-1] == 0.0


@pytest.mark.parametrize("key", GAPS)
def test_air_passes_a_gap_beside_the_filter_as_in_the_crack_flow_equation(key: str) -> None:
    record: dict[str, Any] = REFERENCE[key]
    given_ = record["inputs"]
    flow = aerosol.gap_airflow_m3h(
        given_["dP_Pa"], given_["length_m"], given_["gap_mm"] * 1e-3, given_["depth_m"], given_["bends"]
    )
    assert flow / 3.6 == pytest.approx(record["expected"], rel=record["tolerance"])


def test_the_filter_meets_merv_13_and_not_merv_14() -> None:
    edges = np.array(REFERENCE["channels_52_2"]["expected"])
    channels = aerosol.filter_efficiency(np.sqrt(edges[1:] * edges[:-1])).reshape(3, 4).mean(axis=1)
    assert np.all(100.0 * channels >= REFERENCE["merv13_min"]["expected"])
    assert np.any(100.0 * channels < REFERENCE["merv14_min"]["expected"])


def test_the_filter_is_least_efficient_where_household_filters_were_found_to_be() -> None:
    low, high = REFERENCE["mpps_meas"]["expected"]
    diameter = np.geomspace(0.01, 10.0, 400)
    assert low <= diameter[aerosol.filter_efficiency(diameter).argmin()] <= high


@given(
    count=st.integers(4, 200),
    median=st.floats(0.05, 5.0),
    spread=st.floats(1.1, 4.0),
)
def test_the_mass_in_each_class_is_that_of_the_log_normal_distribution(
    count: int, median: float, spread: float
) -> None:
    classes = aerosol.SizeClasses.of(count)
    shares = classes.shares((7.0, median, spread))
    cumulative = lognorm(np.log(spread), scale=median).cdf(classes.edges_um)
    fine = lognorm(np.log(spread), scale=median).cdf(2.5) - cumulative[0]
    if fine > 1e-6:
        assert shares == pytest.approx(np.diff(cumulative) / fine, abs=1e-6)
        assert classes.fine @ shares == pytest.approx(1.0)
    assert classes.edges_um[[0, -1]] == pytest.approx([0.01, 10.0])
    assert 2.5 in np.round(classes.edges_um, 9)


def test_too_few_size_classes_are_refused() -> None:
    with pytest.raises(ValueError, match=r"3 size classes.*at least 4"):
        aerosol.SizeClasses.of(3)
