"""Identification of houses that are known exactly, made by scipy's general integrator, and what must be refused."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from motemodel.estimate import Estimate, GainPrior, HouseRecord, Unknown, identify

STEP_H = 2.0 / 60.0
VOLUME_M3 = 350.0
ENTRY, LOSS, DELIVERED = 0.32, 0.6, 700.0


def lived_in(days: int = 8, seed: int = 1, noise: float = 0.5, delivered: float = DELIVERED) -> HouseRecord:
    """A house by solve_ivp: outdoor air in smooth waves, a cycling fan, one cooking a day at 18:00 for half an hour."""
    rng = np.random.default_rng(seed)
    count = round(days * 24 / STEP_H)
    edges = np.arange(count + 1) * STEP_H
    middles = edges[:-1] + 0.5 * STEP_H
    outdoor = 25.0 + 14.0 * np.sin(middles / 5.0) + 6.0 * np.sin(middles / 1.7 + 1.0)
    fan = ((middles % 3.0) < 1.0).astype(float)
    cooking = ((middles % 24.0 > 18.0) & (middles % 24.0 < 18.5)) * 120.0

    def rate(t: float, c: np.ndarray) -> np.ndarray:
        k = min(int(t / STEP_H), count - 1)
        return ENTRY * outdoor[k] + cooking[k] - (LOSS + fan[k] * delivered / VOLUME_M3) * c

    pieces, here = [], np.array([10.0])
    for day in range(days):
        times = middles[(middles >= day * 24.0) & (middles < (day + 1) * 24.0)]
        solution = solve_ivp(rate, (day * 24.0, (day + 1) * 24.0), here, t_eval=times, rtol=1e-6, max_step=STEP_H)
        pieces.append(solution.y[0])
        here = solution.y[:, -1]
    indoor = np.concatenate(pieces) + rng.normal(0.0, noise, count)
    return HouseRecord(STEP_H, VOLUME_M3, outdoor, np.round(indoor, 1), fan)


@pytest.fixture(scope="module")
def record() -> HouseRecord:
    return lived_in()


def holds(answer: object, truth: float) -> bool:
    return isinstance(answer, Estimate) and answer.low <= truth <= answer.high


def test_a_steady_house_is_found_from_eight_days(record: HouseRecord) -> None:
    found = identify(record, fan_airflow_m3h=Estimate(1400.0, 1330.0, 1470.0))
    assert holds(found.outdoor_entry_per_h, ENTRY)
    assert holds(found.loss_fan_off_per_h, LOSS)
    assert holds(found.clean_air_delivered_m3h, DELIVERED)
    assert holds(found.installed_efficiency, 0.5)
    assert isinstance(found.clean_air_delivered_m3h, Estimate)
    assert found.clean_air_delivered_m3h.value == pytest.approx(DELIVERED, rel=0.05)


@pytest.mark.parametrize(("level", "least", "most"), [(0.4, 0.4, 0.5), (0.2, 0.6, 0.8)])
def test_a_filter_that_cleans_down_to_the_sensors_floor_is_weighed_or_not_told(
    level: float, least: float, most: float
) -> None:
    # A sensor of whole micrograms that cannot read below nought, and air that the fan leaves with hardly one: the
    # noughts are what tells the filter's strength, until there is little else.
    delivered = 3000.0
    clear = lived_in(noise=1.0, delivered=delivered)
    coarse = replace(clear, indoor=np.maximum(np.round(level * clear.indoor), 0.0), outdoor=level * clear.outdoor)
    noughts = np.mean(coarse.indoor[coarse.fan > 0.0] == 0.0)
    assert least < noughts < most
    found = identify(coarse).clean_air_delivered_m3h
    if noughts < 0.5:
        assert holds(found, delivered)
    else:
        assert isinstance(found, Unknown)
        assert "reads nought" in found.reason


def test_every_meal_is_seen_and_weighed(record: HouseRecord) -> None:
    events = identify(record).events
    assert len(events) == 8
    for day, event in enumerate(events):
        assert event.start_h == pytest.approx(day * 24.0 + 18.0, abs=0.25)
        assert event.emitted_mg.low <= 120.0 * VOLUME_M3 * 0.5 / 1e3 <= event.emitted_mg.high
        assert event.peak_ug_m3 > 35.0


def test_the_model_follows_the_readings(record: HouseRecord) -> None:
    found = identify(record)
    assert np.sqrt(np.nanmean((found.modelled_indoor - record.indoor) ** 2)) < 2.5


def test_behind_shut_windows_the_gain_ratio_is_not_claimed(record: HouseRecord) -> None:
    found = identify(record)
    assert isinstance(found.sensor_gain_ratio, Unknown)
    sure = identify(record, gain_prior=GainPrior(1.0, 0.02)).outdoor_entry_per_h
    assert isinstance(sure, Estimate)
    assert isinstance(found.outdoor_entry_per_h, Estimate)
    assert found.outdoor_entry_per_h.half_width > 1.4 * sure.half_width


def test_a_fan_that_never_runs_leaves_delivery_unknown(record: HouseRecord) -> None:
    found = identify(replace(record, fan=np.zeros(record.count)))
    assert isinstance(found.clean_air_delivered_m3h, Unknown)
    assert isinstance(found.installed_efficiency, Unknown)
    assert "run the fan" in found.clean_air_delivered_m3h.remedy


def test_a_fan_that_never_rests_leaves_delivery_and_loss_unknown(record: HouseRecord) -> None:
    found = identify(replace(record, fan=np.ones(record.count)))
    assert isinstance(found.clean_air_delivered_m3h, Unknown)
    assert isinstance(found.loss_fan_off_per_h, Unknown)
    assert "let the fan rest" in found.clean_air_delivered_m3h.remedy


def shorter(record: HouseRecord, days: float) -> HouseRecord:
    steps = round(days * 24 / record.step_h)
    return replace(record, outdoor=record.outdoor[:steps], indoor=record.indoor[:steps], fan=record.fan[:steps])


ESTIMATES = ("outdoor_entry_per_h", "loss_fan_off_per_h", "clean_air_delivered_m3h", "installed_efficiency")


@pytest.mark.parametrize(
    ("spoiled", "word"),
    [
        (lambda r: shorter(r, 1.0), "days"),
        (lambda r: replace(r, outdoor=np.full(r.count, 17.0)), "stuck"),
        (lambda r: replace(r, outdoor=np.full(r.count, np.nan)), "outdoor"),
        (lambda r: replace(r, indoor=np.full(r.count, np.nan)), "indoor"),
        (lambda r: replace(r, indoor=np.where(np.arange(r.count) % 10 < 8, np.nan, r.indoor)), "gaps"),
    ],
)
def test_data_that_cannot_tell_are_answered_so(record: HouseRecord, spoiled: object, word: str) -> None:
    found = identify(spoiled(record))
    for name in ESTIMATES:
        answer = getattr(found, name)
        assert isinstance(answer, Unknown), name
        assert word in answer.reason
        assert answer.remedy


def test_wrong_records_are_refused_by_name(record: HouseRecord) -> None:
    with pytest.raises(ValueError, match="fan"):
        replace(record, fan=record.fan * 2.0)
    with pytest.raises(ValueError, match="outdoor has shape"):
        replace(record, outdoor=record.outdoor[:-1])
    with pytest.raises(ValueError, match="step"):
        replace(record, step_h=0.0)
    with pytest.raises(ValueError, match="volume"):
        replace(record, volume_m3=0.0)


@settings(max_examples=15, deadline=None)
@given(
    count=st.integers(1, 4000),
    seed=st.integers(0, 1000),
    level=st.sampled_from([0.0, 1e-6, 10.0, 3e3]),
    gaps=st.floats(0.0, 0.95),
)
def test_whatever_the_numbers_there_is_an_answer(count: int, seed: int, level: float, gaps: float) -> None:
    rng = np.random.default_rng(seed)

    def signal() -> np.ndarray:
        return np.where(rng.random(count) < gaps, np.nan, level * rng.gamma(1.0, 1.0, count))

    found = identify(HouseRecord(0.05, 300.0, signal(), signal(), np.round(rng.random(count))))
    assert found.modelled_indoor.shape == (count,)
