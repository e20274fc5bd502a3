"""Fit a survival regression: the one door to all the methods."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Any

import pandas as pd

from broodyear.errors import UsageError
from broodyear.notes import note
from broodyear.survival import marginal
from broodyear.survival.design import Design, as_frame, make_design, require_groupings
from broodyear.survival.mixed.fit import fit_mixed
from broodyear.survival.result import SurvivalFit

TANK_SEASON = ("season", "tank_id")
CLUSTERED = ("clustered", "exchangeable")
METHODS = ("mixed", "beta_binomial", "quasi_binomial", "clustered", "exchangeable")
_FITS: dict[str, Callable[..., SurvivalFit]] = {
    "mixed": fit_mixed,
    "beta_binomial": marginal.fit_beta_binomial,
    "quasi_binomial": marginal.fit_quasi_binomial,
    "clustered": marginal.fit_clustered,
    "exchangeable": marginal.fit_exchangeable,
    "firth": marginal.fit_firth,
}


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
    spread_prior: bool = False,
) -> SurvivalFit:
    """Regress survival counts on covariates, allowing for eggs that share a fate.

    frame: one row per tank-season; a pandas frame, a dict of columns, a list of records, or another
    library's frame. formula: right-hand side in the formula library's notation, such as
    "gravel + temp_c"; text and boolean columns are factors, the first level (alphabetical, or first of a
    categorical) the reference. survived, trials: names of the count columns (survived ≤ trials). groups:
    names of grouping columns. Rows with a missing value or without eggs are left out and counted; tank-seasons
    (columns season and tank_id, where there are such) in several rows are used and noted.

    method:
      mixed: binomial with a normal random intercept per group, crossed or nested, by maximum likelihood
        (Laplace approximation; quadrature_points ≥ 2, 9 or more advised, uses adaptive Gauss–Hermite
        quadrature and needs exactly one group).
        small_sample=True (mixed, Laplace) estimates spreads by restricted likelihood and makes t intervals
        with Satterthwaite's degrees of freedom: the reports use it, because with some tens of sites
        maximum likelihood's 95 % intervals cover 91 to 93 %. spread_prior=True (with it) takes spreads from
        there to where a weak prior has them above zero, as the reports' practices and regions do.
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
    if spread_prior and not small_sample:
        raise UsageError("spread_prior=True needs small_sample=True.")
    table = as_frame(frame)
    design = make_design(table, formula, survived, trials, named, spare_rows=int(method != "firth"))
    if method != "firth":
        marginal.refuse_separation(design)
    options = {"quadrature_points": quadrature_points, "small_sample": small_sample, "spread_prior": spread_prior}
    fit = fit_design(design, method, **(options if method == "mixed" else {}))
    return replace(fit, notes=(*fit.notes, *_repeats(table)))


def fit_design(design: Design, method: str, **options: Any) -> SurvivalFit:
    """A fit of a design whose columns were made and checked before (`refuse_separation`).

    options: of the mixed model. The CLUSTERED take the one group; of others none is part of the fit.
    """
    if method in CLUSTERED:
        require_groupings(design.groupings)
    own = design if method in ("mixed", *CLUSTERED) else replace(design, groupings=())
    return replace(_FITS[method](design, **options), method=method, design=own)


def _repeats(frame: pd.DataFrame) -> list[str]:
    """A sentence on tank-seasons in several rows, where the frame names them by the columns of the records."""
    if not set(TANK_SEASON) <= set(frame.columns):
        return []
    keys = frame[list(TANK_SEASON)].dropna()
    again = keys[keys.duplicated()].drop_duplicates()
    return [
        note("survival", "repeated", tanks=len(again), season=season, tank=tank)
        for season, tank in again.head(1).itertuples(index=False)
    ]


def _require_groups(method: str, groups: tuple[str, ...], quadrature_points: int, small_sample: bool) -> None:
    allowed, is_mixed, is_clustered = (*METHODS, "firth"), method == "mixed", method in CLUSTERED
    refused = {
        "unknown_method": method not in allowed,
        "group_twice": len(set(groups)) < len(groups),
        "no_groups": is_mixed and not groups,
        "one_group_only": is_clustered and len(groups) != 1,
        "no_group_taken": groups and not (is_mixed or is_clustered),
        "points": quadrature_points != 1 and (not is_mixed or len(groups) != 1 or quadrature_points < 2),
        "no_small_sample": small_sample and (not is_mixed or quadrature_points != 1),
    }
    for name, is_so in refused.items():
        if is_so:
            raise UsageError(note("survival", name, method=repr(method), groups=groups, allowed=allowed))
