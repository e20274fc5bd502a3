"""Adjusted p-values: Benjamini and Hochberg's fifteen p-values, and R's p.adjust (golden file)."""

from __future__ import annotations

import csv

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.setups.golden import FOLDER, assert_matches, check

from broodyear.statistics.multiplicity import adjust_within, benjamini_hochberg, holm, no_surer, over_outcomes

GOLDEN = "funnel_multiplicity.json"


def fifteen() -> np.ndarray:
    with (FOLDER / "data_bh1995.csv").open() as handle:
        return np.array([float(row["p"]) for row in csv.DictReader(handle)])


def test_fifteen_p_values_of_benjamini_and_hochberg() -> None:
    for name, adjust in (("multiplicity.BH", benjamini_hochberg), ("multiplicity.holm", holm)):
        golden = check(GOLDEN, name)
        assert_matches(adjust(fifteen()), golden["value"], golden["tolerance"])


def test_four_rejections_as_published() -> None:
    # Benjamini and Hochberg 1995, section 3.2: four hypotheses rejected at 0.05.
    want = check(GOLDEN, "multiplicity.published")["value"]["n_rejected_BH"]
    assert int((benjamini_hochberg(fifteen()) <= 0.05).sum()) == want


def test_output_follows_the_order_of_the_input() -> None:
    golden = check(GOLDEN, "multiplicity.BH_unsorted")
    order = np.array(golden["value"]["order"]) - 1
    assert_matches(benjamini_hochberg(fifteen()[order]), golden["value"]["adj"], golden["tolerance"])


def test_missing_p_stays_missing_and_is_not_counted() -> None:
    golden = check(GOLDEN, "multiplicity.BH_ties_na")
    given = [np.nan if p is None else p for p in golden["value"]["p"]]
    want = [np.nan if p is None else p for p in golden["value"]["adj"]]
    assert_matches(benjamini_hochberg(given), want, golden["tolerance"])


def test_all_missing_gives_all_missing() -> None:
    assert np.isnan(benjamini_hochberg([np.nan, np.nan])).all()


def test_families_are_adjusted_apart() -> None:
    together = adjust_within([0.01, 0.02, 0.04, 0.03], ["2023", "2023", "2024", "2024"])
    np.testing.assert_allclose(together, [0.02, 0.02, 0.04, 0.04])


def test_adjusted_p_values_against_hand_arithmetic():
    p_values = [0.01, 0.02, 0.03, 0.5]
    assert holm(p_values) == pytest.approx([0.04, 0.06, 0.06, 0.5])
    assert benjamini_hochberg(p_values) == pytest.approx([0.04, 0.04, 0.04, 0.5])


def test_a_missing_p_value_spoils_no_other():
    assert holm([0.01, np.nan, 0.04])[[0, 2]] == pytest.approx([0.02, 0.04])
    assert np.isnan(benjamini_hochberg([0.01, np.nan])[1])


def test_what_is_asked_second_is_no_surer_and_without_a_first_counts_for_all() -> None:
    given_p, first = [0.01, 0.2, 0.01, np.nan], [0.04, 0.04, np.nan, 0.01]
    np.testing.assert_array_equal(no_surer(given_p, first, 3), [0.04, 0.2, 1.0, np.nan])
    np.testing.assert_array_equal(no_surer([0.01, 0.5, np.nan], None, 3), [0.03, 1.0, np.nan])


def test_outcomes_of_one_comparison_are_held_to_simes_of_those_known() -> None:
    """By hand: 3 x 0.004 is the least of 0.012, 0.09 and 0.9; with two known, the least of 2 x 0.03 and 0.04."""
    of_three, of_two, of_one = [0.004, 0.9, 0.06], [0.04, np.nan, 0.03], [np.nan, 0.2, np.nan]
    found = over_outcomes(np.column_stack([of_three, of_two, of_one]))
    np.testing.assert_allclose(found[:, 0], [0.012, 0.9, 0.06])
    np.testing.assert_allclose(found[:, 1], [0.04, np.nan, 0.04])
    np.testing.assert_allclose(found[:, 2], [np.nan, 0.2, np.nan])


@given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20))
def test_adjustments_never_lower_a_p_value_and_keep_their_order(p_values):
    order = np.argsort(p_values, kind="stable")
    for adjust in (holm, benjamini_hochberg):
        adjusted = adjust(p_values)
        assert (adjusted >= np.array(p_values) - 1e-15).all()
        assert (adjusted <= 1.0).all()
        assert (np.diff(adjusted[order]) >= -1e-15).all()
