"""Sentences made from numbers: what these records can and cannot tell."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from broodyear.development.scoring.held_out_scores import Scoring, score_everything
from broodyear.development.scoring.statements import StageFindings, all_statements


def test_coverage_that_cannot_be_told_is_said_so(programme: Any) -> None:
    scores = score_everything(programme.frame, Scoring(schemes=("batch_out",)), daily=programme.daily)
    columns = ["coverage_50", "coverage_80", "coverage_95"]
    scores.scores.loc[scores.scores["model"] == "own_log_inverse", columns] = np.nan
    nothing = pd.DataFrame(columns=["model", "against", "rows", "reason"])
    one = StageFindings(
        "chinook", "hatch_half", ("own_log_inverse",), scores.scores, nothing, nothing, nothing,
        gaps=pd.DataFrame({"readings_wanted": [1, 1, 4]}), carried=pd.Series([0.0, 0.1, 0.8]),
    )  # fmt: skip
    table = all_statements(scores, [one])
    assert table.query("topic == 'data'")["sentence"].tolist()[1:3] == [
        "Chinook, half hatched: 1 tank was not read for long, over holidays say, or the readings are in doubt; "
        "these days are modelled, and their error, up to 0.8 d, is carried in every fit, score and interval.",
        "Chinook, half hatched: of 3 stages left out for days without readings, one reading in the longest gap "
        "would have kept 2; tables/long_gaps.csv says which days, tank by tank.",
    ]
    said = table.query("topic == 'intervals'")["sentence"].tolist()
    assert said == [
        "Chinook, half hatched: whether intervals of this programme's own fit, log-inverse hold what they state "
        "cannot be told from these tanks."
    ]
