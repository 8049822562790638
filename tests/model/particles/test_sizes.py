"""Size grid and mass distributions, against ISO 16890, Whitby's modes and measured filter dust."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from motemodel.particles import (
    DEFAULT_GRID,
    HOUSE_DUST,
    INDOOR_COOKING,
    ISO_RURAL,
    ISO_URBAN,
    OUTDOOR_RURAL,
    OUTDOOR_URBAN,
    WILDFIRE_SMOKE,
    LogNormalMode,
    MassDistribution,
    SizeGrid,
    bin_means,
    mass_weighted_mean,
)

RECORDS = json.loads((Path(__file__).parents[2] / "reference" / "particles.json").read_text(encoding="utf-8"))
BY_NAME = {"urban": ISO_URBAN, "rural": ISO_RURAL}
NAMED = [ISO_URBAN, ISO_RURAL, OUTDOOR_URBAN, OUTDOOR_RURAL, WILDFIRE_SMOKE, INDOOR_COOKING, HOUSE_DUST]

modes = st.builds(
    LogNormalMode,
    mass_fraction=st.just(1.0),
    median_um=st.floats(0.01, 100.0),
    geometric_sd=st.floats(1.05, 6.0),
)


def records(prefix: str) -> list[Any]:
    found = [record for record in RECORDS if record["id"].startswith(prefix)]
    assert found
    return [pytest.param(record, id=record["id"]) for record in found]


@pytest.mark.parametrize("name", ["urban", "rural"])
def test_iso_16890_parameters_are_those_of_the_standard(name: str) -> None:
    record = next(record for record in RECORDS if record["id"] == f"iso_{name}_par")
    flat = [value for mode in BY_NAME[name].modes for value in (mode.mass_fraction, mode.median_um, mode.geometric_sd)]
    assert flat == record["expected"]


@pytest.mark.parametrize("record", records("iso_q3"))
def test_iso_16890_density_at_a_size(record: dict[str, Any]) -> None:
    inputs = record["inputs"]
    density = BY_NAME[inputs["distribution"]].density(inputs["d_um"])
    assert float(density) == pytest.approx(record["expected"], abs=record["tolerance"])


@pytest.mark.parametrize("record", records("iso_Q"))
def test_iso_16890_share_between_two_sizes(record: dict[str, Any]) -> None:
    inputs = record["inputs"]
    share = BY_NAME[inputs["distribution"]].fraction_between(*inputs["d_um"])
    assert share == pytest.approx(record["expected"], abs=record["tolerance"])


@pytest.mark.parametrize(("name", "distribution"), [("urban", OUTDOOR_URBAN), ("rural", OUTDOOR_RURAL)])
def test_outdoor_mass_modes_follow_from_whitbys_number_modes(name: str, distribution: MassDistribution) -> None:
    # Hatch & Choate (1929): volume median = number median exp(3 ln^2 sg); volume = N pi/6 d^3 exp(4.5 ln^2 sg).
    record = next(record for record in RECORDS if record["id"] == f"whitby_{name}_number")
    number, median, spread = np.array(record["expected"]).T
    log_variance = np.log(spread) ** 2
    volume = number * np.pi / 6.0 * median**3 * np.exp(4.5 * log_variance)
    ours = [(mode.mass_fraction, mode.median_um, mode.geometric_sd) for mode in distribution.modes]
    fractions, medians, spreads = np.array(ours).T
    assert fractions == pytest.approx(volume / volume.sum(), abs=record["tolerance"])
    assert medians == pytest.approx(median * np.exp(3.0 * log_variance), rel=record["tolerance"])
    assert spreads == pytest.approx(spread)


def test_nine_tenths_of_filter_dust_is_coarser_than_ten_micrometres() -> None:
    record = next(record for record in RECORDS if record["id"] == "vmd")
    (mode,) = HOUSE_DUST.modes
    assert record["expected"][0] < mode.median_um < record["expected"][1]
    assert 1.0 - float(HOUSE_DUST.cumulative(10.0)) == pytest.approx(0.9, abs=0.01)


@pytest.mark.parametrize("distribution", NAMED)
def test_a_named_distribution_holds_all_the_mass_once(distribution: MassDistribution) -> None:
    total, _ = quad(lambda log_d: float(distribution.density(np.exp(log_d))), np.log(1e-5), np.log(1e6), limit=200)
    assert total == pytest.approx(1.0, abs=1e-8)


def test_the_default_grid_has_five_bins_and_splits_pm25_from_pm10() -> None:
    assert DEFAULT_GRID.count == 5
    assert 0.3 in DEFAULT_GRID.edges_um
    assert 2.5 in DEFAULT_GRID.edges_um
    assert DEFAULT_GRID.midpoints_um == pytest.approx([0.0316, 0.1732, 0.5477, 1.5811, 5.0], rel=1e-3)


@given(modes, st.lists(st.floats(0.01, 100.0), min_size=2, max_size=8, unique=True))
@settings(max_examples=60)
def test_bin_fractions_add_to_one_over_any_grid_that_holds_mass(mode: LogNormalMode, edges: list[float]) -> None:
    distribution = MassDistribution((mode,))
    grid = SizeGrid(tuple(sorted(edges)))
    if distribution.fraction_between(grid.edges_um[0], grid.edges_um[-1]) > 0.0:
        fractions = distribution.bin_fractions(grid)
        assert fractions.sum() == pytest.approx(1.0)
        assert (fractions >= 0.0).all()


@given(modes, st.floats(0.005, 50.0), st.floats(1.01, 1000.0), st.floats(0.0, 1.0))
@settings(max_examples=60)
def test_the_mean_of_a_constant_is_the_constant_even_far_in_a_tail(
    mode: LogNormalMode, low: float, ratio: float, constant: float
) -> None:
    mean = mass_weighted_mean(lambda d: np.full(d.shape, constant), MassDistribution((mode,)), low, low * ratio)
    assert mean == pytest.approx(constant, abs=1e-12)


def test_a_weighted_mean_agrees_with_a_general_integrator() -> None:
    def curve(d: np.ndarray) -> np.ndarray:
        return np.asarray(d / (1.0 + d))

    def weighted(log_d: float) -> float:
        return float(curve(np.exp(log_d)) * OUTDOOR_URBAN.density(np.exp(log_d)))

    integral, _ = quad(weighted, np.log(0.01), np.log(2.5), epsabs=1e-13)
    expected = integral / OUTDOOR_URBAN.fraction_between(0.01, 2.5)
    assert mass_weighted_mean(curve, OUTDOOR_URBAN, 0.01, 2.5) == pytest.approx(expected, rel=1e-7)


def test_bin_means_weighted_by_bin_mass_make_the_mean_over_the_grid() -> None:
    def curve(d: np.ndarray) -> np.ndarray:
        return np.asarray(np.exp(-d))

    means = bin_means(curve, WILDFIRE_SMOKE, DEFAULT_GRID)
    whole = mass_weighted_mean(curve, WILDFIRE_SMOKE, 0.01, 10.0)
    assert means @ WILDFIRE_SMOKE.bin_fractions(DEFAULT_GRID) == pytest.approx(whole, rel=1e-6)


@pytest.mark.parametrize(
    "edges", [(), (1.0,), (1.0, 1.0), (2.0, 1.0), (0.0, 1.0), (-1.0, 1.0), (1.0, float("nan")), (1.0, float("inf"))]
)
def test_edges_that_do_not_rise_from_above_zero_are_refused(edges: tuple[float, ...]) -> None:
    with pytest.raises(ValueError, match=r"^edges_um: .*give"):
        SizeGrid(edges)


@pytest.mark.parametrize(
    ("arguments", "place"),
    [((1.2, 1.0, 2.0), "mass_fraction"), ((1.0, 0.0, 2.0), "median_um"), ((1.0, 1.0, 1.0), "geometric_sd")],
)
def test_an_impossible_mode_is_refused_by_name(arguments: tuple[float, float, float], place: str) -> None:
    with pytest.raises(ValueError, match=rf"^{place}: .*(give|write)"):
        LogNormalMode(*arguments)


def test_modes_that_do_not_add_up_are_refused() -> None:
    with pytest.raises(ValueError, match=r"^modes: .*0.5; make them add to 1"):
        MassDistribution((LogNormalMode(0.5, 1.0, 2.0),))
    with pytest.raises(ValueError, match=r"^modes: "):
        MassDistribution(())


def test_a_range_upside_down_or_without_mass_is_refused() -> None:
    with pytest.raises(ValueError, match=r"^low_um: "):
        mass_weighted_mean(lambda d: d, ISO_URBAN, 2.5, 0.3)
    narrow = MassDistribution((LogNormalMode(1.0, 0.01, 1.05),))
    with pytest.raises(ValueError, match=r"^grid: no mass"):
        narrow.bin_fractions(SizeGrid((10.0, 100.0)))
