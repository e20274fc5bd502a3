"""When cluster-robust errors mean nothing, and when they mean too little."""

from __future__ import annotations

import numpy as np

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray
from broodyear.survival.design.matrix import Design, Grouping

FEW_CLUSTERS = 30  # sandwich errors are known to be too small below about this many clusters
NO_VARIANCE = 1e-8  # robust over model-based variance: below it only rounding is left
MOST_NAMED = 3


def require_clusters(grouping: Grouping) -> None:
    """Refuse one cluster: what varies between clusters cannot be told from it."""
    if len(grouping.levels) < 2:
        raise Refused(
            f"All rows lie in one level of {grouping.name} ({grouping.levels[0]}), so no cluster-robust error can"
            f" be worked out: add rows of another {grouping.name}, or use method='quasi_binomial'."
        )


def require_full_robust(design: Design, grouping: Grouping, robust: FloatArray, plain: FloatArray) -> None:
    """Refuse robust variances of zero: with few clusters the scores of each cluster can all vanish."""
    shares = np.diag(robust) / np.abs(np.diag(plain))
    lost = [term for term, share in zip(design.terms, shares, strict=True) if not share > NO_VARIANCE]
    if lost:
        raise Refused(
            f"The {len(grouping.levels)} levels of {grouping.name} leave no variation between them to judge"
            f" {_listed(lost)} by, so a cluster-robust error of zero would be printed: take terms out, add"
            f" {grouping.name}s, or use method='quasi_binomial'."
        )


def robust_notes(design: Design, grouping: Grouping) -> tuple[str, ...]:
    """Sentences on few clusters, and on levels of a factor that only one cluster has."""
    clusters, name = len(grouping.levels), grouping.name
    notes = []
    if clusters < FEW_CLUSTERS:
        notes.append(
            f"Only {clusters} levels of {name}: robust standard errors are too small below about {FEW_CLUSTERS}."
        )
    alone = [term for place, term in enumerate(design.terms) if _in_one_cluster(design, grouping, place)]
    if alone:
        notes.append(
            f"Rows with {_listed(alone)} all lie in one level of {name}, so the robust error leaves out how"
            f" levels of {name} differ and is too small."
        )
    return tuple(notes)


def _in_one_cluster(design: Design, grouping: Grouping, place: int) -> bool:
    """Whether a 0/1 column is 1 in the rows of one cluster only."""
    column = design.matrix[:, place]
    return bool(np.isin(column, (0.0, 1.0)).all()) and len(np.unique(grouping.codes[column == 1.0])) == 1


def _listed(terms: list[str]) -> str:
    more = len(terms) - MOST_NAMED
    return ", ".join(terms[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")
