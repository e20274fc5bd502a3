"""Fit a survival regression: the one door to all the methods."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from broodyear.errors import UsageError
from broodyear.statistics.numbers import critical_values, expit, two_sided_p
from broodyear.survival.design.matrix import Design, make_design
from broodyear.survival.design.rows import as_frame
from broodyear.survival.methods.beta_binomial import fit_beta_binomial
from broodyear.survival.methods.binomial import Answer, fit_clustered, fit_quasi_binomial, require_clusters
from broodyear.survival.methods.exchangeable import fit_exchangeable
from broodyear.survival.methods.firth import fit_firth
from broodyear.survival.methods.separation import refuse_separation
from broodyear.survival.mixed.fit import fit_mixed
from broodyear.survival.result import SurvivalFit

METHODS = ("mixed", "beta_binomial", "quasi_binomial", "clustered", "exchangeable")


def fit_survival(
    frame: Any,
    formula: str,
    *,
    survived: str,
    trials: str,
    groups: Iterable[str] | str | None = (),
    method: str = "mixed",
    quadrature_points: int = 1,
    small_sample: bool = False,
) -> SurvivalFit:
    """Regress survival counts on covariates, allowing for eggs that share a fate.

    frame: one row per tank-season; a pandas frame, a dict of columns, a list of records, or another
    library's frame. formula: right-hand side in the formula library's notation, such as
    "gravel + temp_c"; text and boolean columns are factors, the first level (alphabetical, or first of a
    categorical) the reference. survived, trials: names of the count columns (survived ≤ trials). groups:
    names of grouping columns. Rows with a missing value or without eggs are left out and counted.

    method:
      mixed: binomial with a normal random intercept per group, crossed or nested, by maximum likelihood
        (Laplace approximation; quadrature_points ≥ 2, 9 or more advised, uses adaptive Gauss–Hermite
        quadrature and needs exactly one group).
        small_sample=True (mixed, Laplace) estimates spreads by restricted likelihood and makes t intervals
        with Satterthwaite's degrees of freedom: the season report uses it, because with some tens of sites
        maximum likelihood's 95 % intervals cover 91 to 93 %.
      beta_binomial: chance of survival beta-distributed between rows; takes no groups.
      quasi_binomial: binomial estimates, errors widened by Pearson X²/df, t intervals; takes no groups.
      clustered: binomial estimates, cluster-robust errors over the one group, G/(G − 1), normal intervals.
      exchangeable: estimating equations with equal correlation between all eggs of the one group.
      firth: penalised binomial likelihood, finite under separation; takes no groups and allows for binomial
        variation only, so its intervals are too narrow where eggs share a fate.

    Raises UsageError or Refused (both ValueError) with the column and the cure: unknown columns, more
    survivors than eggs, one level, a constant covariate, aliased columns, a group with one level, too few
    rows, separation, no convergence.

    >>> import pandas as pd
    >>> tanks = pd.DataFrame({
    ...     "gravel": ["bare", "stones"] * 6,
    ...     "eggs": [100, 120, 90, 150, 110, 140, 95, 130, 105, 125, 115, 135],
    ...     "alive": [80, 102, 70, 131, 92, 118, 71, 115, 88, 99, 90, 117],
    ... })
    >>> fit = fit_survival(tanks, "gravel", survived="alive", trials="eggs", method="quasi_binomial")
    >>> fit.effects.round(3).reset_index()[["term", "estimate", "std_error", "p_value"]]
                   term  estimate  std_error  p_value
    0         Intercept     1.376      0.098    0.000
    1  gravel[T.stones]     0.378      0.138    0.021
    >>> fit.contrast("gravel").round(1)[["level", "reference", "difference_points"]]
        level reference  difference_points
    0  stones      bare                5.4
    """
    named = (groups,) if isinstance(groups, str) else tuple(groups or ())
    _require_groups(method, named, quadrature_points, small_sample)
    spare_rows = 0 if method == "firth" else 1
    design = make_design(as_frame(frame), formula, survived, trials, named, spare_rows=spare_rows)
    if method == "firth":
        return _result(design, method, fit_firth(design))
    refuse_separation(design)
    if method == "mixed":
        mixed = fit_mixed(design, quadrature_points=quadrature_points, small_sample=small_sample)
        return _result(design, method, mixed, quadrature_points)
    return _result(design, method, _MARGINAL[method](design))


def fit_design(design: Design, method: str) -> SurvivalFit:
    """A fit of a design whose columns were made and checked before (`refuse_separation`).

    The mixed model has restricted spreads; clustered and exchangeable take the one group, others leave it aside.
    """
    if method == "mixed":
        return _result(design, method, fit_mixed(design, small_sample=True))
    if method in ("clustered", "exchangeable"):
        require_clusters(design.groupings[0])
    else:
        design = replace(design, groupings=())
    return _result(design, method, _MARGINAL[method](design))


def _require_groups(method: str, groups: tuple[str, ...], quadrature_points: int, small_sample: bool) -> None:
    allowed = (*METHODS, "firth")
    if method not in allowed:
        raise UsageError(f"method must be one of {', '.join(allowed)}, but {method!r} was passed.")
    if len(set(groups)) < len(groups):
        raise UsageError(f"groups names a column twice: {', '.join(groups)}.")
    if method == "mixed" and not groups:
        raise UsageError(
            "method='mixed' needs at least one column in groups=, for example groups=['site_id', 'batch_id'];"
            " without groups use method='quasi_binomial' or 'beta_binomial'."
        )
    if method in ("clustered", "exchangeable") and len(groups) != 1:
        raise UsageError(f"method={method!r} needs exactly one column in groups=, but {len(groups)} were named.")
    if method in ("beta_binomial", "quasi_binomial", "firth") and groups:
        raise UsageError(
            f"method={method!r} takes no groups, but {', '.join(groups)} was named: leave groups= out, or use"
            " method='mixed'."
        )
    if quadrature_points != 1 and (method != "mixed" or len(groups) != 1 or quadrature_points < 2):
        raise UsageError(
            "quadrature_points above 1 needs method='mixed' with exactly one group (9 or more are advised)."
        )
    if small_sample and (method != "mixed" or quadrature_points != 1):
        raise UsageError("small_sample=True needs method='mixed' with the Laplace approximation.")


def _effects(answer: Answer, terms: Sequence[str]) -> pd.DataFrame:
    """Estimates with 95 % intervals (Wald's where the method gives no other) and two-sided p values, by term."""
    estimates, errors, small = answer.coefficients, np.sqrt(np.diag(answer.covariance)), answer.precision
    degrees = [small.degrees(row) if small else answer.degrees_of_freedom for row in np.eye(len(terms))]
    reach = critical_values(degrees) * errors
    wald = estimates - reach, estimates + reach, two_sided_p(estimates / errors, degrees)
    low, high, p_values = answer.intervals or wald
    columns = {
        "estimate": estimates, "std_error": errors, "ci_low": low, "ci_high": high, "p_value": p_values,
    }  # fmt: skip
    return pd.DataFrame(columns, index=pd.Index(terms, name="term"))


def _result(design: Design, method: str, answer: Answer, quadrature_points: int = 1) -> SurvivalFit:
    """Assemble the common result."""
    names, joint, fitted = [grouping.name for grouping in design.groupings], answer.joint_covariance, answer.fitted
    sds = dict(zip(names, answer.sds, strict=False))  # of the mixed model alone
    return SurvivalFit(
        method=method,
        formula=design.formula,
        groups=tuple(names),
        effects=_effects(answer, design.terms),
        covariance=pd.DataFrame(answer.covariance, index=list(design.terms), columns=list(design.terms)),
        group_sd=pd.Series(sds, name="sd", dtype=float).rename_axis("group"),
        dispersion=answer.dispersion,
        log_likelihood=answer.log_likelihood,
        degrees_of_freedom=answer.degrees_of_freedom,
        notes=answer.notes,
        design=design,
        joint_covariance=answer.covariance if joint is None else joint,
        modes=dict(answer.modes),
        fitted=expit(design.matrix @ answer.coefficients) if fitted is None else fitted,
        quadrature_points=quadrature_points,
        counts=design.counts,
        precision=answer.precision,
    )


_MARGINAL: dict[str, Callable[[Design], Answer]] = {
    "beta_binomial": fit_beta_binomial,
    "quasi_binomial": fit_quasi_binomial,
    "clustered": fit_clustered,
    "exchangeable": fit_exchangeable,
}
