"""The outdoor level behind held and noisy readings, against what made them and a general solver of sparse systems."""

import numpy as np
import pytest
import scipy

from motemodel.estimate.outdoors import outdoor_course

STEP_H = 1.0 / 60.0
WALK, NOISE = 0.3, 1.5


def wandering_air(seed: int, count: int = 12_000) -> np.ndarray:
    air = 20.0 + np.cumsum(np.random.default_rng(seed).normal(0.0, WALK, count))
    return np.asarray(air - air.min() + 5.0)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_noise_is_taken_out_as_well_as_by_one_who_knows_how_large_it_is(seed: int) -> None:
    air = wandering_air(seed)
    reading = air + np.random.default_rng(seed + 50).normal(0.0, NOISE, air.size)
    # The expected course of a random walk: (1 + (noise / walk)^2 D'D) x = reading, solved whole by scipy.
    ratio = (NOISE / WALK) ** 2
    band = np.full((2, air.size), 1.0 + 2.0 * ratio)
    band[1] = -ratio
    band[0, [0, -1]] = 1.0 + ratio
    exact = scipy.linalg.solveh_banded(band, reading, lower=True)
    course = outdoor_course(reading, STEP_H)
    assert rms(course - air) < 1.1 * rms(exact - air)
    assert rms(course - air) < 0.5 * rms(reading - air)


def test_a_quiet_sensor_is_left_as_it_is() -> None:
    air = wandering_air(4)
    assert rms(outdoor_course(air, STEP_H) - air) < 0.25 * WALK


def test_hourly_means_of_smooth_air_are_kept() -> None:
    air = 30.0 + 12.0 * np.sin(np.arange(14 * 24 * 60) / 900.0)
    hourly = air.reshape(-1, 60).mean(axis=1)
    course = outdoor_course(np.repeat(hourly, 60), STEP_H)
    np.testing.assert_allclose(course.reshape(-1, 60).mean(axis=1), hourly, rtol=1e-6)
    assert rms(course - air) < 0.1 * rms(np.repeat(hourly, 60) - air)


def test_what_is_unknown_is_nought_and_draws_nothing_down() -> None:
    air = wandering_air(5) + 100.0
    reading = air + np.random.default_rng(6).normal(0.0, NOISE, air.size)
    reading[3000:3500] = np.nan
    course = outdoor_course(reading, STEP_H)
    assert (course[3000:3500] == 0.0).all()
    assert np.abs(course - air)[np.isfinite(reading)].max() < 4.0 * NOISE


@pytest.mark.parametrize("count", [0, 1, 2, 300])
def test_short_and_unknown_records_pass(count: int) -> None:
    assert outdoor_course(np.full(count, np.nan), STEP_H).size == count
    assert np.isfinite(outdoor_course(np.ones(count), STEP_H)).all()
