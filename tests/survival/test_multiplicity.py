"""Adjusted p-values: Benjamini and Hochberg's fifteen p-values, and R's p.adjust (golden file)."""

from __future__ import annotations

import csv

import numpy as np
from tests.setups.golden import FOLDER, assert_matches, check

from broodyear.survival.multiplicity import adjust_within, benjamini_hochberg, holm

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
