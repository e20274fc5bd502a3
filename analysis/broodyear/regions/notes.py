"""What stands in the note of a region, from the values that decided it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from broodyear.claims import Reason
from broodyear.regions.within import WithinMethod

#: The two answers are said to differ when they are this many points apart.
POINTS_APART = 3.0


def region_note(row: Mapping[Any, Any], reason: Reason) -> str:
    """The note of a row of regions.csv."""
    if reason is Reason.NO_RECORDS:
        return "no tank has a usable count yet"
    if reason is Reason.NEVER_SHARE_BATCH:
        return (
            "none of its batches went to another region, so the region cannot be told apart"
            " from its batches; the raw figure says nothing about the region"
        )
    parts = [_said(row, reason), _apart(row)]
    return "; ".join(part for part in parts if part)


def _said(row: Mapping[Any, Any], reason: Reason) -> str:
    against = f"against {row['comparable_with']}"
    side = "lower" if row["within_batch_points"] < 0.0 else "higher"
    return {
        Reason.CLEAR: f"{side} than its batches lead one to expect {against}, within batches",
        Reason.NOT_CLEAR: f"no difference shown {against}",
        Reason.BATCHES_DISAGREE: f"no difference shown {against}: within batches the records say otherwise",
        Reason.DEPENDS_ON_SILENT: f"no difference shown {against}: it turns if every silent tank lost all",
        Reason.TOO_FEW_SITES: "one site only: region and site cannot be told apart",
        Reason.TOO_FEW_TANKS: f"too few: {row['tanks_usable']} tanks",
        Reason.SEPARATED: f"no estimate: every fish {'survived' if row['raw_pct'] == 100.0 else 'died'}",
        Reason.CONFOUNDED: "cannot be told apart from species or season in these records",
        Reason.ONE_LEVEL: "no other region has tanks enough to compare it with",
        Reason.NO_INTERVAL: "the error of the difference cannot be told",
    }.get(reason, f"no estimate: {row['why']}")


def _apart(row: Mapping[Any, Any]) -> str:
    apart = row["within_batch_points"] - row["difference_points"]
    if np.isnan(apart) or abs(apart) < POINTS_APART:
        return ""
    return (
        f"within shared batches the difference is {row['within_batch_points']:+.1f} points and not"
        f" {row['difference_points']:+.1f}: trust the within-batch figure, the batches went out unevenly"
    )


def within_sentence(method: WithinMethod) -> str:
    """How batches were held fixed."""
    if method is WithinMethod.BATCH_SHARES:
        return "Within batches: which part of each batch went to which region is allowed for."
    return "Within batches: every batch has a level of its own, as batches are too few for their shares."
