"""Ways to run the fan, compared on one outlook: more fan is cleaner air and more energy, never the reverse."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from motemodel.plan import ALWAYS_ON, THERMOSTAT_ONLY, HouseRates, Outlook, best_plan, planned, simple_plans

STEPS = 48
RATES = HouseRates(entry_per_h=0.35, loss_fan_off_per_h=0.7, clean_air_per_h=2.5, fan_power_w=330.0, source_ug_m3_h=1.0)


def outlook(outdoor: float = 60.0, called: float = 0.1, allowed: bool = True) -> Outlook:
    return Outlook(0.5, np.full(STEPS, outdoor), np.full(STEPS, called), np.full(STEPS, allowed), 20.0)


def test_a_plan_s_mean_agrees_with_a_general_integrator() -> None:
    # scipy's solve_ivp as the oracle: the fan on for half of every hour, piecewise, tolerance 1e-10.
    now = outlook()
    running = np.where(np.arange(STEPS) % 2 == 0, 1.0, 0.1)
    level, area = 20.0, 0.0
    for on in running:
        loss = RATES.loss_fan_off_per_h + on * RATES.clean_air_per_h

        def slope(_: float, y: np.ndarray, loss: float = loss) -> list[float]:
            return [RATES.entry_per_h * 60.0 + RATES.source_ug_m3_h - loss * y[0], y[0]]

        level, area = solve_ivp(slope, (0.0, 0.5), [level, area], rtol=1e-10, atol=1e-10).y[:, -1]
    assert planned("half", running, now, RATES).mean_ug_m3 == pytest.approx(area / (STEPS * 0.5), rel=1e-8)


def test_energy_is_hours_times_power() -> None:
    plan = planned("always", np.ones(STEPS), outlook(), RATES)
    assert plan.run_hours == 24.0
    assert plan.energy_kwh == pytest.approx(24.0 * 0.330)


def test_always_on_is_the_cleanest_and_thermostat_only_the_cheapest() -> None:
    plans = {plan.name: plan for plan in simple_plans(outlook(), RATES, 15.0)}
    assert min(plans.values(), key=lambda plan: plan.mean_ug_m3).name == ALWAYS_ON
    assert min(plans.values(), key=lambda plan: plan.energy_kwh).name == THERMOSTAT_ONLY


def test_the_cheapest_plan_that_holds_the_target_is_chosen() -> None:
    plans = simple_plans(outlook(), RATES, 15.0)
    best, holds = best_plan(plans, 15.0)
    assert holds
    assert best.mean_ug_m3 <= 15.0
    assert all(plan.energy_kwh >= best.energy_kwh for plan in plans if plan.mean_ug_m3 <= 15.0)


def test_clean_air_outdoors_needs_no_fan() -> None:
    best, holds = best_plan(simple_plans(outlook(outdoor=5.0), RATES, 15.0), 15.0)
    assert holds
    assert best.name == THERMOSTAT_ONLY


def test_smoke_beyond_the_filter_is_said_to_be_so_and_answered_with_the_cleanest_plan() -> None:
    best, holds = best_plan(simple_plans(outlook(outdoor=600.0), RATES, 15.0), 15.0)
    assert not holds
    assert best.name == ALWAYS_ON


def test_quiet_hours_leave_the_fan_to_the_thermostat() -> None:
    for plan in simple_plans(outlook(allowed=False), RATES, 15.0):
        assert plan.running == pytest.approx(np.full(STEPS, 0.1))


def test_a_house_that_nothing_enters_has_no_threshold_to_watch() -> None:
    shut = HouseRates(0.0, 0.5, 2.0, 300.0)
    assert all("outdoors" not in plan.name for plan in simple_plans(outlook(), shut, 15.0))


def test_arrays_that_do_not_fit_are_refused() -> None:
    with pytest.raises(ValueError, match="one value a step"):
        Outlook(0.5, np.ones(3), np.ones(2), np.ones(3, dtype=bool), 1.0)
    with pytest.raises(ValueError, match="empty"):
        Outlook(0.5, np.ones(0), np.ones(0), np.ones(0, dtype=bool), 1.0)
    with pytest.raises(ValueError, match="at least one way"):
        best_plan([], 15.0)


rate = st.floats(0.0, 20.0)


@given(rate, rate, rate, st.floats(0.0, 500.0), st.floats(0.0, 1.0))
def test_more_fan_never_makes_the_air_worse(
    entry: float, loss: float, clean_air: float, outdoor: float, share: float
) -> None:
    house = HouseRates(entry, loss, clean_air, 300.0)
    now = outlook(outdoor)
    less = planned("less", np.full(STEPS, share), now, house)
    more = planned("more", np.full(STEPS, min(share + 0.1, 1.0)), now, house)
    assert more.mean_ug_m3 <= less.mean_ug_m3 * (1.0 + 1e-12)
    assert more.energy_kwh >= less.energy_kwh
