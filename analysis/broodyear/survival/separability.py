"""Which levels of a factor can be compared at all: who ever shared a batch, or a room type, with whom.

Levels and groups are the two sides of a graph; every row joins its level to its group. Two levels in
different connected parts of that graph are never compared under like conditions, directly or through
others, so their difference cannot be told apart from the difference between groups (Weeks & Williams 1964,
doi 10.1080/00401706.1964.10490188, on connectedness of designs).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import NothingToAnalyse, UsageError
from broodyear.survival.arrays import IntArray


@dataclass(frozen=True, eq=False)
class Separability:
    """Connectedness of one factor through one grouping.

    levels: one row per level: level, part (1 is the part with most rows), rows, groups, shared_groups
    (groups that also hold another level). is_separable: all levels are in one part. sentence: the finding.
    """

    factor: str
    group: str
    levels: pd.DataFrame
    is_separable: bool
    sentence: str

    def same_part(self, first: Any, second: Any) -> bool:
        """Whether two levels can be compared within this grouping."""
        parts = dict(zip(self.levels["level"], self.levels["part"], strict=True))
        return bool(parts[first] == parts[second])


def separability(frame: pd.DataFrame, factor: str, group: str) -> Separability:
    """Connected parts of the graph of factor levels and group levels; rows missing either are ignored.

    >>> import pandas as pd
    >>> tanks = pd.DataFrame({"gravel": ["bare", "bare", "stones"], "batch": ["B1", "B2", "B3"]})
    >>> separability(tanks, "gravel", "batch").sentence
    'gravel cannot be separated from batch: stones never shares a batch with bare.'
    """
    for name in (factor, group):
        if name not in frame.columns:
            raise UsageError(f"The frame has no column {name!r}; its columns are {', '.join(frame.columns)}.")
    rows = frame[[factor, group]].dropna()
    if rows.empty:
        raise NothingToAnalyse(f"No row has both {factor} and {group}, so nothing can be compared.")
    level_codes, levels = pd.factorize(rows[factor].astype(object), sort=True)
    group_codes, groups = pd.factorize(rows[group].astype(object), sort=True)
    parts = connected_parts(level_codes.astype(np.int64), group_codes.astype(np.int64), len(levels), len(groups))
    table = _level_table(level_codes, group_codes, list(levels), parts)
    return Separability(
        factor=factor,
        group=group,
        levels=table,
        is_separable=bool(table["part"].nunique() == 1),
        sentence=_sentence(factor, group, table),
    )


def connected_parts(level_codes: IntArray, group_codes: IntArray, levels: int, groups: int) -> IntArray:
    """Connected part of each level, numbered from 1 by falling number of rows."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    size = levels + groups
    graph = coo_array((np.ones(len(level_codes)), (level_codes, levels + group_codes)), shape=(size, size))
    _, labels = connected_components(graph, directed=False)
    weight = np.bincount(labels[level_codes], minlength=int(labels.max()) + 1)
    rank = np.empty(len(weight), dtype=np.int64)
    rank[np.argsort(-weight, kind="stable")] = np.arange(1, len(weight) + 1)
    return np.asarray(rank[labels[:levels]], dtype=np.int64)


def _level_table(level_codes: IntArray, group_codes: IntArray, levels: list[Any], parts: IntArray) -> pd.DataFrame:
    pairs = pd.DataFrame({"level": level_codes, "group": group_codes})
    distinct = pairs.drop_duplicates()
    sharing = distinct.groupby("group")["level"].transform("size") > 1
    return pd.DataFrame(
        {
            "level": levels,
            "part": parts,
            "rows": np.bincount(level_codes, minlength=len(levels)),
            "groups": np.bincount(distinct["level"], minlength=len(levels)),
            "shared_groups": np.bincount(distinct.loc[sharing, "level"], minlength=len(levels)),
        }
    )


def _sentence(factor: str, group: str, table: pd.DataFrame) -> str:
    main = [str(level) for level in table.loc[table["part"] == 1, "level"]]
    apart = [str(level) for level in table.loc[table["part"] > 1, "level"]]
    if not apart:
        return f"All levels of {factor} can be compared within {group}."
    verb = "shares" if len(apart) == 1 else "share"
    return (
        f"{factor} cannot be separated from {group}: {', '.join(apart)} never {verb} a {group} with"
        f" {', '.join(main)}."
    )
