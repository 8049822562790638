"""The general solver beside the fan plan solves the same problem, and the rows tell what they measured."""

import numpy as np
import pytest

from moteledger.bench.fan_plan import (
    STEP_H,
    Case,
    by_general_solver,
    outdoor_air,
    replayed_year,
    spells,
    two_days,
    two_days_within_a_budget,
    two_speeds,
    wary_two_days,
)
from motemodel.plan import AirTarget, Outlook


@pytest.mark.parametrize(("target", "speeds"), [(8.0, 1), (10.0, 1), (14.0, 1), (10.0, 2), (14.0, 2)])
def test_a_general_solver_finds_no_cheaper_plan_than_the_proven_bound_and_hardly_a_cheaper_one_than_ours(
    target: float, speeds: int
) -> None:
    # scipy.optimize.milp (HiGHS) as the oracle, on 3 h at 5 min, to its end.
    air = outdoor_air(2)[150:186]
    one = Case(Outlook(STEP_H, air, np.full(36, 0.1), np.ones(36, dtype=bool), 30.0), AirTarget(target))
    one = one.with_two_speeds() if speeds == 2 else one
    ours = one.planned()
    cost, bound, _ = by_general_solver(one, 60.0)
    assert ours.holds
    assert bound == pytest.approx(cost, rel=1e-3), "the general solver came to its end"
    assert ours.least_cost <= cost * (1.0 + 1e-3)
    assert cost * (1.0 - 1e-3) <= ours.cost <= cost * 1.1


def test_the_invented_spells_have_something_to_plan() -> None:
    plans = [one.planned() for one in spells(3)]
    assert len(plans) == 3
    assert all(plan.cost > 0.0 and plan.holds and plan.choice.size == 576 for plan in plans)


def test_short_rows_tell_what_they_measured() -> None:
    row = two_days(count=1, general_seconds=0.2)
    assert row.measured > 0.0
    assert row.plain[0].seconds > 0.0
    assert "gap to the proven bound" in row.note
    assert "warily" in two_speeds(count=1, general_seconds=0.2).note
    assert wary_two_days(count=1).measured > 0.0
    assert "proven bound" in two_days_within_a_budget(count=1).note
    assert "2 days replayed" in replayed_year(2).work
