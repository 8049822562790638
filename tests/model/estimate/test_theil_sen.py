"""The line of Theil (1950) and Sen (1968), against scipy's own."""

import numpy as np
import pytest
import scipy.stats

from motemodel.estimate import theil_sen_line


@pytest.mark.parametrize("count", [2, 3, 8, 60, 301])
@pytest.mark.parametrize("decimals", [0, 6])
def test_slope_interval_and_intercept_are_those_of_scipy_also_where_values_and_places_are_equal(
    count: int, decimals: int
) -> None:
    random = np.random.default_rng(1950 + count)
    place = np.concatenate([[-1.0], random.uniform(0.0, 9.0, count - 1).round(decimals)])
    value = (0.7 * place + random.standard_t(2, count)).round(decimals)
    found = theil_sen_line(place, value)
    theirs = scipy.stats.theilslopes(value, place, 0.9, method="joint")
    assert (found.slope.value, found.intercept) == pytest.approx((theirs.slope, theirs.intercept))
    assert (found.slope.low, found.slope.high) == pytest.approx((theirs.low_slope, theirs.high_slope))


def test_a_quarter_of_wrong_points_does_not_tilt_it() -> None:
    place = np.arange(40.0)
    value = 3.0 - 0.5 * place
    value[::4] = 1e6
    found = theil_sen_line(place, value)
    assert found.slope.value == pytest.approx(-0.5)
    assert scipy.stats.linregress(place, value).slope != pytest.approx(-0.5, rel=1.0)


@pytest.mark.parametrize(
    ("place", "value", "told"),
    [
        ([], [], "0 points at one place"),
        ([1.0], [2.0], "1 points at one place"),
        ([1.0, 1.0], [2.0, 3.0], "2 points at one place"),
        ([1.0, 2.0], [2.0], "alike in shape"),
        ([1.0, np.nan], [2.0, 3.0], "finite"),
        ([1.0, 2.0], [np.inf, 3.0], "finite"),
    ],
)
def test_points_that_make_no_line_are_refused(place: list[float], value: list[float], told: str) -> None:
    with pytest.raises(ValueError, match=told):
        theil_sen_line(np.array(place), np.array(value))
