"""The screen's findings as claims: one per tank of the season and outcome, one per site and outcome."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Any

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
    compared = rows["p_value"].notna().groupby(rows["outcome"]).sum()
    return tuple(_of_tank(row, int(compared[row["outcome"]])) for row in rows.to_dict("records"))


def _stated(row: dict[Hashable, Any]) -> tuple[ClaimKind, Reason]:
    if row["unjudged"]:
        return ClaimKind.TANK_BELOW, Reason(str(row["unjudged"]))
    if row["watch_reason"]:
        return ClaimKind.TANK_BELOW, Reason(str(row["watch_reason"]))
    return _OF_VERDICT[str(row["verdict"])]


def _of_tank(row: dict[Hashable, Any], compared: int) -> Claim:
    kind, reason = _stated(row)
    expected = _number(row["expected_pct"])
    return Claim(
        kind,
        str(row["tank_id"]),
        reason,
        outcome=str(row["outcome"]),
        estimate=_number(row["shrunken_pct"]) - expected,
        low=_number(row["shrunken_low"]) - expected,
        high=_number(row["shrunken_high"]) - expected,
        observed=_number(row["observed_pct"]) - expected,
        unit="points",
        p_value=_number(row["p_value"]),
        p_family=_number(row["q_value"]),
        comparisons=compared,
    )


def place_claims(sites: pd.DataFrame, rows: pd.DataFrame) -> tuple[Claim, ...]:
    """One place_below claim per row of the sites table, in their order, then one per site and outcome of `rows`
    (`SetupScreen.rows` of one season) that no count could be judged at.

    estimate, low, high: survival less what was expected over all its seasons, in points, not shrunken;
    p_family: the false-discovery rate over the sites judged for the outcome.
    """
    compared = sites["p_value"].notna().groupby(sites["outcome"]).sum()
    told = [_of_place(row, int(compared[row["outcome"]])) for row in sites.to_dict("records")]
    pairs = rows[["site_id", "outcome"]].drop_duplicates().sort_values(["site_id", "outcome"])
    known = {(claim.subject, claim.outcome) for claim in told}
    untold = [
        Claim(ClaimKind.PLACE_BELOW, str(site), Reason.NO_RECORDS, outcome=str(outcome))
        for site, outcome in pairs.itertuples(index=False)
        if (str(site), str(outcome)) not in known
    ]
    return (*told, *untold)


def _of_place(row: dict[Hashable, Any], compared: int) -> Claim:
    return Claim(
        ClaimKind.PLACE_BELOW,
        str(row["site_id"]),
        Reason(str(row["reason"])),
        outcome=str(row["outcome"]),
        estimate=_number(row["difference_points"]),
        low=_number(row["difference_low"]),
        high=_number(row["difference_high"]),
        unit="points",
        p_value=_number(row["p_value"]),
        p_family=_number(row["q_value"]),
        comparisons=compared,
    )


def _number(value: Any) -> float:
    return math.nan if value is None or value is pd.NA else float(value)
