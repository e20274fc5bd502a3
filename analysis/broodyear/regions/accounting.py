"""Who reported, and what the silent tanks could change."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from broodyear.survival.tank_frame import MAIN_OUTCOME, NOT_RECORDED, dead_believed, prepare

BOUND_COLUMNS = [
    "outcome", "tanks", "tanks_usable", "reporting_pct", "eggs", "eggs_usable", "observed_pct",
    "bound_low_pct", "bound_high_pct", "sentence",
]  # fmt: skip
#: What is counted of every group.
COUNTED = {
    "tanks": ("tank_id", "size"), "tanks_usable": ("is_used", "sum"), "eggs": ("eggs", "sum"),
    "eggs_usable": ("eggs_usable", "sum"),
}  # fmt: skip


def survival_bounds(frame: pd.DataFrame, by: Sequence[str] = ("season",)) -> pd.DataFrame:
    """Survival if every egg of the tanks without a usable count died, and if all lived that were not counted dead.

    Returns `by` and BOUND_COLUMNS, one row per group and outcome. observed_pct: survivors over eggs of the
    tanks that reported. Dead are those of dead_egg, late_picks, dead_alevin and dead_fry, where the frame has them
    and they do not look like running totals. Eggs of silent tanks are needed for the bounds: they are missing for
    hatch_to_release, whose eggs are the hatched, where a silent tank's are not known.
    """
    rows = _named(prepare(frame).rows, by)
    rows["alive"] = rows["survivors"].where(rows["is_used"], 0.0)
    rows["elsewhere"] = (rows["eggs"] - _counted_dead(rows)).clip(lower=0.0).where(~rows["is_used"], 0.0)
    rows["unknown"] = rows["eggs"].isna()
    more = {name: (name, "sum") for name in ("alive", "elsewhere", "unknown")}
    table = rows.groupby([*by, "outcome"], sort=True, dropna=False).agg(**COUNTED, **more).reset_index()
    eggs = table["eggs"].where((table["unknown"] == 0) & (table["eggs"] > 0))
    table["reporting_pct"] = 100.0 * table["tanks_usable"] / table["tanks"]
    table["observed_pct"] = 100.0 * table["alive"] / table["eggs_usable"].where(table["eggs_usable"] > 0)
    table["bound_low_pct"] = 100.0 * table["alive"] / eggs
    table["bound_high_pct"] = 100.0 * (table["alive"] + table["elsewhere"]) / eggs
    table["sentence"] = [_sentence(row) for row in table.to_dict("records")]
    return table[[*by, *BOUND_COLUMNS]]


def _named(rows: pd.DataFrame, by: Sequence[str]) -> pd.DataFrame:
    """Rows with blanks of the columns they are grouped by said, and the eggs of usable tanks."""
    names = {name: rows[name].astype(object).where(rows[name].notna(), NOT_RECORDED) for name in by}
    return rows.assign(eggs_usable=rows["eggs"].where(rows["is_used"], 0.0), **names)


def _counted_dead(rows: pd.DataFrame) -> pd.Series:
    """Dead counted in the tank that can be of those the outcome starts from: none but eggs are, up to hatch."""
    columns = [name for name in ("late_picks", "dead_alevin", "dead_fry") if name in rows]
    later = rows[columns].apply(pd.to_numeric, errors="coerce").fillna(0.0).sum(axis=1)
    eggs = pd.to_numeric(rows["dead_egg"], errors="coerce").fillna(0.0) if "dead_egg" in rows else 0.0
    dead: pd.Series = eggs + later.where(rows["outcome"] != "hatch", 0.0)
    counted: pd.Series = dead.where(dead_believed(rows), 0.0)
    return counted


def _sentence(row: Mapping[Any, Any]) -> str:
    silent = int(row["tanks"] - row["tanks_usable"])
    if silent == 0:
        return "every tank reported a usable count"
    who = f"{silent} of {row['tanks']} tanks gave no usable count"
    if pd.isna(row["bound_low_pct"]):
        return f"{who}, and their eggs are not all known, so no bounds can be given"
    if row["tanks_usable"] == 0:
        return f"{who}: nothing is known about survival here"
    return (
        f"{who}: {row['observed_pct']:.1f} % in those that did; between {row['bound_low_pct']:.1f} % (all"
        f" others died) and {row['bound_high_pct']:.1f} % (all others"
        " lived that were not counted dead)"
    )


def accounting(frame: pd.DataFrame, by: Sequence[str] = ("season", "region", "batch_id")) -> pd.DataFrame:
    """Tanks and eggs with and without a usable count, by group, for delivered_to_release: `by`, tanks,
    tanks_usable, eggs, eggs_usable, reasons (why the others are not usable, most frequent first)."""
    rows = prepare(frame).rows
    outcome = MAIN_OUTCOME if (rows["outcome"] == MAIN_OUTCOME).any() else str(rows["outcome"].iloc[0])
    rows = _named(rows[rows["outcome"] == outcome], by)
    groups = rows.astype(dict.fromkeys(by, str)).groupby(list(by), sort=True)
    table = groups.agg(**COUNTED)
    table["reasons"] = groups["why_left_out"].apply(
        lambda why: "; ".join(f"{number} {reason}" for reason, number in why[why != ""].value_counts().items())
    )
    return table.reset_index()
