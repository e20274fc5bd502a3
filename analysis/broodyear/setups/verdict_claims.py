"""The screen's findings as claims: one per tank of the season and outcome, one per site and outcome."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import Claim, ClaimKind, Reason

#: What a verdict of the screen states of a tank.
_OF_VERDICT = {
    "below_expected": (ClaimKind.TANK_BELOW, Reason.CLEAR),
    "as_expected": (ClaimKind.TANK_BELOW, Reason.NOT_CLEAR),
    "above_expected": (ClaimKind.TANK_ABOVE, Reason.CLEAR),
}


def tank_claims(rows: pd.DataFrame) -> tuple[Claim, ...]:
    """One claim per row of a screen (`SetupScreen.rows`) of one season, in their order.

    estimate, low, high: shrunken less expected survival in points; observed: the same unshrunken; p_family: the
    false-discovery rate at which the tank would be flagged among the tanks judged for its outcome.
    """
    columns = rows[["shrunken_pct", "shrunken_low", "shrunken_high", "observed_pct"]].astype(float)
    less = columns.sub(rows["expected_pct"], axis=0).set_axis(["estimate", "low", "high", "observed"], axis=1)
    records = _records(pd.concat([rows, less], axis=1))
    return tuple(_claim(*_stated(row), row["tank_id"], row) for row in records)


def _stated(row: Mapping[Any, Any]) -> tuple[ClaimKind, Reason]:
    if row["unjudged"]:
        return ClaimKind.TANK_BELOW, Reason(str(row["unjudged"]))
    if row["watch_reason"]:
        return ClaimKind.TANK_BELOW, Reason(str(row["watch_reason"]))
    return _OF_VERDICT[str(row["verdict"])]


def place_claims(sites: pd.DataFrame, rows: pd.DataFrame) -> tuple[Claim, ...]:
    """One place_below claim per row of the sites table, in their order, then one per site and outcome of `rows`
    (`SetupScreen.rows` of one season) that no count could be judged at.

    estimate, low, high: survival less what was expected over all its seasons, in points, not shrunken;
    p_family: the false-discovery rate over the sites judged for the outcome.
    """
    names = {f"difference_{limit}": limit for limit in ("low", "high")} | {"difference_points": "estimate"}
    told = [
        _claim(ClaimKind.PLACE_BELOW, Reason(str(row["reason"])), row["site_id"], row)
        for row in _records(pd.DataFrame(sites).rename(columns=names))
    ]
    pairs = rows[["site_id", "outcome"]].drop_duplicates().sort_values(["site_id", "outcome"])
    known = {(claim.subject, claim.outcome) for claim in told}
    untold = [
        Claim(ClaimKind.PLACE_BELOW, str(site), Reason.NO_RECORDS, outcome=str(outcome))
        for site, outcome in pairs.itertuples(index=False)
        if (str(site), str(outcome)) not in known
    ]
    return (*told, *untold)


def _records(rows: pd.DataFrame) -> list[dict[Any, Any]]:
    """Rows with `compared`: how many of their outcome were judged."""
    compared = rows["p_value"].notna().groupby(rows["outcome"]).transform("sum").astype(int)
    return rows.assign(compared=compared, observed=rows.get("observed", np.nan)).to_dict("records")


def _claim(kind: ClaimKind, reason: Reason, subject: Any, row: Mapping[Any, Any]) -> Claim:
    return Claim(
        kind,
        str(subject),
        reason,
        outcome=str(row["outcome"]),
        estimate=float(row["estimate"]),
        low=float(row["low"]),
        high=float(row["high"]),
        observed=float(row["observed"]),
        unit="points",
        p_value=float(row["p_value"]),
        p_family=float(row["q_value"]),
        comparisons=int(row["compared"]),
    )
