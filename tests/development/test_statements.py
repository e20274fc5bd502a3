"""Sentences made from numbers: is it the model or the thermometer."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from broodyear.development import assess_development
from broodyear.development.scoring.held_out_scores import score_everything
from broodyear.development.scoring.score_cells import too_seldom
from broodyear.development.scoring.statements import StageFindings, all_statements, model_or_thermometer


def _row(bias: float, half: float, **more: Any) -> pd.Series:
    return pd.Series(
        {
            "tanks": 30, "batches": 8, "bias_days": bias, "bias_low": bias - half, "bias_high": bias + half,
            "days_per_c": -3.0, "implied_offset_c": -bias / 3.0 * -1.0, "note": "",
            **more,
        }
    )  # fmt: skip


@pytest.mark.parametrize(
    ("logger", "hand", "words"),
    [
        (_row(3.0, 1.0), _row(2.5, 1.0), "it is the model, since loggers show the bias too"),
        (_row(0.2, 1.0), _row(-2.0, 1.0), "consistent with the thermometers"),
        (_row(2.0, 1.0), _row(0.1, 1.0), "loggers show a bias that hand readings hide"),
        (_row(2.0, 1.0), _row(-2.0, 1.0), "loggers show a bias that hand readings hide"),
        (_row(0.2, 1.0), _row(-0.2, 1.0), "neither is biased beyond its error"),
        (_row(np.nan, 0.0, batches=2), _row(3.0, 1.0), "cannot be told apart"),
        (_row(0.2, 1.0), _row(np.nan, 0.0), "too few tanks were read by hand"),
        (
            _row(0.2, 1.0),
            _row(np.nan, 0.0, note=too_seldom(-3.0, 2.0)),
            "the 30 tanks read by hand are too few, or were looked at too seldom",
        ),
        (
            _row(np.nan, 0.0, note=too_seldom(-3.0, 2.0)),
            _row(0.2, 1.0),
            "the 30 tanks read by a logger are too few, or",
        ),
    ],
)
def test_model_or_thermometer(logger: pd.Series, hand: pd.Series, words: str) -> None:
    assert words in model_or_thermometer(logger, hand)


def test_bands_looked_at_too_seldom_are_named_apart(programme: Any) -> None:
    frame = programme.frame.copy()
    tanks = assess_development(frame, daily=programme.daily, schemes=("batch_out",)).predictions
    is_warm = frame["tank_id"].isin(tanks.loc[tanks["mean_temp_c"].between(9.0, 11.0), "tank_id"])
    frame.loc[is_warm, "absent_day"] -= 25.0
    frame.loc[is_warm, "seen_day"] += 25.0
    found = assess_development(frame, daily=programme.daily, schemes=("batch_out",))
    said = found.statements.query("topic == 'where'")["sentence"]
    assert said.str.contains("Too few tanks, or looked at too seldom, to judge 9-11").any()
    assert not said.str.contains("Too few batches to judge 9-11").any()


def test_coverage_that_cannot_be_told_is_said_so(programme: Any) -> None:
    scores = score_everything(programme.frame, daily=programme.daily, schemes=("batch_out",))
    columns = ["coverage_50", "coverage_80", "coverage_95"]
    scores.scores.loc[scores.scores["model"] == "own_log_inverse", columns] = np.nan
    nothing = pd.DataFrame(columns=["model", "read_by", "rows", "reason"])
    one = StageFindings(
        "chinook", "hatch_half", ("own_log_inverse",), scores.scores, nothing, nothing, nothing, nothing
    )
    said = all_statements(scores, [one]).query("topic == 'intervals'")["sentence"].tolist()
    assert said == [
        "chinook, half hatched: whether intervals of own_log_inverse hold what they state cannot be told from "
        "these tanks."
    ]


def test_a_reading_too_warm_is_named_so() -> None:
    sentence = model_or_thermometer(_row(0.0, 1.0), _row(-2.4, 1.0, implied_offset_c=0.8))
    assert "a reading 0.8 °C too warm would do it alone" in sentence
