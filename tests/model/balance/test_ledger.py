"""The account of a series: what it holds, that it closes, and that it can fail to."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from motemodel.balance import Cleaner, Inputs, Ledger, ledger, solve

FloatArray = NDArray[np.float64]
MASSES = ("entered", "generated", "settled", "carried_out", "stored")


def a_house(steps: int = 48, seed: int = 3) -> Inputs:
    rng = np.random.default_rng(seed)
    return Inputs(
        volume_m3=350.0,
        step_h=rng.uniform(0.1, 2.0, steps),
        outdoor_ug_m3=rng.uniform(0.0, 80.0, (2, steps)),
        infiltration_m3h=rng.uniform(20.0, 300.0, steps),
        penetration=(0.5, 0.8),
        deposition_per_h=(0.2, 1.5),
        emission_ug_h=rng.choice([0.0, 4e4], (2, steps)),
        intake_m3h=60.0,
        intake_efficiency=(0.3, 0.6),
        cleaners=(
            Cleaner("filter", rng.uniform(1200.0, 1800.0, steps), (0.2, 0.7), rng.integers(0, 2, steps)),
            Cleaner("bedroom", 200.0, rng.uniform(0.9, 0.99, (2, steps))),
        ),
    )


def test_the_account_of_an_hour_that_can_be_reckoned_by_hand() -> None:
    """Nothing removes: 100 m3/h of 10 ug/m3 enter at half penetration, 500 ug/h are made; 2 h store 2 mg in all."""
    house = Inputs(50.0, 1.0, np.full((1, 2), 10.0), 100.0, penetration=0.5, emission_ug_h=500.0, outflow_m3h=0.0)
    account = ledger(house, solve(house, 4.0))
    masses = {name: float(getattr(account, name).item()) for name in ("opening", *MASSES)}
    assert masses == pytest.approx(
        {"opening": 0.2, "entered": 1.0, "generated": 1.0, "settled": 0.0, "carried_out": 0.0, "stored": 2.0}
    )


def test_steady_air_divides_among_sinks_as_their_clean_air() -> None:
    """At steady state each sink takes its share of the loss (closed form of the balance at dC/dt = 0)."""
    house = Inputs(
        200.0, 1.0, np.full((1, 500), 20.0), 100.0, deposition_per_h=0.5, cleaners=(Cleaner("filter", 400.0, 0.75),)
    )
    steady = 100.0 * 20.0 / (100.0 + 0.5 * 200.0 + 300.0)
    account = ledger(house, solve(house, steady))
    assert account.entered.item() == pytest.approx(1000.0)
    assert account.carried_out.item() == pytest.approx(200.0)
    assert account.settled.item() == pytest.approx(200.0)
    assert account.filtered.item() == pytest.approx(600.0)
    assert account.stored.item() == pytest.approx(0.0, abs=1e-9)


def test_every_mass_agrees_with_a_general_integrator_that_counts_it_on_the_way() -> None:
    house = a_house(8)
    filter_one, bedroom = house.cleaners
    account = ledger(house, solve(house, 30.0))
    for size_bin in range(2):
        level, counted = 30.0, np.zeros(6)
        for n in range(house.steps):

            def flows(_: float, y: FloatArray, n: int = n, i: int = size_bin) -> FloatArray:
                c = y[0]
                outdoor = house.outdoor_ug_m3[i, n]
                infiltration, intake = house.infiltration_m3h[n], 60.0
                passing = 1.0 - house.intake_efficiency[i]
                entered = (house.penetration[i] * infiltration + passing * intake) * outdoor
                generated = house.emission_ug_h[i, n]
                filtered = filter_one.running[n] * filter_one.airflow_m3h[n] * filter_one.efficiency[i] * c
                cleaned = 200.0 * bedroom.efficiency[i, n] * c
                settled = house.deposition_per_h[i] * 350.0 * c
                carried = (infiltration + intake) * c
                change = (entered + generated - filtered - cleaned - settled - carried) / 350.0
                return np.array([change, entered, generated, filtered, cleaned, settled, carried])

            answer = solve_ivp(flows, (0.0, house.step_h[n]), [level, *counted], "DOP853", rtol=1e-12, atol=1e-12)
            level, counted = answer.y[0, -1], answer.y[1:, -1]
        entered, generated, filtered, cleaned, settled, carried = counted / 1000.0
        assert account.entered[0, size_bin] == pytest.approx(entered, rel=1e-8)
        assert account.generated[0, size_bin] == pytest.approx(generated, rel=1e-8)
        assert account.filtered[0, :, size_bin] == pytest.approx([filtered, cleaned], rel=1e-8)
        assert account.settled[0, size_bin] == pytest.approx(settled, rel=1e-8)
        assert account.carried_out[0, size_bin] == pytest.approx(carried, rel=1e-8)
        assert account.stored[0, size_bin] == pytest.approx((level - 30.0) * 350.0 / 1000.0, rel=1e-7)


def test_the_accounts_of_spans_add_up_to_that_of_the_whole() -> None:
    house = a_house(100)
    series = solve(house, 30.0)
    whole, parts = ledger(house, series), ledger(house, series, (0, 1, 24, 25, 99))
    assert parts.entered.shape == (5, 2)
    assert parts.filtered.shape == (5, 2, 2)
    for name in (*MASSES, "filtered"):
        np.testing.assert_allclose(getattr(parts, name).sum(axis=0), getattr(whole, name)[0], rtol=1e-11)
    np.testing.assert_allclose(parts.opening[1:], (parts.opening + parts.stored)[:-1], rtol=1e-12)


def test_the_total_is_one_account_of_all_bins_and_spans() -> None:
    house = a_house(100)
    total = ledger(house, solve(house, 30.0), range(0, 100, 24)).total()
    whole = ledger(house, solve(house, 30.0))
    assert total.devices == ("filter", "bedroom")
    for name in ("opening", *MASSES):
        assert getattr(total, name).shape == (1, 1)
        assert getattr(total, name).item() == pytest.approx(getattr(whole, name).sum(), rel=1e-11)
    np.testing.assert_allclose(total.filtered[0, :, 0], whole.filtered[0].sum(axis=1), rtol=1e-11)
    assert total.closure < 1e-12


def test_a_year_of_minutes_closes_to_the_last_digits_by_the_year_and_by_the_hour() -> None:
    steps = 525_600
    rng = np.random.default_rng(7)
    house = Inputs(
        350.0,
        1.0 / 60.0,
        np.repeat(rng.gamma(2.0, 6.0, (2, 8760)), 60, axis=1),
        np.repeat(rng.uniform(50.0, 250.0, 8760), 60),
        penetration=(0.6, 0.9),
        deposition_per_h=(0.1, 0.8),
        emission_ug_h=np.where(np.arange(steps) % 1440 < 20, 3e5, 0.0) * np.array([[1.0], [0.2]]),
        cleaners=(Cleaner("filter", 1800.0, (0.4, 0.8), (np.arange(steps) % 60 < 25) * 1.0),),
    )
    series = solve(house, 8.0)
    assert ledger(house, series).closure < 1e-12
    assert ledger(house, series, range(0, steps, 60)).closure < 1e-12


def test_an_account_with_wrong_step_means_does_not_close() -> None:
    """The middle of a step for its mean, as a careless integrator takes it."""
    house = a_house()
    series = solve(house, 30.0)
    starts = np.concatenate((series.start[:, np.newaxis], series.end[:, :-1]), axis=1)
    careless = replace(series, mean=(starts + series.end) / 2.0)
    assert ledger(house, series).closure < 1e-12
    assert ledger(house, careless).closure > 1e-3


def test_an_account_with_wrong_ends_does_not_close() -> None:
    house = a_house()
    series = solve(house, 30.0)
    assert ledger(house, replace(series, end=series.end * 1.001)).closure > 1e-7


def test_each_account_closes_on_its_own_mass_however_small() -> None:
    """One bin carries a millionth of the other's mass; an error in it must still show."""
    account = ledger(a_house(), solve(a_house(), 30.0))
    small = replace(
        account, **{name: getattr(account, name) * (1.0, 1e-6) for name in (*MASSES, "opening", "filtered")}
    )
    wrong = replace(small, settled=small.settled * (1.0, 1.01))
    assert small.closure < 1e-12
    assert wrong.closure > 1e-4


def test_an_empty_house_moves_nothing_and_closes() -> None:
    house = Inputs(300.0, 1.0, np.zeros((1, 5)), 100.0)
    account = ledger(house, solve(house, 0.0))
    assert account.closure == 0.0
    assert account.filtered.shape == (1, 0, 1)


@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 40),
    st.one_of(st.just(0.0), st.floats(1e-9, 1e4)),
    st.floats(1.0 / 3600.0, 24.0),
    st.one_of(st.just(0.0), st.floats(1e-3, 1e5)),
)
@settings(max_examples=150)
def test_mass_is_kept_in_any_house(seed: int, steps: int, loss_per_h: float, step_h: float, start: float) -> None:
    rng = np.random.default_rng(seed)
    volume = rng.uniform(20.0, 2000.0)
    flow = volume * loss_per_h * rng.dirichlet(np.ones(3))
    house = Inputs(
        volume,
        step_h,
        rng.choice([0.0, 5.0, 500.0], (2, steps)),
        rng.uniform(0.0, 300.0, steps),
        emission_ug_h=rng.choice([0.0, 1e5], (2, steps)),
        deposition_per_h=flow[0] / volume,
        outflow_m3h=flow[1],
        cleaners=(Cleaner("filter", flow[2], 1.0, rng.choice([0.0, 0.3, 1.0], steps)),),
    )
    account = ledger(house, solve(house, start), np.arange(0, steps, 7))
    assert account.closure < 1e-11
    for name in ("opening", "entered", "generated", "filtered", "settled", "carried_out"):
        assert (getattr(account, name) >= 0.0).all()


@pytest.mark.parametrize(
    ("starts", "message"),
    [
        ((), "span_starts"),
        ((1, 5), r"\[1, 5\] must rise from 0"),
        ((0, 5, 5), "must rise from 0"),
        ((0, 48), "48 is past the last step; there are 48 steps"),
        ((0.0, 4.5), "give the number of the first step of each span"),
        (((0, 1), (2, 3)), "give the number of the first step of each span"),
    ],
)
def test_spans_that_do_not_follow_each_other_are_refused(starts: Any, message: str) -> None:
    house = a_house()
    with pytest.raises(ValueError, match=message):
        ledger(house, solve(house, 1.0), starts)


def test_a_ledger_says_whose_masses_are_whose() -> None:
    account = ledger(a_house(), solve(a_house(), 1.0))
    assert isinstance(account, Ledger)
    assert account.devices == ("filter", "bedroom")
    one = replace(a_house(), cleaners=a_house().cleaners[:1])
    assert ledger(one, solve(one, 1.0)).filtered[0, 0, 1] > account.filtered[0, 0, 1]
