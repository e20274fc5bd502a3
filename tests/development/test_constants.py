"""Constants and covariances of scored models, and whether their predictions are calibrated."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from broodyear.development import DevelopmentModel
from broodyear.development.scoring.assessment import (
    PIT_BARS,
    calibration_by_band,
    constants_table,
    covariance_table,
    pit_histogram,
)
from broodyear.development.scoring.held_out_scores import DevelopmentScores, Scoring, score_everything

MATRIX = [[0.04, 0.001], [0.001, 0.0001]]


@pytest.fixture(scope="module")
def scored(programme: Any) -> DevelopmentScores:
    mine = DevelopmentModel(
        "mine", "chinook", "hatch_half", "exponential", {"a": 5.2, "b": 0.12}, MATRIX, source="a thesis"
    )
    return score_everything(programme.frame, Scoring(schemes=("batch_out",)), daily=programme.daily, models=[mine])


def test_errors_of_constants_are_the_roots_of_their_variances(scored: DevelopmentScores) -> None:
    constants, covariance = constants_table(scored), covariance_table(scored)
    diagonal = covariance[covariance["constant"] == covariance["with_constant"]]
    both = constants.dropna(subset=["std_error"]).merge(diagonal, on=["model", "constant"])
    assert {"own_constant_units", "own_exponential", "mine"} <= set(both["model"])
    # Both come from one matrix: they agree to rounding.
    np.testing.assert_allclose(both["std_error"] ** 2, both["covariance"], rtol=1e-9)
    mine = covariance[covariance["model"] == "mine"]
    assert mine["covariance"].tolist() == [0.04, 0.001, 0.0001]


def test_published_and_given_models_stand_beside_own_fits_with_their_source(scored: DevelopmentScores) -> None:
    constants = constants_table(scored)
    source = constants.drop_duplicates("model").set_index("model")["source"]
    assert source["mine"] == "a thesis" and source["own_log_inverse"] == "fitted to these records"
    published = constants[constants["model"] == "fit_Heming1982_chinook_hatch"]
    assert (
        len(published) and published["std_error"].isna().all() and published["source"].str.contains("Heming").all()
    )


def test_bars_count_tanks_and_ends_belong_to_the_outer_ones() -> None:
    """By hand: eight bars of 1/8; 0 and 0.1 in the first, 0.5 in the fifth, 1 in the last; one not known."""
    rows = pd.DataFrame({"species": "s", "stage": "h", "model": "m", "pit": [0.0, 0.1, 0.5, 1.0, np.nan]})
    bars = pit_histogram(rows)
    assert bars["tanks"].tolist() == [2, 0, 0, 0, 1, 0, 0, 1] and len(bars) == PIT_BARS
    assert bars["expected"].unique().tolist() == [0.5] and (bars["likely_high"] >= bars["likely_low"]).all()
    assert pit_histogram(rows.iloc[:0]).empty


def test_held_shares_are_those_of_the_scores(scored: DevelopmentScores) -> None:
    table = calibration_by_band(scored.scores)
    cell = table[(table["model"] == "own_exponential") & (table["band"] == "all")]
    row = scored.scores[(scored.scores["model"] == "own_exponential") & (scored.scores["band"] == "all")].iloc[0]
    assert cell["stated_pct"].tolist() == [50.0, 80.0, 95.0]
    assert cell["held_pct"].tolist() == [row["coverage_50"], row["coverage_80"], row["coverage_95"]]
