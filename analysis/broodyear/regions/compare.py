"""Regions side by side: raw, adjusted for batch, and within shared batches; no ranks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodyear.regions.accounting import survival_bounds
from broodyear.regions.connectivity import GRAPH_COLUMNS, RegionLinks, region_links
from broodyear.regions.heterogeneity import Heterogeneity, heterogeneity
from broodyear.setups.adjusted import (
    ESTIMATE_COLUMNS,
    AdjustedLevels,
    adjusted_levels,
    level_counts,
    with_batch_shares,
)
from broodyear.setups.multiplicity import adjust_p_values
from broodyear.setups.tank_frame import NOT_RECORDED, OUTCOMES, prepare

REGION_COLUMNS = [
    "region", "outcome", "tanks", "tanks_usable", "sites", "batches", "batches_shared", "seasons", "eggs",
    "raw_pct", "adjusted_pct", "adjusted_low", "adjusted_high", "difference_points", "difference_low",
    "difference_high", "p_value", "within_batch_pct", "within_batch_low", "within_batch_high",
    "within_batch_points", "within_batch_points_low", "within_batch_points_high", "within_batch_p_value",
    "separable", "comparable_with", "reporting_pct", "bound_low_pct", "bound_high_pct", "note",
]  # fmt: skip
HETEROGENEITY_COLUMNS = [
    "outcome", "regions", "tau_log_odds", "tau_points", "i_squared_pct", "q", "p_value", "prediction_low_pct",
    "prediction_high_pct", "sentence",
]  # fmt: skip

#: The two answers are said to differ when they are this many points apart.
_POINTS_APART = 3.0
_FEWEST_TANKS = 5
#: A region is said to differ only at this Holm-adjusted p, in both answers.
_CLAIM_P = 0.05
#: With fewer regions nothing is said about where another would lie.
_FEWEST_REGIONS = 3


@dataclass(frozen=True, eq=False)
class RegionComparison:
    """rows: REGION_COLUMNS, regions in alphabetical order within an outcome; heterogeneity:
    HETEROGENEITY_COLUMNS, one row per outcome with two comparable regions or more; graph: GRAPH_COLUMNS;
    sentences: one per outcome, what can be compared with what.
    """

    rows: pd.DataFrame
    heterogeneity: pd.DataFrame
    graph: pd.DataFrame
    sentences: Mapping[str, str]


def compare_regions(frame: pd.DataFrame) -> pd.DataFrame:
    """The rows of regions.csv: REGION_COLUMNS, by outcome and region; see `region_comparison`."""
    return region_comparison(frame).rows


def region_comparison(frame: pd.DataFrame) -> RegionComparison:
    """Regions over all seasons of the frame (tank_outcomes columns with region).

    raw_pct: survivors over eggs. adjusted_*: mixed model with batch a crossed random intercept, so the
    interval carries the number of batches; difference: against the tanks of the other regions it can be
    compared with. within_batch_*: the same with each batch's regional shares in the model, so that a region
    served by poor batches season after season is not blamed for them. A region that never shared a batch has
    neither, and a note.
    """
    tanks = prepare(frame)
    rows = tanks.rows.assign(region=_named(tanks.rows["region"]))
    bounds = survival_bounds(rows, by=("region",)).set_index(["outcome", "region"])
    parts, pooled, graphs, sentences = [], [], [], {}
    for outcome in [name for name in OUTCOMES if (rows["outcome"] == name).any()]:
        given = rows[rows["outcome"] == outcome]
        used = given[given["is_used"]].reset_index(drop=True)
        if used.empty:
            sentences[outcome] = "No tank has a usable count for this outcome yet, so regions cannot be compared."
            parts.append(_silent(given, outcome, bounds))
            continue
        links = region_links(used)
        fits = [(_fit(used, members, False), _fit(used, members, True)) for members in links.part_members()]
        parts.append(_outcome_rows(given, used, outcome, links, fits, bounds))
        pooled += [_pooled(adjusted, outcome) for adjusted, _ in fits if adjusted.log_odds is not None]
        graphs.append(links.edges.assign(outcome=outcome))
        sentences[outcome] = links.sentence
    return RegionComparison(
        rows=pd.concat(parts, ignore_index=True)[REGION_COLUMNS],
        heterogeneity=pd.DataFrame(pooled, columns=HETEROGENEITY_COLUMNS),
        graph=pd.concat(graphs, ignore_index=True)
        if graphs
        else pd.DataFrame(columns=[*GRAPH_COLUMNS, "outcome"]),
        sentences=sentences,
    )


def _named(region: pd.Series) -> pd.Series:
    text = region.astype(object).where(region.notna(), "").astype(str)
    return text.where(text != "", NOT_RECORDED)


def _fit(used: pd.DataFrame, members: list[str], within_batch: bool) -> AdjustedLevels:
    """Adjusted regions of one connected part; t intervals, because batches are few."""
    rows = used[used["region"].isin(members)].reset_index(drop=True)
    shares: list[str] = []
    if within_batch:
        rows, shares = with_batch_shares(rows, "region")
    freedom = float(max(rows["batch_id"].nunique() - rows["region"].nunique(), 1))
    return adjusted_levels(
        rows, "region", extra_terms=shares, freedom=freedom, fewest_tanks=_FEWEST_TANKS, fewest_batches=1
    )


def _outcome_rows(
    given: pd.DataFrame,
    used: pd.DataFrame,
    outcome: str,
    links: RegionLinks,
    fits: list[tuple[AdjustedLevels, AdjustedLevels]],
    bounds: pd.DataFrame,
) -> pd.DataFrame:
    table = _counted(given, outcome, bounds)
    counted = level_counts(used, "region").rename(columns={"level": "region"})
    table = table.merge(counted.drop(columns="tanks"), on="region", how="left")
    table = table.merge(links.regions.drop(columns=["batches", "part"]), on="region", how="left")
    table = table.merge(_estimates(fits), on="region", how="left")
    table["batches_shared"] = table["batches_shared"].fillna(0).astype(int)
    table["comparable_with"] = table["comparable_with"].fillna("")
    table["separable"] = table["comparable_with"] != ""
    table["note"] = [_note(row) for _, row in table.iterrows()]
    return _whole_counts(table)


def _counted(given: pd.DataFrame, outcome: str, bounds: pd.DataFrame) -> pd.DataFrame:
    """Tanks, sites, reporting and bounds per region, from every row given."""
    table = given.groupby("region", sort=True).agg(
        tanks=("tank_id", "size"), tanks_usable=("is_used", "sum"), sites=("site_id", "nunique")
    )
    own = bounds.loc[outcome, ["reporting_pct", "bound_low_pct", "bound_high_pct"]]
    return table.join(own).reset_index().assign(outcome=outcome)


def _silent(given: pd.DataFrame, outcome: str, bounds: pd.DataFrame) -> pd.DataFrame:
    """Rows of an outcome without any usable tank."""
    table = _counted(given, outcome, bounds).reindex(columns=REGION_COLUMNS)
    note = "no tank has a usable count yet"
    return _whole_counts(table.assign(separable=False, comparable_with="", note=note, batches_shared=0))


def _whole_counts(table: pd.DataFrame) -> pd.DataFrame:
    counts = ["tanks", "tanks_usable", "sites", "batches", "batches_shared", "seasons", "eggs"]
    return table.assign(**{name: table[name].astype(float).fillna(0).astype(int) for name in counts})[
        REGION_COLUMNS
    ]


def _estimates(fits: list[tuple[AdjustedLevels, AdjustedLevels]]) -> pd.DataFrame:
    """Adjusted and within-batch columns of every connected part."""
    within_names = ["within_batch_pct", "within_batch_low", "within_batch_high", "within_batch_points"]
    within_names += ["within_batch_points_low", "within_batch_points_high", "within_batch_p_value"]
    parts = []
    for adjusted, within in fits:
        first = adjusted.table.set_index("level")[[*ESTIMATE_COLUMNS, "note"]].rename(columns={"note": "few"})
        second = within.table.set_index("level")[ESTIMATE_COLUMNS].set_axis(within_names, axis=1)
        first["p_value"] = adjust_p_values(first["p_value"], "holm")
        second["within_batch_p_value"] = adjust_p_values(second["within_batch_p_value"], "holm")
        parts.append(first.join(second).assign(refused=adjusted.sentence, within_refused=within.sentence))
    if not parts:
        return pd.DataFrame(
            columns=["region", *ESTIMATE_COLUMNS, *within_names, "few", "refused", "within_refused"]
        )
    return pd.concat(parts).rename_axis("region").reset_index()


def _note(row: pd.Series) -> str:
    if row["tanks_usable"] == 0:
        return "no tank has a usable count yet"
    if not row["separable"]:
        return (
            "not separable: none of its batches went to another region, so the region cannot be told apart"
            " from its batches; the raw figure says nothing about the region"
        )
    parts = [_text(row["few"]), _text(row["refused"])]
    if row["sites"] == 1:
        parts.append("one site only: region and site cannot be told apart")
    if not np.isnan(row["difference_points"]):
        parts += [_verdict(row), _difference_note(row)]
    return "; ".join(part for part in parts if part)


def _text(value: Any) -> str:
    return "" if pd.isna(value) else str(value)


def _verdict(row: pd.Series) -> str:
    """A difference is claimed only when both answers, Holm-adjusted over the regions, are clear on the same
    side.
    """
    others = f"against {row['comparable_with']}"
    signs = np.sign([row["difference_points"], row["within_batch_points"]])
    if max(row["p_value"], row["within_batch_p_value"]) <= _CLAIM_P and signs[0] == signs[1]:
        side = "lower" if signs[0] < 0.0 else "higher"
        return f"{side} than its batches lead one to expect {others}, both adjusted and within batches"
    return f"no difference shown {others}"


def _difference_note(row: pd.Series) -> str:
    apart = row["within_batch_points"] - row["difference_points"]
    if np.isnan(apart):
        return f"within batches no answer ({_text(row['within_refused'])})"
    if abs(apart) >= _POINTS_APART:
        return (
            f"within shared batches the difference is {row['within_batch_points']:+.1f} points and not"
            f" {row['difference_points']:+.1f}: trust the within-batch figure, the batches went out unevenly"
        )
    return ""


def _pooled(adjusted: AdjustedLevels, outcome: str) -> dict[str, object]:
    """Heterogeneity of the regions of one connected part."""
    from scipy.stats import t

    assert adjusted.log_odds is not None and adjusted.covariance is not None
    found = heterogeneity(adjusted.log_odds, adjusted.covariance)
    mean = float(adjusted.table["adjusted_pct"].mean()) / 100.0
    centre = float(np.log(mean / (1.0 - mean)))
    freedom = found.regions - 2 if found.regions >= _FEWEST_REGIONS else np.nan
    reach = float(t.ppf(0.975, freedom)) * found.new_error
    low, high = (100.0 / (1.0 + np.exp(-(centre + side * reach))) for side in (-1.0, 1.0))
    points = 100.0 * found.tau * mean * (1.0 - mean)
    return {
        "outcome": outcome,
        "regions": found.regions,
        "tau_log_odds": found.tau,
        "tau_points": points,
        "i_squared_pct": found.i_squared_pct,
        "q": found.q,
        "p_value": found.p_value,
        "prediction_low_pct": low,
        "prediction_high_pct": high,
        "sentence": _heterogeneity_sentence(found, points, low, high),
    }


def _heterogeneity_sentence(found: Heterogeneity, points: float, low: float, high: float) -> str:
    span = f"another region served by the same batches would be expected between {low:.0f} and {high:.0f} %"
    if np.isnan(low):
        span = "two regions are too few to say where another would lie"
    if found.tau == 0.0:
        return f"The {found.regions} regions differ by no more than chance once batches are allowed for; {span}."
    return f"The {found.regions} regions differ by about {points:.1f} points (SD) beyond chance; {span}."
