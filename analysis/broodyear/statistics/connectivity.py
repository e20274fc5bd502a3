"""Which levels of a factor can be compared at all: who ever shared a batch, or a room type, with whom.

Levels and groups are the two sides of a graph; every row joins its level to its group. Two levels in
different connected parts of that graph are never compared under like conditions, directly or through
others, so their difference cannot be told apart from the difference between groups (Weeks & Williams 1964,
doi 10.1080/00401706.1964.10490188, on connectedness of designs).
"""

from __future__ import annotations

import numpy as np

from broodyear.statistics.numbers import IntArray


def connected_parts(level_codes: IntArray, group_codes: IntArray, levels: int, groups: int) -> IntArray:
    """Connected part of each level, numbered from 1 by falling number of rows.

    >>> connected_parts(np.array([0, 0, 1, 2]), np.array([0, 1, 1, 2]), 3, 3).tolist()
    [1, 1, 2]
    """
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    size = levels + groups
    graph = coo_array((np.ones(len(level_codes)), (level_codes, levels + group_codes)), shape=(size, size))
    _, labels = connected_components(graph, directed=False)
    weight = np.bincount(labels[level_codes], minlength=int(labels.max()) + 1)
    rank = np.empty(len(weight), dtype=np.int64)
    rank[np.argsort(-weight, kind="stable")] = np.arange(1, len(weight) + 1)
    return np.asarray(rank[labels[:levels]], dtype=np.int64)
