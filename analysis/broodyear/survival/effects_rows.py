"""Which tank-seasons an effects table may use, and how its factors are coded."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from broodyear.errors import UsageError
from broodyear.survival.separability import separability

OUTCOMES = ("hatch", "hatch_to_release", "delivered_to_release")
FACTORS = ("gravel_practice", "room_type")
TEMPERATURE = "mean_water_temp_c"
USUAL_REFERENCES = {"gravel_practice": "bare", "room_type": "classroom"}
FEWEST_TANKS = 5  # a level with fewer tank-seasons is merged or left out, never estimated
MERGED_LEVEL = "other"
NEEDED = (
    "season", "tank_id", "site_id", "batch_id", "species", *FACTORS, TEMPERATURE,
    "outcome", "eggs", "survivors", "usable",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class OutcomeRows:
    """The rows of one outcome that a model may use.

    frame: usable rows, sparse levels merged or taken out. given: rows of the outcome. left_out: reason -> rows.
    counts: tanks and batches of every level as recorded: factor, level, tanks, batches.
    refused: (factor, level) -> the sentence why it has no estimate. notes: what was merged.
    """

    outcome: str
    frame: pd.DataFrame
    given: int
    left_out: dict[str, int]
    counts: pd.DataFrame
    refused: dict[tuple[str, str], str]
    notes: tuple[str, ...]


def outcomes_in(frame: pd.DataFrame) -> tuple[str, ...]:
    """Outcomes present, in the order of a tank's life. Raises UsageError when a column is missing."""
    absent = [name for name in NEEDED if name not in frame.columns]
    if absent:
        raise UsageError(f"The tank-season frame lacks the columns {', '.join(absent)}.")
    present = set(frame["outcome"].dropna())
    return tuple(outcome for outcome in OUTCOMES if outcome in present)


def outcome_rows(frame: pd.DataFrame, outcome: str) -> OutcomeRows:
    """Usable rows of one outcome with sparse, separated and unconnected levels settled."""
    rows = frame[frame["outcome"] == outcome]
    kept, left_out = _usable(rows)
    counts = level_counts(kept)
    refused: dict[tuple[str, str], str] = {}
    notes: list[str] = []
    for factor in (*FACTORS, "species"):
        kept = _settle_sparse(kept, factor, left_out, refused, notes)
    kept = _settle_unconnected(kept, left_out, refused)
    for factor in FACTORS:
        kept = _settle_separated(kept, factor, left_out, refused)
    kept = kept.assign(tank_season=kept["season"].astype(str) + "/" + kept["tank_id"].astype(str))
    return OutcomeRows(outcome, kept.reset_index(drop=True), len(rows), left_out, counts, refused, tuple(notes))


def _usable(rows: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, int]]:
    left_out: dict[str, int] = {}
    usable = rows["usable"].fillna(False).astype(bool) & rows["survivors"].notna()
    why = rows["why_unusable"] if "why_unusable" in rows else pd.Series("not usable", index=rows.index)
    for reason, count in why[~usable].fillna("not usable").value_counts(sort=True).items():
        left_out[str(reason)] = int(count)
    kept = rows[usable]
    empty = ~(kept["eggs"].fillna(0) > 0)
    if empty.any():
        left_out["no eggs"] = int(empty.sum())
    kept = kept[~empty]
    for name in ("site_id", "batch_id", "species", *FACTORS):
        absent = kept[name].isna()
        if absent.any():
            left_out[f"missing {name}"] = int(absent.sum())
            kept = kept[~absent]
    return kept.copy(), left_out


def level_counts(frame: pd.DataFrame) -> pd.DataFrame:
    """Tanks (tank-seasons) and batches at every level of every factor: factor, level, tanks, batches."""
    parts = []
    for factor in FACTORS:
        grouped = frame.groupby(factor, observed=True)["batch_id"]
        table = pd.DataFrame({"tanks": grouped.size(), "batches": grouped.nunique()})
        parts.append(table.rename_axis("level").reset_index().assign(factor=factor))
    return pd.concat(parts, ignore_index=True)


def _settle_sparse(
    kept: pd.DataFrame,
    factor: str,
    left_out: dict[str, int],
    refused: dict[tuple[str, str], str],
    notes: list[str],
) -> pd.DataFrame:
    """Levels with fewer than 5 tanks go into `other` together; left out when even that stays under 5."""
    counts = kept[factor].astype(str).value_counts()
    sparse = sorted(counts.index[counts < FEWEST_TANKS])
    if not sparse:
        return kept
    merged = int(counts[sparse].sum()) + (int(counts.get(MERGED_LEVEL, 0)) if MERGED_LEVEL not in sparse else 0)
    together = merged >= FEWEST_TANKS
    for level in sparse:
        tail = f"counted under {MERGED_LEVEL}" if together else "left out of the model"
        if level != MERGED_LEVEL or not together:
            refused[factor, level] = f"too few tanks to say ({counts[level]}, fewer than {FEWEST_TANKS}); {tail}"
    is_sparse = kept[factor].astype(str).isin(sparse)
    if together:
        named = ", ".join(sparse)
        notes.append(f"{factor}: {named} merged into {MERGED_LEVEL} (fewer than {FEWEST_TANKS} tanks each)")
        return kept.assign(**{factor: kept[factor].astype(str).where(~is_sparse, MERGED_LEVEL)})
    left_out[f"{factor} with fewer than {FEWEST_TANKS} tanks ({', '.join(sparse)})"] = int(is_sparse.sum())
    return kept[~is_sparse].copy()


def _settle_unconnected(
    kept: pd.DataFrame, left_out: dict[str, int], refused: dict[tuple[str, str], str]
) -> pd.DataFrame:
    """Keep the connected part of practice × room type that holds most tanks."""
    first, second = FACTORS
    if kept.empty or kept[first].nunique() < 2 or kept[second].nunique() < 2:
        return kept
    found = separability(kept, first, second)
    if found.is_separable:
        return kept
    for factor, other in ((first, second), (second, first)):
        table = separability(kept, factor, other).levels
        for level in table.loc[table["part"] > 1, "level"]:
            refused[factor, str(level)] = (
                f"not separable from {other}: never in a {other} shared, directly or through others, with the rest"
            )
    main = found.levels.loc[found.levels["part"] == 1, "level"]
    apart = ~kept[first].isin(main)
    left_out[f"{first} not separable from {second}"] = int(apart.sum())
    return kept[~apart].copy()


def _settle_separated(
    kept: pd.DataFrame, factor: str, left_out: dict[str, int], refused: dict[tuple[str, str], str]
) -> pd.DataFrame:
    """Take out levels in which every egg died, or every egg lived: they have no finite estimate."""
    for level, part in list(kept.groupby(kept[factor].astype(str))):
        alive, eggs = part["survivors"].sum(), part["eggs"].sum()
        if 0 < alive < eggs:
            continue
        fate = "lived" if alive else "died"
        refused[factor, str(level)] = (
            f"no finite estimate: every egg {fate} in all {len(part)} tanks; left out of the model"
        )
        left_out[f"{factor} {level}, where every egg {fate}"] = len(part)
        kept = kept[kept[factor].astype(str) != level].copy()
    return kept


def reference_level(frame: pd.DataFrame, factor: str) -> str:
    """The usual reference when it has 5 tanks or more, else the level with most tanks; "" without rows."""
    counts = frame[factor].astype(str).value_counts()
    if counts.empty:
        return ""
    usual = USUAL_REFERENCES.get(factor, "")
    if counts.get(usual, 0) >= FEWEST_TANKS:
        return usual
    return str(sorted(counts.index, key=lambda level: (-counts[level], level))[0])


def with_references(frame: pd.DataFrame, factors: Sequence[str]) -> pd.DataFrame:
    """Factors as categoricals whose first level is the reference."""
    coded = frame.copy()
    for factor in factors:
        values = coded[factor].astype(str)
        base = reference_level(coded, factor)
        order = [base, *sorted(set(values) - {base})] if len(values) else []
        coded[factor] = pd.Categorical(values, categories=order)
    return coded


__all__ = [
    "FACTORS", "FEWEST_TANKS", "OUTCOMES", "TEMPERATURE", "OutcomeRows", "level_counts",
    "outcome_rows", "outcomes_in", "reference_level", "with_references",
]  # fmt: skip
