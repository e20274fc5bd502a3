"""Separation: a coefficient the likelihood pushes to infinity, found before the fit and named; and Firth's
penalised likelihood, which answers with a finite one.

A binomial likelihood has no finite maximum when some direction in the coefficients raises every row with
only survivors, lowers every row with only deaths, and leaves the rows in between alone (Albert & Anderson
1984, doi 10.1093/biomet/71.1.1). Such a direction is looked for by linear programming (Konis 2007).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray
from broodyear.survival.design import Design
from broodyear.survival.methods.binomial import Likelihood, binomial_at
from broodyear.survival.result import SurvivalFit

GAIN_TOLERANCE = 1e-7  # the linear programme's own accuracy
MOST_ERRORS = 60  # standard errors to either side in which a limit is looked for
HALF_CRITICAL = 1.9207294103470636  # half the 95 % point of chi-squared on 1 degree of freedom
BINOMIAL_ONLY = (
    "Penalised (Firth) estimates with profile-likelihood intervals: they allow for binomial variation"
    " only, so the intervals are too narrow where eggs of a tank share a fate."
)


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


def fit_firth(design: Design) -> SurvivalFit:
    """Bias-reduced logistic regression (Firth 1993, doi 10.1093/biomet/80.1.27).

    Limits and tests by profiling the penalised likelihood (Heinze & Schemper 2002, doi 10.1002/sim.1047).
    It assumes binomial variation: where eggs of a tank share a fate its intervals are too narrow.
    """
    likelihood, terms = Likelihood(design, penalty=1.0), range(len(design.terms))
    try:
        with np.errstate(all="ignore"):
            best = likelihood.highest(np.zeros(len(terms)))
            covariance = np.asarray(np.linalg.inv(likelihood.information(best)), dtype=float)
            low, high, p_values = np.array(
                [_profile(likelihood, best, covariance[term], term) for term in terms]
            ).T
    except np.linalg.LinAlgError as error:
        raise Refused(
            "Firth's penalised fit did not settle: put covariates in other units, or merge levels."
        ) from error
    found = binomial_at(design, best, covariance)
    return replace(found, notes=(BINOMIAL_ONLY,), intervals=(low, high, p_values))


def _profile(
    likelihood: Likelihood, best: FloatArray, covariances: FloatArray, term: int
) -> tuple[float, float, float]:
    """Limits and p value of one coefficient (its place: term), the others at their best beside it.

    covariances: of it with all."""
    from scipy.optimize import brentq
    from scipy.special import chdtrc

    def fall(value: float) -> float:
        near = best + covariances / covariances[term] * (value - best[term])
        near[term] = value
        return likelihood.at(best) - likelihood.at(likelihood.highest(near, term))

    def limit(side: float) -> float:
        """Where the fall reaches half the critical value on one side of the estimate."""
        outside = best[term] + side * np.sqrt(covariances[term]) * np.arange(2.0, MOST_ERRORS + 2.0, 2.0)
        outer = next((value for value in outside if fall(value) > HALF_CRITICAL), side * np.inf)
        if np.isinf(outer):
            return float(outer)
        return float(brentq(lambda value: fall(value) - HALF_CRITICAL, best[term], outer, xtol=1e-7))

    return limit(-1.0), limit(1.0), float(chdtrc(1.0, max(2.0 * fall(0.0), 0.0)))
