"""Separation: a coefficient the likelihood pushes to infinity, found before the fit and named.

A binomial likelihood has no finite maximum when some direction in the coefficients raises every row with
only survivors, lowers every row with only deaths, and leaves the rows in between alone (Albert & Anderson
1984, doi 10.1093/biomet/71.1.1). Such a direction is looked for by linear programming (Konis 2007).
"""

from __future__ import annotations

import numpy as np

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray
from broodyear.survival.design.matrix import Design

GAIN_TOLERANCE = 1e-7  # the linear programme's own accuracy


def separated_terms(matrix: FloatArray, survived: FloatArray, trials: FloatArray) -> tuple[int, ...]:
    """Places of the coefficients without a finite maximum-likelihood estimate; empty when all are finite.

    matrix: design matrix, shape (rows, terms); survived, trials: counts per row.
    """
    none, full = survived == 0, survived == trials
    outer = none | full
    inner = matrix[~outer]
    if len(inner):
        # Rank, at the usual tolerance; the triangular factor has the same singular values and is small.
        singular = np.linalg.svd(np.linalg.qr(inner, mode="r"), compute_uv=False)
        if np.sum(singular > singular.max() * max(inner.shape) * np.finfo(float).eps) == matrix.shape[1]:
            return ()
    from scipy.optimize import linprog

    scaled = matrix / np.maximum(np.abs(matrix).max(axis=0), 1e-300)
    signed = (scaled * np.where(full, 1.0, -1.0)[:, None])[outer]
    solution = linprog(
        -signed.sum(axis=0),
        A_ub=-signed,
        b_ub=np.zeros(len(signed)),
        A_eq=scaled[~outer] if len(inner) else None,
        b_eq=np.zeros(len(inner)) if len(inner) else None,
        bounds=(-1.0, 1.0),
        method="highs",
    )
    if solution.x is None or solution.fun is None or solution.fun >= -GAIN_TOLERANCE:
        return ()
    return tuple(int(place) for place in np.flatnonzero(np.abs(solution.x) > GAIN_TOLERANCE))


def refuse_separation(design: Design) -> None:
    """Raise Refused, naming the coefficients and the cure, when an estimate would be infinite."""
    terms, survived, trials = design.terms, design.rows.survived, design.rows.trials
    if (survived == trials).all() or (survived == 0).all():
        fate = "survived" if survived.any() else "died"
        raise Refused(
            f"All eggs in all {len(trials)} rows used {fate}, so there is no difference to model: report"
            " the counts with an exact interval instead."
        )
    places = separated_terms(design.matrix, survived, trials)
    if not places:
        return
    named = [terms[place] for place in places if terms[place] != "Intercept"] or [terms[places[0]]]
    raise Refused(
        f"The effect of {', '.join(named)} has no finite estimate: it sets apart rows in which every egg"
        " survived or every egg died (separation). Merge that level with another, take it out of the"
        " formula, or use method='firth', which answers with a penalised likelihood."
    )
