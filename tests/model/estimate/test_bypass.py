"""Air that slips past the filter, told from delivery and drop together: by hand, by mass, and by how often it errs.

How often: as many assemblies as it takes are drawn by the law of the media itself, each with its own exponent.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from motemodel.estimate import Estimate, Unknown, bypass_share

Z_90 = 1.6448536269514722
"""Two-sided 90 % of the normal distribution (any table)."""


def give_or_take(value: float, relative_sd: float) -> Estimate:
    half = Z_90 * relative_sd * value
    return Estimate(value, value - half, value + half)


def test_a_bypass_worked_by_hand() -> None:
    """2000 m3/h of which 300 slip past: the media see 1700, deliver 0.6 x 1700 = 1020 m3/h and drop 40 x 0.85^1.25 Pa.

    Standard deviations: delivery 6 %; drop 5 %, of the airflow it tells 5 / 1.25 = 4 %; together 1 / sqrt(1 / 6^2 +
    1 / 4^2) = 3.328 %; with the airflow's own 3 %, 4.481 %. 1 - exp(ln 0.85 -+ 1.645 x 0.04481) = 0.085 and 0.210.
    """
    drop_pa = 40.0 * 0.85**1.25
    assert drop_pa == pytest.approx(32.65, abs=0.01)
    found = bypass_share(
        give_or_take(1020.0 / 1200.0, 0.06),
        give_or_take(drop_pa / 40.0, 0.05),
        give_or_take(1.0, 0.03),
        Estimate(1.25, 1.25, 1.25),
    )
    assert isinstance(found, Estimate)
    assert (found.value, found.low, found.high) == pytest.approx((0.15, 0.0850, 0.2104), abs=2e-4)


def test_little_air_lowers_delivery_and_drop_alike_and_is_no_bypass() -> None:
    """A fan that moves 80 % of what the survey says, and is known to: 0.8 of the delivery, 0.8^n of the drop."""
    low = give_or_take(0.8, 0.05), give_or_take(0.8 ** (1.0 / 0.85), 0.05)
    measured = bypass_share(*low, give_or_take(0.8, 0.03))
    assert isinstance(measured, Estimate)
    assert measured.value == pytest.approx(0.0, abs=1e-9)
    assert measured.low == 0.0
    by_nameplate = bypass_share(*low, give_or_take(1.0, 0.03))
    assert isinstance(by_nameplate, Estimate)
    assert by_nameplate.value == pytest.approx(0.2)


def test_what_both_share_is_not_averaged_away() -> None:
    """Delivery and drop known exactly leave the doubt of the airflow whole: 1 - exp(-+ 1.645 x 0.05) about nought."""
    found = bypass_share(give_or_take(0.9, 1e-6), give_or_take(0.9, 1e-6), give_or_take(1.0, 0.05), Estimate(1, 1, 1))
    assert isinstance(found, Estimate)
    assert np.log((1.0 - found.low) / (1.0 - found.high)) == pytest.approx(2.0 * Z_90 * 0.05, rel=1e-3)


@given(slips=st.floats(0.0, 0.6), moved=st.floats(0.5, 1.5), n=st.floats(1.0, 2.0))
def test_what_goes_through_and_what_slips_past_make_up_all_the_air(slips: float, moved: float, n: float) -> None:
    """Conservation of mass: the media's airflow, told by either, and the bypass found are all the air that moves."""
    media = moved * (1.0 - slips)
    found = bypass_share(
        give_or_take(media, 0.05), give_or_take(media**n, 0.05), give_or_take(moved, 0.05), Estimate(n, n, n)
    )
    assert isinstance(found, Estimate)
    assert media + found.value * moved == pytest.approx(moved, rel=1e-9)
    assert found.low <= slips + 1e-9
    assert slips <= found.high + 1e-9


def test_full_drop_with_little_clean_air_is_no_bypass() -> None:
    """A spent charge lowers the delivery and leaves the drop."""
    found = bypass_share(give_or_take(0.55, 0.05), give_or_take(1.0, 0.05), give_or_take(1.0, 0.03))
    assert isinstance(found, Unknown)
    assert "no bypass explains it" in str(found)
    hose_off = bypass_share(give_or_take(1.0, 0.05), give_or_take(0.3, 0.05), give_or_take(1.0, 0.03))
    assert isinstance(hose_off, Unknown)
    assert "hose" in str(hose_off)


def drawn(slips: float, count: int = 3000) -> tuple[float, float, float]:
    """Share of drawn assemblies told to leak, by both and by delivery alone, and of intervals that hold the truth."""
    random = np.random.default_rng(11)
    told = alone = held = 0
    for _ in range(count):
        moved = np.exp(random.normal(0.0, 0.05))
        media = moved * (1.0 - slips)
        delivered = media * np.exp(random.normal(0.0, 0.06))
        drop = media ** random.uniform(1.05, 1.45) * np.exp(random.normal(0.0, 0.06))
        found = bypass_share(give_or_take(delivered, 0.06), give_or_take(drop, 0.06), give_or_take(1.0, 0.05))
        told += isinstance(found, Estimate) and found.low > 0.0
        alone += np.log(delivered) < -Z_90 * np.hypot(0.05, 0.06)
        held += isinstance(found, Estimate) and found.low <= slips <= found.high
    return told / count, alone / count, held / count


def test_one_sound_assembly_in_twenty_is_accused_and_no_more() -> None:
    """Twice the standard error of 3000 draws is 0.8 %; the hundredth that is too far apart is not told either way."""
    accused, alone, held = drawn(0.0)
    assert accused == pytest.approx(0.05, abs=0.012)
    assert alone == pytest.approx(0.05, abs=0.012)
    # At nought the interval's low end cannot exclude the truth from below.
    assert held == pytest.approx(0.94, abs=0.02)


def test_together_they_tell_a_bypass_more_often_than_delivery_alone() -> None:
    """ln 0.85 over the spread of each: 0.1625 / 0.0647 = 2.51 together and 0.1625 / 0.0781 = 2.08 alone, less 1.645.

    By the normal distribution that is 81 % and 67 % (the drop tells the airflow to 0.06 / 1.18 and the exponent's
    share, 5.3 %; with 6 % of the delivery 4.0 %, with 5 % of the airflow 6.4 %).
    """
    told, alone, held = drawn(0.15)
    assert told == pytest.approx(0.81, abs=0.03)
    assert alone == pytest.approx(0.67, abs=0.03)
    assert held == pytest.approx(0.90, abs=0.02)


SHARES = st.builds(give_or_take, st.floats(1e-3, 1e3), st.floats(0.0, 2.0))


@given(delivered=SHARES, drop=SHARES, airflow=SHARES)
def test_whatever_the_numbers_there_is_an_answer_within_bounds(
    delivered: Estimate, drop: Estimate, airflow: Estimate
) -> None:
    found = bypass_share(delivered, drop, airflow)
    if isinstance(found, Estimate):
        assert 0.0 <= found.low <= found.value <= found.high <= 1.0


def test_nothing_measured_is_unknown_and_no_airflow_is_refused() -> None:
    one, nought = give_or_take(1.0, 0.05), Estimate(0.0, -0.1, 0.1)
    assert isinstance(bypass_share(nought, one, one), Unknown)
    assert isinstance(bypass_share(one, nought, one), Unknown)
    with pytest.raises(ValueError, match="above zero"):
        bypass_share(one, one, nought)
