"""The verdict's three words and the ranking of causes, as a technician would reason."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from motemodel.estimate import CauseKind, Estimate, Evidence, Unknown, Verdict, judge, quotient

EXPECTED = Estimate(1000.0, 950.0, 1050.0)


def delivery(value: float, half: float) -> Estimate:
    return Estimate(value, value - half, value + half)


@pytest.mark.parametrize(
    ("delivered", "verdict"),
    [
        (delivery(1000.0, 60.0), Verdict.DELIVERS),
        (delivery(600.0, 60.0), Verdict.SHORT),
        (delivery(860.0, 100.0), Verdict.CANNOT_TELL),
        (delivery(1000.0, 400.0), Verdict.CANNOT_TELL),
        (Unknown("the fan never ran"), Verdict.CANNOT_TELL),
    ],
)
def test_the_whole_interval_must_stand_on_one_side_of_85_percent(
    delivered: Estimate | Unknown, verdict: Verdict
) -> None:
    found = judge(delivered, EXPECTED)
    assert found.verdict is verdict
    assert found.reason


def test_what_would_narrow_the_doubt_is_told_by_where_it_lies() -> None:
    """A good test against a nameplate's airflow: no further decay would help, a measured airflow would."""
    by_nameplate = judge(delivery(1000.0, 50.0), Estimate(1000.0, 700.0, 1300.0))
    assert by_nameplate.verdict is Verdict.CANNOT_TELL
    assert "±30%" in by_nameplate.reason
    assert "measure the fan's airflow" in by_nameplate.reason
    assert judge(delivery(1000.0, 300.0), EXPECTED).reason.endswith("more data will narrow it")


def test_quotients_add_relative_uncertainties_in_quadrature() -> None:
    # JCGM 100:2008, 5.1.6, worked by hand: 6 % and 8 % make 10 %.
    share = quotient(delivery(100.0, 6.0), delivery(200.0, 16.0))
    assert (share.value, share.half_width) == pytest.approx((0.5, 0.05))


def test_nothing_expected_is_nothing_to_compare_with() -> None:
    assert judge(delivery(500.0, 20.0), Unknown("no filter stated")).verdict is Verdict.CANNOT_TELL
    with pytest.raises(ValueError, match="expected"):
        judge(delivery(500.0, 20.0), Estimate(0.0, 0.0, 0.0))


def test_low_airflow_that_explains_the_shortfall_comes_first() -> None:
    causes = judge(
        delivery(600.0, 40.0),
        EXPECTED,
        Evidence(airflow_m3h=delivery(1200.0, 50.0), design_airflow_m3h=2000.0),
    ).likely_causes
    assert causes[0].kind is CauseKind.LOW_AIRFLOW
    assert "40%" in causes[0].evidence


def test_a_drop_below_that_of_a_clean_filter_points_to_gaps() -> None:
    causes = judge(
        delivery(600.0, 40.0),
        EXPECTED,
        Evidence(
            airflow_m3h=delivery(2000.0, 50.0),
            design_airflow_m3h=2000.0,
            drop_pa=delivery(25.0, 3.0),
            expected_drop_pa=40.0,
        ),
    ).likely_causes
    assert causes[0].kind is CauseKind.GAPS


def test_a_charged_filter_months_old_that_lost_what_charge_gave_is_spent() -> None:
    causes = judge(
        delivery(550.0, 30.0), EXPECTED, Evidence(charged=True, conditioned_share=0.55, used_days=90.0)
    ).likely_causes
    assert causes[0].kind is CauseKind.SPENT_CHARGE


def test_leaky_ducts_an_overloaded_filter_and_odd_sensors_are_named() -> None:
    causes = judge(
        delivery(500.0, 30.0),
        EXPECTED,
        Evidence(
            fan_extra_entry_per_h=Estimate(0.3, 0.2, 0.4),
            drop_pa=delivery(180.0, 5.0),
            final_drop_pa=125.0,
            sensor_gain_ratio=Estimate(0.5, 0.45, 0.55),
        ),
    ).likely_causes
    assert {CauseKind.LEAKY_RETURN, CauseKind.OVERLOADED, CauseKind.SENSOR} <= {cause.kind for cause in causes}
    assert all(cause.next_step for cause in causes)
    assert [cause.weight for cause in causes] == sorted((cause.weight for cause in causes), reverse=True)


def test_a_sound_assembly_gets_no_causes() -> None:
    assert judge(delivery(1000.0, 60.0), EXPECTED).likely_causes == ()


def test_a_bypass_that_the_drop_confirms_is_told_where_delivery_alone_leaves_doubt() -> None:
    straddling = delivery(900.0, 110.0)
    alone = judge(straddling, EXPECTED)
    assert (alone.below_expected, alone.bypass_told, alone.likely_causes) == (False, False, ())
    found = judge(straddling, EXPECTED, Evidence(bypass=Estimate(0.12, 0.05, 0.19)))
    assert found.bypass_told
    assert found.verdict is alone.verdict
    assert "5% to 19% of the air slips past the filter" in found.reason
    assert found.likely_causes[0].kind is CauseKind.GAPS


def test_a_bypass_that_the_shown_interval_barely_leaves_out_is_not_told() -> None:
    """90 % from 1 % to 23 % is 95 % from below nought: 0.12 - 1.960 / 1.645 x 0.11."""
    found = judge(delivery(900.0, 110.0), EXPECTED, Evidence(bypass=Estimate(0.12, 0.01, 0.23)))
    assert (found.bypass_told, found.likely_causes) == (False, ())


def test_a_drop_as_it_should_be_clears_the_filter_of_gaps() -> None:
    """Delivery alone accuses; the drop says that at most 2 % slips past."""
    short = delivery(700.0, 60.0)
    accused = judge(short, EXPECTED)
    assert accused.bypass_told
    assert accused.likely_causes[0].kind is CauseKind.GAPS
    cleared = judge(short, EXPECTED, Evidence(bypass=Estimate(0.0, 0.0, 0.02)))
    assert cleared.verdict is Verdict.SHORT
    assert cleared.below_expected
    assert not cleared.bypass_told
    assert CauseKind.GAPS not in {cause.kind for cause in cleared.likely_causes}


@given(value=st.floats(-1e4, 1e4), half=st.floats(0.0, 1e4), expected=st.floats(1.0, 1e4))
def test_a_wider_interval_never_turns_doubt_into_a_verdict(value: float, half: float, expected: float) -> None:
    sure = judge(delivery(value, half), Estimate(expected, expected, expected)).verdict
    less = judge(delivery(value, 2.0 * half + 1.0), Estimate(expected, expected, expected)).verdict
    assert less in {sure, Verdict.CANNOT_TELL}
