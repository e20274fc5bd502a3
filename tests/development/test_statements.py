"""Sentences made from numbers: what these records can and cannot tell."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from broodyear.development.scoring.held_out_scores import score_everything
from broodyear.development.scoring.statements import StageFindings, all_statements


def test_coverage_that_cannot_be_told_is_said_so(programme: Any) -> None:
    scores = score_everything(programme.frame, daily=programme.daily, schemes=("batch_out",))
    columns = ["coverage_50", "coverage_80", "coverage_95"]
    scores.scores.loc[scores.scores["model"] == "own_log_inverse", columns] = np.nan
    nothing = pd.DataFrame(columns=["model", "against", "rows", "reason"])
    one = StageFindings("chinook", "hatch_half", ("own_log_inverse",), scores.scores, nothing, nothing, nothing)
    said = all_statements(scores, [one]).query("topic == 'intervals'")["sentence"].tolist()
    assert said == [
        "chinook, half hatched: whether intervals of this programme's own fit, log-inverse hold what they state "
        "cannot be told from these tanks."
    ]
