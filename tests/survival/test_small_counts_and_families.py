"""Intervals for proportions, and adjusted p values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from broodyear.errors import UsageError
from broodyear.survival import (
    benjamini_hochberg,
    difference_interval,
    fit_survival,
    holm,
    planned_contrasts,
    proportion_interval,
    screen_contrasts,
)

COMPUTED = 1e-6
PUBLISHED = 1e-4  # four decimals as printed


@pytest.mark.parametrize("method", ["wilson", "wilson_cc", "clopper_pearson", "jeffreys", "midp"])
def test_single_proportions(golden, method):
    expected = golden.value("newcombe", f"single.{method}")
    for row in golden.frame("newcombe_single").itertuples():
        found = proportion_interval(row.x, row.n, method=method)
        assert [found.low, found.high] == pytest.approx(expected[row.id], abs=COMPUTED)


@pytest.mark.parametrize("method", ["wilson", "wilson_cc", "clopper_pearson", "midp"])
def test_single_proportions_as_newcombe_printed_them(golden, method):
    rows = golden.frame("newcombe_single").set_index("id")
    for name, limits in golden.value("newcombe", f"single.{method}.published").items():
        found = proportion_interval(int(rows.loc[name, "x"]), int(rows.loc[name, "n"]), method=method)
        assert [found.low, found.high] == pytest.approx(limits, abs=PUBLISHED)


@pytest.mark.parametrize("method", ["newcombe", "newcombe_cc", "agresti_caffo"])
def test_differences(golden, method):
    expected = golden.value("newcombe", f"difference.{method}")
    for row in golden.frame("newcombe_difference").itertuples():
        found = difference_interval(row.x1, row.n1, row.x2, row.n2, method=method)
        assert [found.low, found.high] == pytest.approx(expected[row.id], abs=COMPUTED)


def test_intervals_say_what_they_need():
    with pytest.raises(UsageError, match="0 ≤ count ≤ total"):
        proportion_interval(5, 4)
    with pytest.raises(UsageError, match="method must be one of wilson"):
        proportion_interval(1, 4, method="wald")
    with pytest.raises(UsageError, match="method must be one of newcombe"):
        difference_interval(1, 4, 2, 4, method="score")


def test_adjusted_p_values_against_hand_arithmetic():
    p_values = [0.01, 0.02, 0.03, 0.5]
    assert holm(p_values) == pytest.approx([0.04, 0.06, 0.06, 0.5])
    assert benjamini_hochberg(p_values) == pytest.approx([0.04, 0.04, 0.04, 0.5])


def test_a_missing_p_value_spoils_no_other():
    assert holm([0.01, np.nan, 0.04])[[0, 2]] == pytest.approx([0.02, 0.04])
    assert np.isnan(benjamini_hochberg([0.01, np.nan])[1])


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20))
def test_adjustments_never_lower_a_p_value_and_keep_their_order(p_values):
    order = np.argsort(p_values, kind="stable")
    for adjust in (holm, benjamini_hochberg):
        adjusted = adjust(p_values)
        assert (adjusted >= np.array(p_values) - 1e-15).all()
        assert (adjusted <= 1.0).all()
        assert (np.diff(adjusted[order]) >= -1e-15).all()


def test_planned_contrasts_and_screens(tanks):
    fit = fit_survival(
        tanks, "gravel_practice + room_type", survived="survivors", trials="eggs", groups=["site_id", "batch_id"]
    )
    planned = planned_contrasts(
        fit,
        {
            "stones": ("gravel_practice", "gravel", "single_layer_stones"),
            "hall": ("room_type", "hallway", "library"),
        },
    )
    assert list(planned["contrast"]) == ["stones", "hall"]
    assert planned["p_holm"].to_numpy() == pytest.approx(holm(planned["p_value"].to_numpy()))
    screen = screen_contrasts(fit, ["gravel_practice", "room_type"])
    assert len(screen) == 4
    assert screen["q_value"].to_numpy() == pytest.approx(benjamini_hochberg(screen["p_value"].to_numpy()))
    with pytest.raises(UsageError, match="no level 'sand' besides the reference"):
        planned_contrasts(fit, {"x": ("gravel_practice", "sand", "bare")})
