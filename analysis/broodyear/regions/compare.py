"""Regions side by side: raw, adjusted for batch, and within shared batches; no ranks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from broodyear.claims import Claim, ClaimKind, Reason, clear_or_not
from broodyear.errors import BroodyearError
from broodyear.regions.accounting import survival_bounds
from broodyear.regions.connectivity import GRAPH_COLUMNS, RegionLinks, region_links
from broodyear.regions.heterogeneity import HETEROGENEITY_COLUMNS, heterogeneity_row
from broodyear.regions.notes import region_note, within_sentence
from broodyear.regions.part import PART_COLUMNS, RegionPart, fit_part
from broodyear.shown import Shows, shown
from broodyear.statistics.multiplicity import single_step
from broodyear.survival.practices.coding import level_counts
from broodyear.survival.tank_frame import MAIN_OUTCOME, NOT_RECORDED, OUTCOMES, prepare

if TYPE_CHECKING:
    from matplotlib.axes import Axes

REGION_COLUMNS = [
    "region", "outcome", "tanks", "tanks_usable", "sites", "batches", "batches_shared", "seasons", "eggs",
    "raw_pct", "adjusted_pct", "adjusted_low", "adjusted_high", "difference_points", "difference_low",
    "difference_high", "p_value", "within_batch_pct", "within_batch_low", "within_batch_high",
    "within_batch_points", "within_batch_points_low", "within_batch_points_high", "within_batch_p_value",
    "p_family", "comparisons", "decision", "reason", "within_method", "separable", "comparable_with",
    "reporting_pct", "bound_low_pct", "bound_high_pct", "note",
]  # fmt: skip
_SECTION = "answer"


#: What a comparison of regions tells and draws: each region against the others, within shared batches.
REGIONS_SHOW = Shows(
    "Regions against the others, within batches", ("region", "outcome"), "within_batch_points",
    "within_batch_points_low", "within_batch_points_high", "difference in survival, points",
    {"outcome": MAIN_OUTCOME},
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class RegionComparison:
    """rows: REGION_COLUMNS, regions in alphabetical order within an outcome; heterogeneity:
    HETEROGENEITY_COLUMNS, one row per outcome with two comparable regions or more; graph: GRAPH_COLUMNS;
    sentences: one per outcome, what can be compared with what and how; claims: one per region and outcome, and one
    per outcome that regions differ at all.
    """

    rows: pd.DataFrame
    heterogeneity: pd.DataFrame
    graph: pd.DataFrame
    sentences: Mapping[str, str]
    claims: tuple[Claim, ...]

    def summary(self) -> str:
        """The main rows as text."""
        return REGIONS_SHOW.summary(self.rows)

    def _repr_html_(self) -> str:
        return REGIONS_SHOW.html(self.rows)

    def plot(self, ax: Axes | None = None) -> Axes:
        """The main estimates with their 95 % limits on ``ax``, or on new matplotlib axes; returns the axes."""
        return shown(self.rows, REGIONS_SHOW).plot(ax)


@dataclass(frozen=True, eq=False)
class _Outcome:
    """One outcome's regions, before decisions."""

    name: str
    table: pd.DataFrame
    parts: tuple[RegionPart, ...]
    links: RegionLinks | None


def region_comparison(frame: pd.DataFrame) -> RegionComparison:
    """Regions over all seasons of the frame (tank_outcomes columns with region).

    raw_pct: survivors over eggs. adjusted_*: mixed model with batch a crossed random intercept, so the
    interval carries the number of batches; difference: against the tanks of the other regions it can be
    compared with. within_batch_*: between tanks of the same batch, so that a region served by poor batches season
    after season is not blamed for them. A region is said to differ by the within-batch answer alone, adjusted over
    the regions of the outcome; stages are asked only where the whole stay differs. A region that never shared a
    batch has neither answer, and a note.
    """
    tanks = prepare(frame)
    rows = tanks.rows.assign(region=_named(tanks.rows["region"]))
    bounds = survival_bounds(rows, by=("region",)).set_index(["outcome", "region"])
    present = [name for name in OUTCOMES if (rows["outcome"] == name).any()]
    found = [_outcome(rows[rows["outcome"] == name], name, bounds) for name in present]
    main = next((one.table.set_index("region")["p_family"] for one in found if one.name == MAIN_OUTCOME), None)
    decided = [_decided(one, main, len(found)) for one in found]
    parts = [heterogeneity_row(one.name, part) for one in found for part in one.parts if part.within is not None]
    graphs = [one.links.edges.assign(outcome=one.name) for one in found if one.links is not None]
    return RegionComparison(
        rows=pd.concat(decided, ignore_index=True)[REGION_COLUMNS],
        heterogeneity=pd.DataFrame(parts, columns=HETEROGENEITY_COLUMNS),
        graph=pd.concat(graphs, ignore_index=True)
        if graphs
        else pd.DataFrame(columns=[*GRAPH_COLUMNS, "outcome"]),
        sentences={one.name: _sentence(one) for one in found},
        claims=tuple(claim for one, table in zip(found, decided, strict=True) for claim in _claims(one, table)),
    )


def _named(region: pd.Series) -> pd.Series:
    text = region.astype(object).where(region.notna(), "").astype(str)
    return text.where(text != "", NOT_RECORDED)


def _outcome(given: pd.DataFrame, name: str, bounds: pd.DataFrame) -> _Outcome:
    """Counts and estimates of one outcome's regions, with p values adjusted over all of them."""
    used = given[given["is_used"]].reset_index(drop=True)
    table = _counted(given, name, bounds)
    if used.empty:
        return _Outcome(name, table.reindex(columns=[*table.columns, *PART_COLUMNS, "p_family"]), (), None)
    links = region_links(used)
    counted = level_counts(used, used["region"]).rename(columns={"level": "region"})
    table = table.merge(counted.drop(columns="tanks"), on="region", how="left")
    table = table.merge(links.regions.drop(columns=["batches", "part"]), on="region", how="left")
    parts = tuple(_parts(given, used, links))
    estimates = [part.table for part in parts] or [pd.DataFrame(columns=["region", *PART_COLUMNS])]
    table = table.merge(pd.concat(estimates, ignore_index=True), on="region", how="left")
    return _Outcome(name, _family(table, parts), parts, links)


def _parts(given: pd.DataFrame, used: pd.DataFrame, links: RegionLinks) -> list[RegionPart]:
    found = []
    for members in links.part_members():
        own = used[used["region"].isin(members)].reset_index(drop=True)
        try:
            found.append(fit_part(own, given[given["region"].isin(members)]))
        except BroodyearError as error:
            found.append(RegionPart.refused(members, str(error)))
    return found


def _family(table: pd.DataFrame, parts: Sequence[RegionPart]) -> pd.DataFrame:
    """p_family over every region of the outcome that has a within-batch answer."""
    blocks = [part.correlation for part in parts if part.within is not None]
    regions = [region for part in parts if part.within is not None for region in part.regions]
    p_values = table.set_index("region").loc[regions, "within_batch_p_value"].to_numpy(dtype=float)
    adjusted = single_step(p_values, block_diag(*blocks)) if blocks else np.empty(0)
    table["p_family"] = table["region"].map(dict(zip(regions, adjusted, strict=True)))
    table["comparisons"] = len(regions)
    return table


def _counted(given: pd.DataFrame, outcome: str, bounds: pd.DataFrame) -> pd.DataFrame:
    """Tanks, sites, reporting and bounds per region, from every row given."""
    table = given.groupby("region", sort=True).agg(
        tanks=("tank_id", "size"), tanks_usable=("is_used", "sum"), sites=("site_id", "nunique")
    )
    own = bounds.loc[outcome, ["reporting_pct", "bound_low_pct", "bound_high_pct"]]
    return table.join(own).reset_index().assign(outcome=outcome)


def _decided(one: _Outcome, main: pd.Series | None, outcomes: int) -> pd.DataFrame:
    """The table with decisions and notes; stages are no surer than the whole stay."""
    table = one.table.reindex(columns=list(dict.fromkeys([*one.table.columns, *REGION_COLUMNS, "refused"])))
    if main is None:
        table["p_family"] = (table["p_family"].astype(float) * outcomes).clip(upper=1.0)
    elif one.name != MAIN_OUTCOME:
        gate = table["region"].map(main).astype(float).fillna(1.0)
        table["p_family"] = (
            table["p_family"].astype(float).where(table["p_family"] > gate, gate).where(table["p_family"].notna())
        )
    table["batches_shared"] = table["batches_shared"].astype(float).fillna(0).astype(int)
    table["comparable_with"] = table["comparable_with"].astype(object).where(table["comparable_with"].notna(), "")
    table["separable"] = table["comparable_with"] != ""
    reasons = [_reason(row) for row in table.to_dict("records")]
    table["reason"] = [str(reason) for reason in reasons]
    table["decision"] = [str(Claim(ClaimKind.REGION_DIFFERS, "", reason).decision) for reason in reasons]
    table["comparisons"] = table["comparisons"].astype(float).fillna(0).astype(int)
    table["note"] = [
        region_note(row, reason) for row, reason in zip(table.to_dict("records"), reasons, strict=True)
    ]
    return _whole_counts(table)


def _whole_counts(table: pd.DataFrame) -> pd.DataFrame:
    counts = ["tanks", "tanks_usable", "sites", "batches", "batches_shared", "seasons", "eggs"]
    return table.assign(**{name: table[name].astype(float).fillna(0).astype(int) for name in counts})


def _reason(row: Mapping[Any, Any]) -> Reason:
    """Why a region is, or is not, said to differ."""
    if not row["tanks_usable"]:
        return Reason.NO_RECORDS
    if not row["separable"]:
        return Reason.NEVER_SHARE_BATCH
    if isinstance(row["refused"], str) and row["refused"]:
        return Reason(row["refused"])
    if row["sites"] == 1:
        return Reason.TOO_FEW_SITES
    first = clear_or_not(float(row["p_family"]))
    if first is not Reason.CLEAR:
        return first
    if float(row["difference_points"]) * float(row["within_batch_points"]) < 0.0:
        return Reason.BATCHES_DISAGREE
    return Reason.DEPENDS_ON_SILENT if row["silence_undoes"] else Reason.CLEAR


def _sentence(one: _Outcome) -> str:
    if one.links is None:
        return "No tank has a usable count for this outcome yet, so regions cannot be compared."
    methods = [part.within.method for part in one.parts if part.within is not None]
    return " ".join([one.links.sentence, *dict.fromkeys(map(within_sentence, methods))])


def _claims(one: _Outcome, table: pd.DataFrame) -> list[Claim]:
    found = [
        Claim(
            kind=ClaimKind.REGION_DIFFERS,
            subject=str(row["region"]),
            reason=Reason(row["reason"]),
            outcome=one.name,
            estimate=float(row["within_batch_points"]),
            low=float(row["within_batch_points_low"]),
            high=float(row["within_batch_points_high"]),
            unit="points",
            p_value=float(row["within_batch_p_value"]),
            p_family=float(row["p_family"]),
            comparisons=int(row["comparisons"]),
            section=_SECTION,
        )
        for row in table.to_dict("records")
    ]
    return [*found, _any_differs(one, table)]


def _any_differs(one: _Outcome, table: pd.DataFrame) -> Claim:
    """That regions differ at all: where a region does, by the same family, so that the two never contradict."""
    told = table[table["decision"] != "cannot_tell"]
    if told.empty:
        reason = Reason.NEVER_SHARE_BATCH if len(table) > 1 and table["tanks_usable"].any() else Reason.ONE_LEVEL
        return Claim(ClaimKind.REGIONS_DIFFER, "region", reason, outcome=one.name, section=_SECTION)
    first = told.sort_values("p_family", kind="stable").iloc[0]
    clear = told[told["reason"] == str(Reason.CLEAR)]
    spread = heterogeneity_row(one.name, max(one.parts, key=lambda part: len(part.regions)))
    return Claim(
        kind=ClaimKind.REGIONS_DIFFER,
        subject="region",
        reason=Reason.CLEAR if len(clear) else Reason.NOT_CLEAR,
        outcome=one.name,
        estimate=float(spread["tau_points"]) if len(clear) else np.nan,
        unit="points",
        p_value=float(spread["p_value"]),
        p_family=float(first["p_family"]),
        comparisons=int(first["comparisons"]),
        section=_SECTION,
    )
