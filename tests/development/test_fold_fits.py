"""Fits to many selections of the same tanks at once, against a fit to each by itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from broodyear.development.likelihood.curve_fits import FoldFit, fit_curve, fit_folds, theta_of
from broodyear.development.likelihood.descent import lowest_points
from broodyear.development.likelihood.tank_records import tank_records
from broodyear.development.models.forms import Shape

# Fits to folds stop a thousandth of a standard error from the top, which is flat along the spreads.
LOG_DAYS, SPREADS = 2e-5, 5e-3


@pytest.mark.parametrize("form", ["constant_units", "exponential", "log_inverse"])
def test_fits_to_all_folds_at_once_are_those_to_each_by_itself(simulate: Callable[..., Any], form: str) -> None:
    made = simulate(11, batches=8, tanks=50)
    frame = made.frame.copy()
    frame.loc[frame.index[3], ["absent_day", "seen_day"]] -= 12.0  # one wrong date, outside some of the folds
    records = tank_records(frame, made.daily)
    shape = Shape(form, 8.0)
    whole = fit_curve(records, shape)
    begin = theta_of(whole.free, (whole.spread_sd, whole.batch_sd), whole.wrong_share)
    folds = records.batch[None, :] != np.arange(3)[:, None]
    for fold, found in zip(folds, fit_folds(records, shape, begin, folds), strict=True):
        alone = fit_curve(records.subset(fold), shape, with_errors=False)
        assert isinstance(found, FoldFit)
        temps = np.array([6.0, 8.0, 10.0])
        np.testing.assert_allclose(
            shape.log_days(found.free, temps), shape.log_days(alone.free, temps), atol=LOG_DAYS
        )  # fmt: skip
        assert found.spread_sd == pytest.approx(alone.spread_sd, rel=SPREADS)
        assert found.batch_sd == pytest.approx(alone.batch_sd, rel=SPREADS, abs=1e-4)
        assert found.wrong_share == pytest.approx(alone.wrong_share, abs=1e-4)


def test_lowest_points_are_found_between_limits_and_each_is_asked_until_it_arrives() -> None:
    """(x − a)² + 10 (y − x²)² with y at most 0.5: inside the limit for a = 0.5, on it for a = 2; the third begins
    where it is lowest."""
    centres, asked = np.array([0.5, 2.0, 0.5]), []

    def valley(point: np.ndarray, which: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        asked.append(len(which))
        x, y = point.T
        off, bow = x - centres[which], y - x**2
        return off**2 + 10.0 * bow**2, np.column_stack([2 * off - 40.0 * x * bow, 20.0 * bow])

    low, high = np.full((3, 2), -5.0), np.repeat([[5.0, 0.5]], 3, axis=0)
    begin, curvature = np.array([[0, 0], [0, 0], [0.5, 0.25]]), np.repeat(np.diag([2.0, 20.0])[None], 3, axis=0)
    found, has_arrived = lowest_points(valley, begin, low, high, lambda: curvature, np.full(2, 1.0))
    assert has_arrived.all()
    np.testing.assert_allclose(found[0], [0.5, 0.25], atol=1e-5)
    x = found[1, 0]
    assert found[1, 1] == 0.5
    assert 2 * (x - 2.0) - 40.0 * x * (0.5 - x**2) == pytest.approx(0.0, abs=1e-3)
    assert asked[:2] == [3, 2]


def test_a_search_that_jumps_between_effects_of_a_batch_arrives_all_the_same(
    simulate: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The slower search gives what the quick one gives where both arrive."""
    made = simulate(12, batches=8, tanks=60)
    records = tank_records(made.frame, made.daily)
    shape = Shape("log_inverse", 8.0)
    quick = fit_curve(records, shape)
    monkeypatch.setattr(
        "broodyear.development.likelihood.curve_fits.lowest_points",
        lambda _, begin, *__: (begin, np.zeros(len(begin), dtype=bool)),
    )
    slow = fit_curve(records, shape)
    assert slow.log_likelihood == pytest.approx(quick.log_likelihood, abs=1e-6)
    np.testing.assert_allclose(slow.free, quick.free, rtol=1e-4)
