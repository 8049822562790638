"""The plan of a decay test against numpy's regression, decays integrated by scipy, and what it promises.

The standard error of a weighted straight line is that of Bevington & Robinson (2003), section 6.4, from memory; numpy's
polyfit works it out with code of its own.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import curve_fit
from scipy.stats import t as student

from motemodel.estimate import Estimate, HouseRecord, decay_test
from motemodel.plan import (
    ProofConditions,
    SensorNoise,
    loss_half_width,
    peak_from_release,
    plan_proof,
    start_needed,
)

KNOWN_ENTRY = Estimate(0.4, 0.4, 0.4)
HOUSE = ProofConditions(400.0, 0.6, 900.0, start_ug_m3=90.0, outdoor_ug_m3=8.0, entry_per_h=KNOWN_ENTRY)
SENSOR = SensorNoise(correlation=0.0)
MIXING_H = 5.0 / 60.0


def fitted_times(stretch_h: float) -> np.ndarray:
    """Minutes of a stretch once the rooms have evened out, the middle of each."""
    return (np.arange(round((stretch_h - MIXING_H) * 60.0)) + 0.5) / 60.0


def level(since_h: np.ndarray, start: float, loss: float, outdoor: float = HOUSE.outdoor_ug_m3) -> np.ndarray:
    """The indoor level so long after mixing, by scipy's integrator."""

    def rate(_: float, c: np.ndarray) -> np.ndarray:
        return KNOWN_ENTRY.value * outdoor - loss * c

    exact = solve_ivp(rate, (0.0, since_h[-1] + MIXING_H), [start], t_eval=since_h + MIXING_H, rtol=1e-9, atol=1e-9)
    return np.asarray(exact.y[0])


@pytest.mark.parametrize(("start", "loss", "stretch"), [(90.0, 0.6, 1.0), (60.0, 2.8, 0.5), (300.0, 0.3, 3.0)])
def test_the_width_is_that_of_a_weighted_straight_line_through_the_logarithms(
    start: float, loss: float, stretch: float
) -> None:
    since = fitted_times(stretch)
    reading = level(since, start, loss, outdoor=0.0)
    error = np.hypot(SENSOR.floor_ug_m3, SENSOR.share * reading) / reading
    _, covariance = np.polyfit(since, np.log(reading), 1, w=1.0 / error, cov="unscaled")
    expected = student.ppf(0.95, since.size - 2) * covariance[0, 0] ** 0.5
    told = loss_half_width(start, loss, np.array([stretch]), replace(HOUSE, outdoor_ug_m3=0.0), SENSOR)
    assert told[0] == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(("start", "loss", "stretch"), [(90.0, 0.6, 1.0), (60.0, 2.8, 0.5)])
def test_decays_fitted_one_by_one_scatter_as_foretold(start: float, loss: float, stretch: float) -> None:
    random, since = np.random.default_rng(5), fitted_times(stretch)
    exact, upheld = level(since, start, loss), KNOWN_ENTRY.value * HOUSE.outdoor_ug_m3
    error = np.hypot(SENSOR.floor_ug_m3, SENSOR.share * exact)

    def solution(since_h: np.ndarray, first: float, rate: float) -> np.ndarray:
        return np.asarray(upheld / rate + (first - upheld / rate) * np.exp(-rate * since_h))

    found = [
        curve_fit(solution, since, exact + error * random.normal(size=since.size), [start, loss], sigma=error)[0][1]
        for _ in range(400)
    ]
    # The spread of 400 draws is known to 3.5 % (chi-square); three times that, and the loss is not quite linear.
    told = loss_half_width(start, loss, np.array([stretch]), HOUSE, SENSOR)[0] / student.ppf(0.95, since.size - 2)
    assert told == pytest.approx(np.std(found), rel=0.12)


def test_an_entry_rate_in_doubt_shifts_the_loss_by_what_a_wrong_one_does_to_the_fit() -> None:
    """Smoky outdoors: fitted with the highest entry rate instead of the true one, exact readings give another loss."""
    smoky = replace(HOUSE, outdoor_ug_m3=40.0, entry_per_h=Estimate(0.4, 0.35, 0.45))
    since, loss = fitted_times(1.5), 0.6
    upheld = 0.4 * 40.0 / loss
    exact = upheld + (90.0 - upheld) * np.exp(-loss * (since + MIXING_H))

    def solution(since_h: np.ndarray, first: float, rate: float) -> np.ndarray:
        wrong = 0.45 * 40.0 / rate
        return np.asarray(wrong + (first - wrong) * np.exp(-rate * since_h))

    error = np.hypot(SENSOR.floor_ug_m3, SENSOR.share * exact)
    shifted = curve_fit(solution, since, exact, [80.0, loss], sigma=error)[0][1] - loss
    doubtful, certain = (
        loss_half_width(90.0, loss, np.array([1.5]), each, SENSOR)[0]
        for each in (smoky, replace(smoky, entry_per_h=KNOWN_ENTRY))
    )
    assert np.sqrt(doubtful**2 - certain**2) == pytest.approx(shifted, rel=0.15)
    assert doubtful > 1.5 * certain


STEP_H = 1.0 / 60.0


@cache
def air_that_follows(conditions: ProofConditions, fan_off_h: float, fan_on_h: float) -> tuple[np.ndarray, np.ndarray]:
    """Indoor minutes of a house that follows the plan with one peak, and its fan: still air, ten minutes of release."""
    release_h, quiet_h = 1.0 / 6.0, 0.5
    off_until = quiet_h + release_h + fan_off_h
    middle = (np.arange(round((off_until + fan_on_h) / STEP_H)) + 0.5) * STEP_H
    upheld = conditions.entry_per_h.value * conditions.outdoor_ug_m3 / conditions.loss_fan_off_per_h
    strength = (conditions.start_ug_m3 - upheld) / release_h * 1.05

    def rate(t: float, c: np.ndarray) -> np.ndarray:
        source = strength if quiet_h < t < quiet_h + release_h else 0.0
        loss = conditions.loss_fan_on_per_h if t > off_until else conditions.loss_fan_off_per_h
        return conditions.entry_per_h.value * conditions.outdoor_ug_m3 + source - loss * c

    exact = solve_ivp(rate, (0.0, middle[-1]), [upheld], t_eval=middle, rtol=1e-7, max_step=0.02).y[0]
    return exact, (middle > off_until).astype(np.float64)


def followed(conditions: ProofConditions, fan_off_h: float, fan_on_h: float, seed: int) -> HouseRecord:
    """What a sensor reads of that house."""
    exact, fan = air_that_follows(conditions, fan_off_h, fan_on_h)
    noise = np.hypot(SENSOR.floor_ug_m3, SENSOR.share * exact) * np.random.default_rng(seed).normal(size=exact.size)
    outdoor = np.full(exact.size, conditions.outdoor_ug_m3)
    return HouseRecord(STEP_H, conditions.volume_m3, outdoor, np.maximum(exact + noise, 0.0), fan)


def test_a_house_that_follows_the_plan_gets_the_width_that_is_promised() -> None:
    conditions = replace(HOUSE, start_ug_m3=150.0)
    plan = plan_proof(conditions, SENSOR, wanted=0.15)
    assert (plan.reaches, plan.repeats, plan.one_peak) == (True, 1, True)
    widths, inside = [], 0
    for seed in range(20):
        record = followed(conditions, plan.fan_off_h, plan.fan_on_h, seed)
        found = decay_test(record, entry_per_h=conditions.entry_per_h).clean_air_delivered_m3h
        assert isinstance(found, Estimate)
        widths.append(found.half_width / conditions.clean_air_m3h)
        inside += found.low <= conditions.clean_air_m3h <= found.high
    assert np.median(widths) == pytest.approx(plan.relative_half_width, rel=0.35)
    # Nine in ten; 15 or fewer of 20 would come by chance once in 23 times (binomial).
    assert inside >= 16


def test_a_higher_start_never_needs_a_longer_test() -> None:
    hours = [plan_proof(replace(HOUSE, start_ug_m3=start)).total_h for start in (40.0, 60.0, 90.0, 150.0, 300.0)]
    assert hours == sorted(hours, reverse=True)


def test_from_the_least_start_one_test_does_and_from_a_little_less_it_does_not() -> None:
    needed = start_needed(HOUSE)
    assert needed is not None
    assert plan_proof(replace(HOUSE, start_ug_m3=needed), most_repeats=1).reaches
    assert not plan_proof(replace(HOUSE, start_ug_m3=0.9 * needed), most_repeats=1).reaches


def test_a_weak_assembly_cannot_be_told_from_any_start_and_the_plan_says_so() -> None:
    weak = replace(HOUSE, clean_air_m3h=8.0)
    assert start_needed(weak) is None
    assert not plan_proof(weak).reaches


def test_air_that_is_hardly_above_outdoors_gives_no_decay_at_all() -> None:
    assert np.isinf(loss_half_width(10.0, 0.6, np.array([1.0]), HOUSE, SENSOR)).all()
    assert plan_proof(replace(HOUSE, start_ug_m3=10.0)).relative_half_width == np.inf


def test_repeats_narrow_the_interval_by_the_square_root_of_their_number() -> None:
    short = replace(HOUSE, start_ug_m3=30.0)
    one, *more = (plan_proof(short, wanted=0.02, most_repeats=most).relative_half_width for most in (1, 2, 3))
    assert [width / one for width in more] == pytest.approx([2.0**-0.5, 3.0**-0.5], rel=1e-3)


def test_a_release_raises_the_level_as_the_integrated_balance_says() -> None:
    def rate(_: float, c: np.ndarray) -> np.ndarray:
        return 0.4 * 8.0 + 30_000.0 / (1.0 / 3.0) / 400.0 - 0.6 * c

    exact = solve_ivp(rate, (0.0, 1.0 / 3.0), [0.4 * 8.0 / 0.6], rtol=1e-10).y[0, -1]
    assert peak_from_release(30.0, 1.0 / 3.0, HOUSE) == pytest.approx(exact, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    volume=st.floats(1.0, 1e6),
    loss=st.floats(0.01, 30.0),
    clean_air=st.floats(1e-6, 1e6),
    start=st.floats(1e-3, 1e5),
    outdoor=st.floats(0.0, 1e5),
    interval=st.floats(1.0 / 3600.0, 0.25),
    wanted=st.floats(0.01, 1.0),
)
def test_whatever_the_house_the_plan_is_a_plan(
    volume: float, loss: float, clean_air: float, start: float, outdoor: float, interval: float, wanted: float
) -> None:
    plan = plan_proof(
        ProofConditions(volume, loss, clean_air, start, outdoor), SensorNoise(interval_h=interval), wanted=wanted
    )
    assert 0.0 < plan.fan_off_h <= 4.0
    assert 0.0 < plan.fan_on_h <= 4.0
    assert not np.isnan(plan.relative_half_width)
    assert plan.reaches == (plan.relative_half_width <= wanted)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"volume_m3": np.nan}, "volume of nan m3"),
        ({"loss_fan_off_per_h": 0.0}, "loss with the fan off of 0 1/h"),
        ({"clean_air_m3h": 0.0}, "clean air of 0 m3/h"),
        ({"start_ug_m3": -1.0}, "start level of -1 ug/m3"),
        ({"outdoor_ug_m3": np.inf}, "outdoor level of inf ug/m3"),
    ],
)
def test_what_cannot_be_is_refused_by_name(change: dict[str, float], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        replace(HOUSE, **change)
    with pytest.raises(ValueError, match="wanted half width of 2"):
        plan_proof(HOUSE, wanted=2.0)
