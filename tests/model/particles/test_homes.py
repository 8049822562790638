"""What lived-in homes do to PM2.5. Measured figures are from memory of the papers named."""

import numpy as np
import pytest

from motemodel.particles import (
    ISO_URBAN,
    OUTDOOR_RURAL,
    OUTDOOR_URBAN,
    USUAL_PM25_DEPOSITION_PER_H,
    USUAL_PM25_PENETRATION,
    WILDFIRE_SMOKE,
    MassDistribution,
    deposition_rate,
    lived_in_deposition_rate,
    lived_in_penetration_factor,
    mass_weighted_mean,
    penetration_factor,
)

SIZES_UM = np.geomspace(0.01, 10.0, 60)


def test_urban_pm25_settles_as_ozkaynak_et_al_1996_and_williams_et_al_2003_found() -> None:
    assert mass_weighted_mean(lived_in_deposition_rate, OUTDOOR_URBAN, 0.01, 2.5) == pytest.approx(0.39, abs=1e-6)


def test_urban_pm25_passes_the_shell_between_williams_et_al_2003_and_ozkaynak_et_al_1996() -> None:
    assert 0.72 < mass_weighted_mean(lived_in_penetration_factor, OUTDOOR_URBAN, 0.01, 2.5) < 1.0


@pytest.mark.parametrize("outdoor", [OUTDOOR_URBAN, OUTDOOR_RURAL, ISO_URBAN, WILDFIRE_SMOKE])
def test_the_infiltration_factor_of_closed_homes_lies_where_chen_and_zhao_2011_found_it(
    outdoor: MassDistribution,
) -> None:
    """Review in Atmos. Environ. 45, 275-288: 0.3 to 0.82 for PM2.5 over homes of 0.2 to 1.3 air changes an hour."""
    penetration = mass_weighted_mean(lived_in_penetration_factor, outdoor, 0.01, 2.5)
    deposition = mass_weighted_mean(lived_in_deposition_rate, outdoor, 0.01, 2.5)
    for air_change in (0.3, 0.5, 1.0):
        assert 0.3 <= penetration * air_change / (air_change + deposition) <= 0.82


def test_a_home_takes_no_less_than_smooth_surfaces_and_cracks_would() -> None:
    assert (lived_in_deposition_rate(SIZES_UM) > deposition_rate(SIZES_UM)).all()
    assert (lived_in_penetration_factor(SIZES_UM) <= penetration_factor(SIZES_UM)).all()
    assert (lived_in_penetration_factor(SIZES_UM) >= 0.0).all()


@pytest.mark.parametrize("usual", [USUAL_PM25_DEPOSITION_PER_H, USUAL_PM25_PENETRATION])
def test_a_usual_value_lies_within_its_range(usual: tuple[float, float, float]) -> None:
    value, low, high = usual
    assert 0.0 < low < value < high
