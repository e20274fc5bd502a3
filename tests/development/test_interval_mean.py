"""Mean of errors known to lie in intervals: the case without any known end."""

from __future__ import annotations

import numpy as np
import pytest

from broodyear.development.censored import Intervals
from broodyear.development.interval_mean import common_part, interval_mean


@pytest.mark.parametrize("count", [0, 3])
def test_no_known_end_gives_no_number(count: int) -> None:
    lower, upper = np.full(count, -np.inf), np.full(count, np.inf)
    found = interval_mean(Intervals(lower, upper, lower, np.zeros(count, dtype=np.intp), 1))
    assert np.isnan([found.mean, found.std_error, found.low, found.high, found.total_sd]).all()
    assert found.values == count


def test_narrow_intervals_give_the_mean_of_their_middles() -> None:
    middle = np.array([-1.0, 0.0, 0.5, 1.5, 4.0])
    start = np.full(5, -np.inf)
    found = interval_mean(Intervals(middle - 1e-4, middle + 1e-4, start, np.zeros(5, dtype=np.intp), 1))
    # Worked by hand: the sum of the middles is 5.0 over 5 values; maximum likelihood spread √(Σ(x − 1)² / 5).
    assert found.mean == pytest.approx(1.0, abs=1e-3)
    assert found.spread_sd == pytest.approx(np.sqrt((4 + 1 + 0.25 + 0.25 + 9) / 5), rel=1e-3)


def test_nothing_is_told_where_one_value_fits_every_interval() -> None:
    """From 1 to 2 every value is as likely as can be, at a spread as small as one likes."""
    lower, upper, start = np.array([-5.0, 0.0, 1.0]), np.array([2.0, 9.0, 4.0]), np.full(3, -np.inf)
    intervals = Intervals(lower, upper, start, np.array([0, 1, 2], dtype=np.intp), 3)
    assert common_part(intervals) == (1.0, 2.0)
    found = interval_mean(intervals)
    assert np.isnan([found.mean, found.std_error, found.low, found.high, found.total_sd]).all()


def test_a_value_that_fits_all_but_one_interval_is_estimated() -> None:
    lower, upper, start = np.array([-5.0, 0.0, 1.0, 6.0]), np.array([2.0, 9.0, 4.0, 7.0]), np.full(4, -np.inf)
    intervals = Intervals(lower, upper, start, np.zeros(4, dtype=np.intp), 1)
    assert common_part(intervals) is None
    found = interval_mean(intervals)
    assert found.low < found.mean < found.high
