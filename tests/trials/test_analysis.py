"""What came of a trial: as assigned, bounded, and claimed only where it is clear."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from tests.trials.programmes import planned_tanks, recorded

from broodyear.claims import ClaimKind, Decision, Reason
from broodyear.trials import COMPARISON_COLUMNS, analyse_trials, assign, trial_claims
from broodyear.trials.analysis import reason_of


def trial(
    shift: float, seed: int = 1, *, tanks: int = 96, not_followed: float = 0.0
) -> tuple[pd.DataFrame, float]:
    listed = planned_tanks(tanks)
    past = listed.assign(gravel_practice="bare")
    rows = assign(listed, past, "gravel_practice", ("bare", "gravel"), season=2025, seed=seed).rows
    return recorded(rows, shift, np.random.default_rng(seed), not_followed=not_followed)


def analysed(rows: pd.DataFrame) -> list[Any]:
    return list(analyse_trials(rows).itertuples())


def test_a_large_effect_is_claimed_as_assigned() -> None:
    rows, truth = trial(1.0)
    (found,) = analysed(rows)
    assert (found.factor, found.level, found.reference) == ("gravel_practice", "gravel", "bare")
    assert found.difference_low < truth < found.difference_high
    assert found.mixed_low < truth < found.mixed_high
    assert found.reason == Reason.ASSIGNED
    (claim,) = trial_claims(analyse_trials(rows))
    assert claim.kind is ClaimKind.PRACTICE_DIFFERS and claim.decision is Decision.CLAIMED
    assert (claim.estimate, claim.low, claim.high) == (
        found.difference_points, found.difference_low, found.difference_high,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "p_family", "reason"),
    [
        ({}, 0.05, Reason.ASSIGNED),
        ({}, 0.0501, Reason.NOT_CLEAR),
        ({"tanks": 5, "reference_tanks": 5}, 0.01, Reason.ASSIGNED),
        ({"tanks": 4}, 0.01, Reason.TOO_FEW_TANKS),
        ({"reference_tanks": 4}, 0.01, Reason.TOO_FEW_TANKS),
        ({"difference_low": -math.inf}, 0.01, Reason.TOO_FEW_TANKS),
        ({"difference_low": -1.0}, 0.01, Reason.NOT_CLEAR),
    ],
)
def test_the_reason_of_a_decision(changes: dict[str, float], p_family: float, reason: Reason) -> None:
    (found,) = analysed(trial(1.0)[0])
    assert reason_of({**found._asdict(), **changes}, p_family) is reason


def test_an_answer_is_claimed_by_its_p_among_all_levels(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("broodyear.trials.analysis.holm", np.ones_like)
    (found,) = analysed(trial(1.0)[0])
    assert found.p_value < 0.05 and found.p_family == 1.0 and found.reason == Reason.NOT_CLEAR


def test_no_effect_is_not_claimed() -> None:
    rows, _ = trial(0.0)
    (found,) = analysed(rows)
    assert found.reason == Reason.NOT_CLEAR and found.difference_low < 0.0 < found.difference_high


def test_tanks_count_as_assigned_whatever_they_did() -> None:
    rows, _ = trial(1.0, not_followed=0.2)
    (found,) = analysed(rows)
    assert found.followed_pct == pytest.approx(100.0 * rows["followed"].mean())
    (all_told,) = analysed(rows.assign(followed=True))
    assert all_told.difference_points == found.difference_points and all_told.followed_pct == 100.0
    assert math.isnan(analysed(rows.assign(followed=None))[0].followed_pct)


def test_the_bounds_by_hand() -> None:
    """One block of 6: bare 80, 80 and one silent; gravel 90, 90 and one silent."""
    rows = pd.DataFrame(
        {
            "season": 2025, "factor": "gravel_practice", "outcome": "hatch", "block": "B",
            "tank_id": list("abcdef"), "level": ["bare"] * 3 + ["gravel"] * 3, "followed": None,
            "usable": [True, True, False] * 2, "why_unusable": None,
            "eggs": [100, 100, np.nan] * 2, "survivors": [80, 80, np.nan, 90, 90, np.nan],
        }
    )  # fmt: skip
    (found,) = analysed(rows)
    assert found.difference_points == pytest.approx(10.0) and found.silent == 2
    # gravel's silent tank lost all, (90 + 90 + 0)/3 = 60; bare's kept all, (80 + 80 + 100)/3 = 86.667
    assert found.bound_low_points == pytest.approx(60.0 - 260.0 / 3.0)
    assert found.bound_high_points == pytest.approx(280.0 / 3.0 - 160.0 / 3.0)
    assert found.reason == Reason.TOO_FEW_TANKS


def test_seasons_are_pooled_and_their_blocks_kept_apart() -> None:
    first, _ = trial(1.0, seed=1)
    second, _ = trial(1.0, seed=2)
    both = pd.concat([first, second.assign(season=2026)], ignore_index=True)
    (found,) = analysed(both)
    assert found.seasons == "2025, 2026" and found.blocks == 16
    pd.testing.assert_frame_equal(analyse_trials(both, season=2025), analyse_trials(first))


def test_each_further_level_widens_the_family() -> None:
    rows, _ = trial(0.5)
    third = rows.assign(tank_id=rows["tank_id"] + "x", level=np.where(rows["level"] == "bare", "other", "gravel"))
    found = analysed(pd.concat([rows, third], ignore_index=True))
    assert [one.level for one in found] == ["gravel", "other"]
    assert all(one.comparisons == 2 and one.p_family >= one.p_value for one in found)


def test_the_table_holds_every_column_and_no_trial_gives_no_row() -> None:
    rows, _ = trial(0.0)
    table = analyse_trials(rows)
    assert tuple(table) == COMPARISON_COLUMNS and table["decision"].tolist() == ["not_claimed"]
    assert analyse_trials(rows.head(0)).empty
    assert analyse_trials(rows.assign(usable=False, eggs=np.nan, survivors=np.nan)).empty


def test_one_block_per_level_cannot_be_told() -> None:
    rows, _ = trial(1.0)
    (found,) = analysed(rows.assign(block=rows["level"]))
    assert found.reason == Reason.TOO_FEW_TANKS and math.isnan(found.difference_points)
