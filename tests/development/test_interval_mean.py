"""Mean of errors known to lie in intervals: the case without any known end."""

from __future__ import annotations

import numpy as np
import pytest

from broodyear.development.censored import Intervals
from broodyear.development.interval_mean import interval_mean


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
