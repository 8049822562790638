"""The bench measures what it says, and its table prints nothing that was not measured."""

import time

import numpy as np
import pytest

from moteledger.bench import BENCHES, BenchRow, Plain, best_of, house_year, named, run_all, start_up, table
from moteledger.bench.house_year import DAY_STEPS, Drive, by_compiled_stepper, by_power_series, by_solve_ivp, error

ROW = BenchRow(
    name="sums",
    work="adding up",
    measured=0.02,
    aim=0.03,
    error=2e-15,
    plain=(Plain("by hand", 4.0, 3e-9, 100.0, "2 d"), Plain("by abacus", 1.0)),
    note="it adds up",
)


def test_a_row_prints_every_figure_with_where_it_was_scaled_from_and_whether_the_aims_are_met() -> None:
    assert table([ROW, BenchRow("load", "keep it all", 90.0, 110.0, "MB")]).splitlines() == [
        "sums: adding up",
        "  measured  20.0 ms, error 2e-15",
        "  beside    by hand: 4.0 s (scaled from 2 d), error 3e-09; 200 times as long",
        "  beside    by abacus: 1.0 s; 50 times as long",
        "  shown     it adds up",
        "  aim       under 30.0 ms, by hand 100 times as long: met",
        "",
        "load: keep it all",
        "  measured  90 MB",
        "  aim       under 110 MB: met",
    ]


@pytest.mark.parametrize(
    ("measured", "plain_seconds", "met"),
    [
        (0.02, 4.0, True),
        (0.03, 4.0, False),  # not under the aim
        (0.02, 1.9, False),  # not fast enough beside the plain way
    ],
)
def test_an_aim_is_met_only_if_all_of_it_is(measured: float, plain_seconds: float, met: bool) -> None:
    row = BenchRow("a", "b", measured, 0.03, plain=(Plain("c", plain_seconds, aim_times=100.0), Plain("d", 0.01)))
    assert row.is_met is met


def test_of_a_rate_more_is_better_and_it_is_not_compared_as_a_time() -> None:
    assert BenchRow("a", "b", 20_000.0, 20_000.0, "per s").is_met
    assert not BenchRow("a", "b", 19_999.0, 20_000.0, "per s").is_met
    assert "at least 20,000 per s: met" in table([BenchRow("a", "b", 20_000.0, 20_000.0, "per s")])
    with pytest.raises(ValueError, match="a: measured in per s; give seconds to compare with by hand"):
        BenchRow("a", "b", 1.0, 1.0, "per s", plain=ROW.plain).times(ROW.plain[0])


def test_the_fastest_run_counts_and_sleep_is_no_work_of_the_processor() -> None:
    naps = iter((0.0, 0.15, 0.01, 0.15))
    slept: list[float] = []

    def nap() -> None:
        began = time.perf_counter()
        time.sleep(next(naps))
        slept.append(time.perf_counter() - began)

    timing = best_of(nap, runs=3)
    # A busy machine oversleeps.
    assert min(slept[1:]) <= timing.clock_seconds < max(slept[1:])
    assert timing.processor_seconds < 0.01
    assert timing.runs == 3


def test_no_runs_at_all_are_refused() -> None:
    with pytest.raises(ValueError, match="runs: 0; give one at least"):
        best_of(lambda: None, 0)


def test_all_benches_are_measured_in_turn() -> None:
    assert list(run_all([lambda: ROW, lambda: ROW])) == [ROW, ROW]


def test_rows_are_chosen_by_name_and_an_unknown_one_is_told_with_those_there_are() -> None:
    assert named(["start-up", "house-year"]) == (start_up, house_year)
    assert named([]) == BENCHES
    with pytest.raises(ValueError, match=r"'house' is no row; there are house-year, .*start-up"):
        named(["house"])


def test_two_general_integrators_agree_with_the_reference_of_the_house_year() -> None:
    drive = Drive.of(90)
    reference = by_power_series(drive)
    assert error(by_solve_ivp(drive), reference) < 1e-13
    assert error(by_compiled_stepper(drive), reference) < 1e-13


def test_a_short_house_year_is_as_exact_as_the_integrators_it_is_timed_beside() -> None:
    row = house_year(steps=240, plain_steps=120)
    assert row.error is not None and row.error < 1e-13
    assert len(row.plain) == 2
    assert all(plain.error is not None and plain.error < 1e-13 for plain in row.plain)
    assert {plain.scaled_from for plain in row.plain} == {"0.0833333 d"}
    assert row.measured > 0.0 and all(row.times(plain) > 0.0 for plain in row.plain)


def test_what_ran_on_the_whole_is_not_said_to_be_scaled() -> None:
    assert {plain.scaled_from for plain in house_year(steps=60, plain_steps=60).plain} == {""}


def test_the_invented_day_has_a_fan_that_cycles_and_air_that_changes_every_minute() -> None:
    day = Drive.of(DAY_STEPS)
    assert day.running.mean() == pytest.approx(1 / 3)
    assert (np.diff(day.outdoor_ug_m3) != 0.0).all() and (np.diff(day.infiltration_m3h) != 0.0).all()
    assert (day.emission_ug_h.sum(axis=0) > 0.0).sum() == 40
