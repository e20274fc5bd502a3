"""Findings as typed values: the decision follows from the reason, and what is unknown is never a finding."""

from __future__ import annotations

import math

import pytest

from broodyear.claims import (
    CLAIM_COLUMNS,
    CLAIMED_AT,
    Claim,
    ClaimKind,
    Decision,
    Reason,
    claims_table,
    clear_or_not,
    excludes_zero,
)


def test_every_reason_has_a_meaning_and_one_decision() -> None:
    assert all(reason.meaning for reason in Reason)


def test_only_what_is_clear_or_assigned_is_claimed_and_what_cannot_be_told_is_no_denial() -> None:
    by_decision = {one: {reason for reason in Reason if reason.decision is one} for one in Decision}
    assert by_decision[Decision.CLAIMED] == {Reason.CLEAR, Reason.ASSIGNED, Reason.COUNTED_AT_MOST}
    assert by_decision[Decision.NOT_CLAIMED] == {
        Reason.NOT_CLEAR, Reason.WATCH, Reason.AT_POOR_PLACE, Reason.AT_WATCHED_PLACE, Reason.DEPENDS_ON_SILENT,
        Reason.BATCHES_DISAGREE, Reason.AGAINST_CARE, Reason.OWN_FIT, Reason.HOUR_OF_LOOKING,
            Reason.HANGS_ON_ONE_TANK,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("p_family", "reason"),
    [(CLAIMED_AT, Reason.CLEAR), (0.0501, Reason.NOT_CLEAR), (0.0, Reason.CLEAR), (math.nan, Reason.NO_INTERVAL)],
)
def test_a_claim_is_made_at_the_level_of_its_family_and_never_without_a_p(p_family: float, reason: Reason) -> None:
    assert clear_or_not(p_family) is reason


@pytest.mark.parametrize(
    ("p_family", "without_one", "reason"),
    [
        (0.04, 0.10, Reason.CLEAR),
        (0.04, 0.1001, Reason.HANGS_ON_ONE_TANK),
        (0.04, math.nan, Reason.CLEAR),
        (0.06, 0.2, Reason.NOT_CLEAR),
        (math.nan, 0.2, Reason.NO_INTERVAL),
    ],
)
def test_a_claim_may_not_hang_on_one_tank(p_family: float, without_one: float, reason: Reason) -> None:
    assert clear_or_not(p_family, without_one) is reason


@pytest.mark.parametrize(
    ("low", "high", "answer"),
    [(0.1, 2.0, True), (-2.0, -0.1, True), (-0.1, 0.1, False), (0.0, 1.0, False), (math.nan, math.nan, False)],
)
def test_an_unknown_interval_does_not_exclude_zero(low: float, high: float, answer: bool) -> None:
    assert excludes_zero(low, high) is answer


def test_claims_csv_has_the_columns_that_others_read_and_a_row_a_claim() -> None:
    made = Claim(ClaimKind.PLACE_BELOW, "S-01", Reason.CLEAR, outcome="hatch", estimate=-12.0, unit="points")
    table = claims_table([made, Claim(ClaimKind.TANK_BELOW, "T-1", Reason.TOO_FEW_TANKS)], ["Low.", ""])
    assert tuple(table.columns) == CLAIM_COLUMNS
    assert table.loc[0, ["claim", "subject", "estimate", "decision", "reason", "sentence"]].tolist() == [
        "place_below", "S-01", -12.0, "claimed", "clear", "Low.",
    ]  # fmt: skip
    assert table.loc[1, ["decision", "reason", "comparisons"]].tolist() == ["cannot_tell", "too_few_tanks", 0]


def test_the_decision_of_a_claim_is_that_of_its_reason() -> None:
    for reason in Reason:
        claim = Claim(ClaimKind.TANK_BELOW, "T-1", reason)
        assert claim.decision is reason.decision
        assert claim.is_claimed is (claim.decision is Decision.CLAIMED)
