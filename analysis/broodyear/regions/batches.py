"""How each batch did in all tanks that had it, regions allowed for, and what part of a region's raw difference its
batches are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from broodyear.claims import Claim, ClaimKind, Reason, claims_from, clear_or_not
from broodyear.statistics.multiplicity import holm
from broodyear.statistics.numbers import FloatArray, critical_value, delta_errors, two_sided_p
from broodyear.survival.practices.levels import against_the_rest
from broodyear.survival.practices.model import AdjustedModel
from broodyear.survival.result import average_over_groups

BATCH_COLUMNS = [
    "batch_id", "season", "tanks", "regions", "eggs", "raw_pct", "by_region", "adjusted_pct", "difference_points",
    "difference_low", "difference_high", "p_value", "p_family", "comparisons", "decision", "reason",
]  # fmt: skip
_ESTIMATES = ["adjusted_pct", "difference_points", "difference_low", "difference_high", "p_value"]
#: A region's raw shortfall is spoken of where it, or the part of it that is clear, has so many points.
WORTH_SAYING_POINTS = 3.0
#: It is mostly the batches' from this share on.
MOSTLY = 0.5
_SECTION = "batches"


def batch_estimates(
    model: AdjustedModel, regions: Sequence[str], log_odds: FloatArray, covariance: FloatArray
) -> pd.DataFrame:
    """Survival of each batch with regions alike, and its difference from the other batches in points, by batch_id.

    log_odds, covariance: of the regions within batches, in the order given. A batch is the mean of its tanks'
    log-odds (working response), what their region does taken off, each site weighted by how exactly it is known:
    sampling, tanks and site. Other batches are weighted by their tanks.
    """
    rows = model.rows[model.rows["region"].isin(regions)]
    share, place = model.fit.fitted[rows.index], rows["region"].map(list(regions).index).to_numpy(dtype=int)
    sampling = 1.0 / np.maximum(rows["eggs"].to_numpy(dtype=float) * share * (1.0 - share), 1e-10)
    sds = model.fit.group_sd.reindex(["site_id", "tank_season"]).fillna(0.0)
    weight = 1.0 / (sampling + sds["tank_season"] ** 2)
    table = rows[["batch_id", "site_id"]].assign(
        place=place, tanks=1, weight=weight, pull=weight * (model.working.response[rows.index] - log_odds[place])
    )
    sites = table.groupby(["batch_id", "site_id", "place"], sort=True).sum().reset_index()
    sites["exact"] = 1.0 / (1.0 / sites["weight"] + sds["site_id"] ** 2)
    sites["pull"] *= sites["exact"] / sites["weight"]
    told = sites.groupby("batch_id", sort=True)[["tanks", "exact", "pull"]].sum()
    exact = told["exact"].to_numpy(dtype=float)
    went = sites.pivot_table(index="batch_id", columns="place", values="exact", aggfunc="sum", fill_value=0.0)
    went = went.reindex(columns=range(len(regions)), fill_value=0.0).to_numpy(dtype=float) / exact[:, None]
    middle = np.bincount(place, minlength=len(regions)) / len(place)
    alike = average_over_groups((told["pull"] / told["exact"]).to_numpy() + middle @ log_odds, np.hypot(*sds))
    against = against_the_rest(told["tanks"])
    slopes = against * alike.by_log_odds
    moved = slopes @ (middle - went)
    error = 100.0 * np.hypot(np.sqrt(slopes**2 @ (1.0 / exact)), delta_errors(moved, covariance))
    points, degrees = 100.0 * against @ alike.share, max(float(len(rows) - len(told) - len(regions)), 1.0)
    reach = critical_value(degrees) * error
    columns = [100.0 * alike.share, points, points - reach, points + reach, two_sided_p(points / error, degrees)]
    found = pd.DataFrame(np.column_stack(columns), index=told.index, columns=_ESTIMATES)
    return found if len(found) > 1 else found.assign(**dict.fromkeys(_ESTIMATES[1:], np.nan))


def batch_table(used: pd.DataFrame, estimates: pd.DataFrame) -> pd.DataFrame:
    """BATCH_COLUMNS, one row per batch with a usable tank; by_region: its raw survival by region, in words."""
    estimates = estimates.reindex(columns=_ESTIMATES)
    counted = used.groupby("batch_id", sort=True).agg(
        season=("season", "first"), tanks=("eggs", "size"), regions=("region", "nunique"), eggs=("eggs", "sum"),
        survivors=("survivors", "sum"),
    )  # fmt: skip
    table = counted.assign(raw_pct=100.0 * counted["survivors"] / counted["eggs"]).join(estimates)
    groups = used.groupby(["batch_id", "region"], sort=True)
    went = groups[["eggs", "survivors"]].sum().assign(tanks=groups.size().astype(str)).reset_index()
    pct = (100.0 * went["survivors"] / went["eggs"]).map(" {:.0f} % of ".format)
    went["said"] = went["region"] + pct + went["tanks"]
    table["by_region"] = went.groupby("batch_id")["said"].agg("; ".join)
    table["p_family"] = holm(table["p_value"].to_numpy(dtype=float))
    table["comparisons"] = int(table["p_value"].notna().sum())
    reasons = [Reason.NEVER_SHARE_BATCH if np.isnan(p) else clear_or_not(p) for p in table["p_family"]]
    table["reason"] = [str(reason) for reason in reasons]
    table["decision"] = [str(reason.decision) for reason in reasons]
    return table.reset_index()[BATCH_COLUMNS]


def batch_claims(batches: pd.DataFrame, outcome: str) -> list[Claim]:
    """One claim per batch: whether it did worse than the others, regions allowed for."""
    ends = {"low": "difference_low", "high": "difference_high"}
    names = {"subject": "batch_id", "estimate": "difference_points", **ends}
    stated = batches.assign(section=np.where(batches["decision"] == "claimed", _SECTION, ""))
    return claims_from(stated, names, kind=ClaimKind.BATCH_DIFFERS, unit="points", outcome=outcome)


def shortfall_claims(regions: pd.DataFrame, batches: pd.DataFrame, used: pd.DataFrame) -> list[Claim]:
    """One claim per region whose raw survival lies below that of the regions it can be compared with: what part of
    it its batches are.

    estimate: the raw difference (observed) less that within batches, with the latter's interval turned round;
    level: batches that went to the region more than elsewhere and did poorly in the others too. Claimed where the
    interval lies below zero and the estimate is half of the shortfall or more; never where regions and batches
    cannot be told apart.
    """
    raw = pd.Series([_below_others(row, regions) for row in regions.to_dict("records")], regions.index)
    part, low, high = (raw - regions[f"within_batch_points{end}"] for end in ("", "_high", "_low"))
    is_worth_it = (raw <= -WORTH_SAYING_POINTS) | ((high < 0.0) & (part <= -WORTH_SAYING_POINTS))
    is_mostly = (high < 0.0) & (part <= MOSTLY * raw)
    reason = np.where(is_mostly, Reason.CLEAR, Reason.NOT_CLEAR)
    reason = np.where(regions["decision"] == "cannot_tell", regions["reason"], reason)
    told = regions[["region", "outcome"]].assign(observed=raw, estimate=part, low=low, high=high, reason=reason)
    told = told[(raw < 0.0) & is_worth_it]
    told["level"] = [
        ", ".join(_poor_batches(row["region"], batches, used)) if row["reason"] == Reason.CLEAR else ""
        for row in told.to_dict("records")
    ]
    kind = ClaimKind.REGION_BATCHES
    return claims_from(told, {"subject": "region"}, kind=kind, unit="points", section="answer")


def _below_others(row: Mapping[Any, Any], regions: pd.DataFrame) -> float:
    """Raw survival of a region less that of those it is compared with, or of all others where it is with none,
    weighted by tanks; nan where there are none."""
    comparable = set(str(row["comparable_with"]).split(", "))
    others = regions[(regions["tanks_usable"] > 0) & (regions["region"] != row["region"])]
    others = others[others["region"].isin(comparable)] if row["comparable_with"] else others
    if others.empty or not row["tanks_usable"]:
        return float("nan")
    return float(row["raw_pct"] - np.average(others["raw_pct"].astype(float), weights=others["tanks_usable"]))


def _poor_batches(region: str, batches: pd.DataFrame, used: pd.DataFrame) -> list[str]:
    """Batches clearly below the others that the region got more of than the rest, and that did poorly there."""
    is_own = used["region"] == region
    own, other = used[is_own], used[~is_own]
    mean = other["survivors"].sum() / other["eggs"].sum()
    poor = batches[(batches["decision"] == "claimed") & (batches["difference_points"] < 0.0)]["batch_id"]
    found = []
    for batch in poor:
        here, there = own[own["batch_id"] == batch], other[other["batch_id"] == batch]
        more = len(here) / len(own) > len(there) / len(other)
        if more and len(there) and there["survivors"].sum() / there["eggs"].sum() < mean:
            found.append(str(batch))
    return found
