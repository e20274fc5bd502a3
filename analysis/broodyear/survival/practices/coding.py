"""Factors over the rows of a model: sparse levels merged, what was not recorded kept as a level of its own."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from broodyear.claims import Reason
from broodyear.survival.arrays import BoolArray, FloatArray, IntArray
from broodyear.survival.separability import Separability, separability
from broodyear.survival.tank_frame import NOT_RECORDED

#: A level with fewer tanks is merged with other sparse ones; with fewer batches it is in the model, not compared.
FEWEST_TANKS = 5
FEWEST_BATCHES = 2
MERGED = "other (few tanks)"
#: Code of rows whose level too few share to have an effect of its own: they are taken at the mean of the others.
UNKNOWN = -1

COUNT_COLUMNS = ["level", "tanks", "batches", "seasons", "eggs", "raw_pct"]


@dataclass(frozen=True, eq=False)
class Factor:
    """One factor over the rows of a model.

    levels: the reference first; codes: place of each row's level, or UNKNOWN; compared: levels that may be
    compared, reference included; refused: level -> why it may not; counts: COUNT_COLUMNS, one row per level as
    recorded, in alphabetical order; blank: rows where it was not recorded.
    """

    name: str
    levels: tuple[str, ...]
    codes: IntArray
    compared: tuple[str, ...]
    refused: dict[str, Reason]
    counts: pd.DataFrame
    blank: int
    batches: Separability | None

    @property
    def reference(self) -> str:
        """The level that the others are compared with; blank when none can be."""
        return self.compared[0] if self.compared else ""

    @cached_property
    def dummies(self) -> FloatArray:
        """One row per level (the reference's is zero), one column per level but the reference."""
        return np.eye(len(self.levels))[:, 1:]

    @cached_property
    def columns(self) -> FloatArray:
        """Columns of the design, shape (rows, levels − 1); unknown rows at the mean of the others."""
        known = self.codes != UNKNOWN
        columns = self.dummies[np.where(known, self.codes, 0)]
        columns[~known] = columns[known].mean(axis=0) if known.any() else 0.0
        return columns

    def size_of(self, level: str) -> tuple[int, int]:
        """Tanks and batches of a level as recorded."""
        row = self.counts[self.counts["level"] == level]
        return int(row["tanks"].sum()), int(row["batches"].sum())

    @property
    def is_comparable(self) -> bool:
        """Whether there are two levels to compare."""
        return len(self.compared) > 1

    def shares_batches(self, level: str) -> bool:
        """Whether a level and the reference occur in the same batches, directly or through other levels."""
        return self.batches is None or self.batches.same_part(level, self.reference)


def level_counts(rows: pd.DataFrame, values: pd.Series) -> pd.DataFrame:
    """COUNT_COLUMNS per level recorded; raw_pct is survivors over eggs."""
    known = rows.assign(level=values)[values.notna()]
    groups = known.assign(level=known["level"].astype(str)).groupby("level", sort=True)
    table = groups.agg(
        tanks=("eggs", "size"),
        batches=("batch_id", "nunique"),
        seasons=("season", "nunique"),
        eggs=("eggs", "sum"),
        survivors=("survivors", "sum"),
    ).reset_index()
    table["raw_pct"] = 100.0 * table["survivors"] / table["eggs"]
    return table[COUNT_COLUMNS]


def separated_rows(rows: pd.DataFrame, values: pd.Series) -> BoolArray:
    """Rows of levels in which every fish lived or every fish died: a coefficient of theirs has no end."""
    level = values.astype(object).where(values.notna(), NOT_RECORDED).astype(str)
    sums = rows.groupby(level)[["survivors", "eggs"]].transform("sum")
    many = level.map(level.value_counts()) >= FEWEST_TANKS
    none_or_all = (sums["survivors"] == 0) | (sums["survivors"] == sums["eggs"])
    return np.asarray(none_or_all & many & (level.nunique() > 1), dtype=bool)


def code_factor(
    rows: pd.DataFrame,
    name: str,
    values: pd.Series,
    counts: pd.DataFrame,
    *,
    reference: str = "",
    fewest_batches: int = FEWEST_BATCHES,
) -> Factor:
    """Code a factor's values (None: not recorded) over the rows of a model.

    counts: `level_counts` before rows were left out, so that levels that are gone are accounted for.
    """
    level = values.astype(object).where(values.notna(), NOT_RECORDED).astype(str)
    tanks = level.value_counts()
    refused = _refused(counts, tanks, fewest_batches)
    sparse = [one for one in tanks.index if one != NOT_RECORDED and tanks[one] < FEWEST_TANKS]
    coded = level.where(~level.isin(sparse), MERGED)
    few_aside = [one for one in (NOT_RECORDED, MERGED) if 0 < (coded == one).sum() < FEWEST_TANKS]
    known = [one for one in tanks.index if one not in (NOT_RECORDED, *sparse)]
    batches = separability(rows.assign(**{name: level}), name, "batch_id") if len(rows) else None
    compared = _compared([one for one in known if one not in refused], tanks, batches, reference)
    aside = [one for one in (NOT_RECORDED, MERGED) if (coded == one).any() and one not in few_aside]
    first = compared or sorted(known)[:1]
    levels = (*first, *sorted(set(known) - set(first)), *aside)
    codes = coded.map({one: place for place, one in enumerate(levels)}).fillna(UNKNOWN).to_numpy(dtype=np.int64)
    return Factor(
        name, tuple(levels), codes, tuple(compared), refused, counts, int(tanks.get(NOT_RECORDED, 0)), batches
    )


def _refused(counts: pd.DataFrame, tanks: pd.Series, fewest_batches: int) -> dict[str, Reason]:
    found = {}
    for row in counts.to_dict("records"):
        level = str(row["level"])
        if row["tanks"] < FEWEST_TANKS:
            found[level] = Reason.TOO_FEW_TANKS
        elif row["batches"] < fewest_batches:
            found[level] = Reason.TOO_FEW_BATCHES
        elif level not in tanks.index:
            found[level] = Reason.SEPARATED
        elif tanks[level] < FEWEST_TANKS:
            found[level] = Reason.TOO_FEW_TANKS
    if len(counts) == 1 and not found:
        found[str(counts["level"].iloc[0])] = Reason.ONE_LEVEL
    return found


def _compared(open_levels: list[str], tanks: pd.Series, batches: Separability | None, reference: str) -> list[str]:
    """The levels to compare, the reference first: the one named, or the one with most tanks."""
    if not open_levels:
        return []
    main = [one for one in open_levels if batches is None or batches.part_of(one) == 1] or open_levels
    most = sorted(main, key=lambda one: (-int(tanks[one]), one))[0]
    chosen = reference if reference in main else most
    return [chosen, *sorted(set(open_levels) - {chosen})]
