"""Regions side by side: raw, adjusted for batch, within shared batches, and what is claimed of them; no ranks."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from scipy.linalg import block_diag

from broodyear.claims import Claim, ClaimKind, Reason, claims_from, clear_or_not
from broodyear.errors import NothingToAnalyse
from broodyear.notes import note
from broodyear.regions.part import (
    GRAPH_COLUMNS,
    HETEROGENEITY_COLUMNS,
    PART_COLUMNS,
    WITHIN_COLUMNS,
    WITHOUT_ONE,
    RegionLinks,
    RegionPart,
    blank_table,
    fit_part,
    region_links,
)
from broodyear.shown import ShownResult, Shows
from broodyear.statistics.multiplicity import holm, over_outcomes, single_step
from broodyear.survival.practices.batches import BATCH_ESTIMATES
from broodyear.survival.practices.factors import level_counts
from broodyear.survival.practices.findings import reason_beside
from broodyear.survival.practices.levels import ESTIMATE_COLUMNS, POINTS_APART
from broodyear.survival.tank_frame import HATCH, MAIN_OUTCOME, NOT_RECORDED, OUTCOMES, counted_dead, prepare

REGION_COLUMNS = [
    "region", "outcome", "tanks", "tanks_usable", "sites", "batches", "batches_shared", "seasons", "eggs",
    "raw_pct", *ESTIMATE_COLUMNS, *WITHIN_COLUMNS, "p_family", "comparisons", *WITHOUT_ONE, "decision",
    "reason", "within_method", "separable", "comparable_with", "reporting_pct", "bound_low_pct", "bound_high_pct",
    "note",
]  # fmt: skip
BATCH_COLUMNS = [
    "batch_id", "season", "tanks", "regions", "eggs", "raw_pct", "by_region", *BATCH_ESTIMATES, "p_family",
    "comparisons", "decision", "reason",
]  # fmt: skip
#: A region's raw shortfall is spoken of where it, or the part of it that is clear, has so many points.
WORTH_SAYING_POINTS = 3.0
#: It is mostly the batches' from this share on.
MOSTLY = 0.5
#: Counts of a row: 0 where nothing was counted.
COUNTS = ["tanks", "tanks_usable", "sites", "batches", "batches_shared", "seasons", "eggs", "comparisons"]
_SECTION = "answer"
#: Outcomes of which it is asked what a region's batches are of its shortfall, in the order of a tank's life.
_WITH_BATCHES = (HATCH, MAIN_OUTCOME)
#: What is asked of the tanks of a batch.
_OF_BATCHES = ["region", "batch_id", "season", "eggs", "survivors"]
#: Where a claim of a region finds what it states.
_STATED = {
    "subject": "region", "estimate": "within_batch_points", "low": "within_batch_points_low",
    "high": "within_batch_points_high", "p_value": "within_batch_p_value",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class RegionComparison(ShownResult):
    """rows: REGION_COLUMNS, regions in alphabetical order within an outcome; heterogeneity:
    HETEROGENEITY_COLUMNS, one row per outcome with two comparable regions or more; graph: GRAPH_COLUMNS; batches:
    BATCH_COLUMNS, the whole stay; sentences: one per outcome, what can be compared with what and how; claims: one
    per region and outcome, one per outcome that regions differ at all, of hatch and of the whole stay one per
    region that lies below the others raw, what its batches are of that, and of the whole stay one per batch.
    """

    main, shows = "rows", Shows(
        "Regions against the others, within batches", ("region", "outcome"), "within_batch_points",
        "within_batch_points_low", "within_batch_points_high", "difference in survival, points",
        {"outcome": MAIN_OUTCOME},
    )  # fmt: skip
    rows: pd.DataFrame
    heterogeneity: pd.DataFrame
    graph: pd.DataFrame
    batches: pd.DataFrame
    sentences: Mapping[str, str]
    claims: tuple[Claim, ...]


@dataclass(frozen=True, eq=False)
class _Outcome:
    """One outcome's regions (table: by region); links: None where no tank has a count; used: rows with one."""

    name: str
    table: pd.DataFrame
    parts: tuple[RegionPart, ...] = ()
    links: RegionLinks | None = None
    used: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def sentence(self) -> str:
        """What can be compared with what, and how."""
        methods = dict.fromkeys(spread["within_method"] for spread in self.spreads)
        is_met = self.links is not None and bool(self.links.regions["comparable_with"].any())
        links = self.links and self.links.sentence
        return note("regions", "outcome", links=links, methods=methods, is_met=is_met)

    @property
    def spreads(self) -> list[dict[str, Any]]:
        """HETEROGENEITY_COLUMNS of the parts with a within-batch answer; p_value: the smallest of its regions."""
        smallest = [self.table.loc[list(part.regions), "p_family"].min() for part in self.parts]
        return [
            {"outcome": self.name, **part.heterogeneity, "p_value": p}
            for part, p in zip(self.parts, smallest, strict=True)
            if part.regions
        ]


def region_comparison(frame: pd.DataFrame, ask: Callable[..., Callable[[], Any]] = partial) -> RegionComparison:
    """Regions over all seasons of the frame (tank_outcomes columns with region).

    raw_pct: survivors over eggs. adjusted_*: mixed model with batch a crossed random intercept, so the
    interval carries the number of batches; difference: against the tanks of the other regions it can be
    compared with. within_batch_*: between tanks of the same batch, so that a region served by poor batches season
    after season is not blamed for them. A region is said to differ by the within-batch answer alone, adjusted over
    the regions of the outcome and then over the outcomes, hatch being a question of its own: many tanks report it
    and fall silent later. A region that never shared a batch has neither answer, and a note. ask: has an outcome
    worked out, perhaps by another process; what it returns gives the answer.
    """
    rows = prepare(frame)
    rows["region"] = rows["region"].astype(str).replace("", NOT_RECORDED)
    present = [name for name in OUTCOMES if (rows["outcome"] == name).any()]
    if not present:
        raise NothingToAnalyse("no tank-season has an outcome, so regions cannot be compared")
    answers = [ask(_outcome, rows[rows["outcome"] == name], name) for name in present]
    found = [_decided(one) for one in _over_outcomes([answer() for answer in answers])]
    batches, of_batches = _batches(found)
    graphs = [one.links.edges.assign(outcome=one.name) for one in found if one.links is not None]
    return RegionComparison(
        rows=pd.concat([one.table for one in found], ignore_index=True)[REGION_COLUMNS],
        heterogeneity=pd.DataFrame([row for one in found for row in one.spreads], columns=HETEROGENEITY_COLUMNS),
        graph=pd.concat(graphs or [pd.DataFrame(columns=[*GRAPH_COLUMNS, "outcome"])], ignore_index=True),
        batches=batches,
        sentences={one.name: one.sentence for one in found},
        claims=(*(claim for one in found for claim in _claims(one)), *of_batches),
    )


def low_regions(frame: pd.DataFrame) -> list[Claim]:
    """Claims of `region_comparison` on the regions that are clearly below the others, one a region: over the whole
    stay, or at hatch where that does not say so. All outcomes are asked only where either shows one by itself.
    """

    def low(rows: pd.DataFrame) -> list[Claim]:
        claimed = (one for one in region_comparison(rows).claims if one.is_claimed and one.estimate < 0.0)
        return [one for one in claimed if one.kind is ClaimKind.REGION_DIFFERS and one.outcome in _WITH_BATCHES]

    alone = (frame[frame["outcome"] == name] for name in reversed(_WITH_BATCHES))
    found = low(frame) if any(len(rows) and low(rows) for rows in alone) else []
    return list({one.subject: one for one in found}.values())


def _outcome(given: pd.DataFrame, name: str) -> _Outcome:
    """Counts and estimates of one outcome's regions, with p values adjusted over all of them."""
    used = given[given["is_used"]].reset_index(drop=True)
    table = given.groupby("region", sort=True).agg(
        tanks=("tank_id", "size"), tanks_usable=("is_used", "sum"), sites=("site_id", "nunique")
    )
    table = table.join(survival_bounds(given))
    if used.empty:
        return _Outcome(name, table.reindex(columns=[*table, *PART_COLUMNS, "p_family"]))
    links = region_links(used, given)
    parts = [fit_part(given[given["region"].isin(members)]) for members in links.part_members()]
    counted = level_counts(used, used["region"]).set_index("level").drop(columns="tanks")
    linked = links.regions.set_index("region")[["batches_shared", "comparable_with", "went_elsewhere", "part"]]
    estimates = pd.concat([part.table for part in parts] or [blank_table([])])
    sites_usable = used.groupby("region")["site_id"].nunique().rename("sites_usable")
    table = table.join(counted).join(linked).join(estimates).join(sites_usable)
    regions = [region for part in parts for region in part.regions]
    blocks = [part.correlation for part in parts if part.correlation is not None]
    families = {"p_family": "within_batch_p_value", "p_without_one_tank": "p_without_one_tank"}
    for adjusted, plain in families.items():
        p_values = table.loc[regions, plain].to_numpy(dtype=float)
        family = single_step(p_values, block_diag(*blocks)) if blocks else np.empty(0)
        table[adjusted] = pd.Series(family, index=regions, dtype=float).reindex(table.index)
    return _Outcome(name, table.assign(comparisons=len(regions)), tuple(parts), links, used[_OF_BATCHES])


def survival_bounds(given: pd.DataFrame) -> pd.DataFrame:
    """By region (0–100): reporting_pct, and survival if every egg of the tanks without a usable count died
    (bound_low_pct), and if all lived that were not counted dead (bound_high_pct). given: rows of one outcome.

    Without the eggs of silent tanks there are no bounds: after hatch these would be the hatched, seldom known.
    """
    is_used, left = given["is_used"], given["eggs"] - counted_dead(given).fillna(0.0)
    columns = {
        "usable": is_used, "tanks": 1, "eggs": given["eggs"], "unknown": given["eggs"].isna(),
        "alive": given["survivors"].where(is_used, 0.0), "elsewhere": left.clip(lower=0.0).where(~is_used, 0.0),
    }  # fmt: skip
    sums = pd.DataFrame(columns).groupby(given["region"], sort=True).sum()
    eggs = sums["eggs"].where((sums["unknown"] == 0) & (sums["eggs"] > 0))
    shares = {
        "reporting_pct": sums["usable"] / sums["tanks"],
        "bound_low_pct": sums["alive"] / eggs,
        "bound_high_pct": (sums["alive"] + sums["elsewhere"]) / eggs,
    }
    return 100.0 * pd.DataFrame(shares)


def _over_outcomes(found: list[_Outcome]) -> list[_Outcome]:
    """The outcomes with p values adjusted over all of them."""
    for name in ("p_family", WITHOUT_ONE[0]):
        p_values = pd.DataFrame({one.name: one.table[name].astype(float) for one in found})
        p_values[:] = over_outcomes(p_values.T).T
        found = [replace(one, table=one.table.assign(**{name: p_values[one.name]})) for one in found]
    return found


def _decided(one: _Outcome) -> _Outcome:
    """The outcome with decisions and notes in its table."""
    columns = dict.fromkeys([*one.table, *REGION_COLUMNS[1:], "refused", "went_elsewhere", "part"])
    table = one.table.reindex(columns=list(columns)).rename_axis(None)
    table[COUNTS] = table[COUNTS].astype(float).fillna(0).astype(int)
    table["comparable_with"] = table["comparable_with"].astype(object).where(table["comparable_with"].notna(), "")
    table["separable"] = table["comparable_with"] != ""
    rows = table.assign(outcome=one.name, region=table.index)
    reasons = [_reason(row, len(rows)) for row in rows.to_dict("records")]
    rows = rows.assign(reason=[str(one) for one in reasons], decision=[str(one.decision) for one in reasons])
    apart = (rows["within_batch_points"] - rows["difference_points"]).abs() >= POINTS_APART
    records = zip(rows.to_dict("records"), apart, strict=True)
    notes = [note("regions", "region", row=row, apart=is_apart) for row, is_apart in records]
    return replace(one, table=rows.assign(note=notes))


def _reason(row: Mapping[Any, Any], regions: int) -> Reason:
    """Why one of so many regions is, or is not, said to differ."""
    if not row["tanks_usable"]:
        return Reason.TOO_FEW_COUNTED
    if regions == 1:
        return Reason.ONE_LEVEL
    if not row["separable"]:
        return Reason.TOO_FEW_COUNTED if row["went_elsewhere"] is True else Reason.NEVER_SHARE_BATCH
    if isinstance(row["refused"], str) and row["refused"]:
        return Reason(row["refused"])
    if row["sites_usable"] == 1:
        return Reason.TOO_FEW_SITES
    disagrees = row["difference_points"] * row["within_batch_points"] < 0.0
    return reason_beside(row["p_family"], row["p_without_one_tank"], disagrees, row["silence_undoes"])


def _batches(found: list[_Outcome]) -> tuple[pd.DataFrame, list[Claim]]:
    """How each batch did over the whole stay, with its claims; and what batches are of regions' shortfalls."""
    whole, claims = pd.DataFrame(columns=BATCH_COLUMNS), []
    for one in found:
        if one.name in _WITH_BATCHES and one.links is not None:
            batches = batch_table(one.used, pd.concat([part.batches for part in one.parts] or [pd.DataFrame()]))
            claims += shortfall_claims(one.table, batches, one.used)
            if one.name == MAIN_OUTCOME:
                whole, claims = batches, claims + batch_claims(batches)
    return whole, claims


def _claims(one: _Outcome) -> list[Claim]:
    """One of every region, and one that regions differ: where a region does, so that the two never contradict."""
    table = one.table.assign(level=[", ".join(_opposed(row, one.table)) for row in one.table.to_dict("records")])
    found = claims_from(table, _STATED, kind=ClaimKind.REGION_DIFFERS, unit="points", section=_SECTION)
    decided = table[table["decision"] != "cannot_tell"].sort_values("p_family", kind="stable")
    differ = partial(Claim, ClaimKind.REGIONS_DIFFER, "region", outcome=one.name, section=_SECTION)
    if decided.empty:
        return [*found, differ(_why_untold(table))]
    first, is_clear = decided.iloc[0], (decided["reason"] == Reason.CLEAR).any()
    reason = Reason.CLEAR if is_clear else Reason(first["reason"])
    widest = max(one.spreads, key=lambda part: part["regions"])
    spread, p = float(widest["tau_points"] if is_clear else np.nan), float(first["p_family"])
    number = int(first["comparisons"])
    return [*found, differ(reason, estimate=spread, unit="points", p_value=p, p_family=p, comparisons=number)]


def _opposed(row: Mapping[Any, Any], table: pd.DataFrame) -> list[str]:
    """Regions among those a claimed one is compared with that are claimed to differ the other way."""
    clear = table[(table["decision"] == "claimed") & (table["part"] == row["part"])]
    is_opposed = (clear["within_batch_points"] * row["within_batch_points"] < 0.0) & (row["decision"] == "claimed")
    return [str(name) for name in clear.loc[is_opposed, "region"]]


def _why_untold(table: pd.DataFrame) -> Reason:
    """Why nothing is told of regions at all."""
    if len(table) == 1:
        return Reason.ONE_LEVEL
    counted = table[table["tanks_usable"] > 0].sort_values("separable", ascending=False, kind="stable")
    return Reason.TOO_FEW_COUNTED if len(counted) < 2 else Reason(counted["reason"].iloc[0])


def batch_table(used: pd.DataFrame, estimates: pd.DataFrame) -> pd.DataFrame:
    """BATCH_COLUMNS, one row per batch with a usable tank; by_region: its raw survival by region, in words."""
    estimates = estimates.reindex(columns=BATCH_ESTIMATES)
    counted = used.groupby("batch_id", sort=True).agg(
        season=("season", "first"), tanks=("eggs", "size"), regions=("region", "nunique"), eggs=("eggs", "sum"),
        survivors=("survivors", "sum"),
    )  # fmt: skip
    table = counted.assign(raw_pct=100.0 * counted["survivors"] / counted["eggs"]).join(estimates)
    table["left_out"] = table["left_out"].astype(object).where(table["left_out"].notna(), "")
    groups = used.groupby(["batch_id", "region"], sort=True)
    went = groups[["eggs", "survivors"]].sum().assign(tanks=groups.size().astype(str)).reset_index()
    pct = (100.0 * went["survivors"] / went["eggs"]).map(" {:.0f} % of ".format)
    went["words"] = went["region"] + pct + went["tanks"]
    table["by_region"] = went.groupby("batch_id")["words"].agg("; ".join)
    table["p_family"] = holm(table["p_value"].to_numpy(dtype=float))
    table["comparisons"] = int(table["p_value"].notna().sum())
    reasons = [Reason.NEVER_SHARE_BATCH if np.isnan(p) else clear_or_not(p) for p in table["p_family"]]
    table["reason"] = [str(reason) for reason in reasons]
    table["decision"] = [str(reason.decision) for reason in reasons]
    return table.reset_index()[BATCH_COLUMNS]


def batch_claims(batches: pd.DataFrame) -> list[Claim]:
    """One claim per batch: whether it did otherwise than the typical others over the whole stay, regions allowed
    for; level: the others that stand apart themselves and were left out."""
    ends = {"low": "difference_low", "high": "difference_high"}
    names = {"subject": "batch_id", "level": "left_out", "estimate": "difference_points", **ends}
    stated = batches.assign(section=np.where(batches["decision"] == "claimed", "batches", ""))
    return claims_from(stated, names, kind=ClaimKind.BATCH_DIFFERS, unit="points", outcome=MAIN_OUTCOME)


def shortfall_claims(regions: pd.DataFrame, batches: pd.DataFrame, used: pd.DataFrame) -> list[Claim]:
    """One claim per region whose raw survival lies below that of the regions it can be compared with: what part of
    it its batches are.

    estimate: the raw difference (observed) less that within batches, with the latter's interval turned round;
    level: batches that went to the region more than elsewhere and did poorly in the others too. Claimed where the
    interval lies below zero and the estimate is half of the shortfall or more; never where regions and batches
    cannot be told apart, of which the page speaks over the whole stay alone.
    """
    raw = pd.Series([_below_others(row, regions) for row in regions.to_dict("records")], regions.index)
    part, low, high = (raw - regions[f"within_batch_points{end}"] for end in ("", "_high", "_low"))
    is_worth_it = (raw <= -WORTH_SAYING_POINTS) | ((high < 0.0) & (part <= -WORTH_SAYING_POINTS))
    is_mostly = (high < 0.0) & (part <= MOSTLY * raw)
    reason = np.where(is_mostly, Reason.CLEAR, Reason.NOT_CLEAR)
    reason = np.where(regions["decision"] == "cannot_tell", regions["reason"], reason)
    stated = regions[["region", "outcome", "decision"]].assign(
        observed=raw, estimate=part, low=low, high=high, reason=reason
    )
    stated = stated[(raw < 0.0) & is_worth_it]
    stated["section"] = np.where(
        (stated["outcome"] == HATCH) & (stated["decision"] == "cannot_tell"), "", _SECTION
    )
    stated["level"] = [
        ", ".join(_poor_batches(row["region"], batches, used)) if row["reason"] == Reason.CLEAR else ""
        for row in stated.to_dict("records")
    ]
    return claims_from(stated, {"subject": "region"}, kind=ClaimKind.REGION_BATCHES, unit="points")


def _below_others(row: Mapping[Any, Any], regions: pd.DataFrame) -> float:
    """Raw survival of a region less that of those it is compared with, or of all others where it is with none,
    weighted by tanks; nan where there are none."""
    others = regions[(regions["tanks_usable"] > 0) & (regions["region"] != row["region"])]
    others = others[others["part"] == row["part"]] if row["comparable_with"] else others
    if others.empty or not row["tanks_usable"]:
        return float("nan")
    return float(row["raw_pct"] - np.average(others["raw_pct"].astype(float), weights=others["tanks_usable"]))


def _poor_batches(region: str, batches: pd.DataFrame, used: pd.DataFrame) -> list[str]:
    """Batches clearly below the others that the region got more of than the rest, and that did poorly there."""
    is_own = used["region"] == region
    here, there = (used.loc[rows, "batch_id"].value_counts(normalize=True) for rows in (is_own, ~is_own))
    sums = used[~is_own].groupby("batch_id")[["survivors", "eggs"]].sum()
    share, mean = sums["survivors"] / sums["eggs"], sums["survivors"].sum() / sums["eggs"].sum()
    poor = batches[(batches["decision"] == "claimed") & (batches["difference_points"] < 0.0)]["batch_id"]
    return [str(one) for one in poor if one in there and here.get(one, 0.0) > there[one] and share[one] < mean]
