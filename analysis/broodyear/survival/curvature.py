"""Is the effect of a measured covariate a straight line? A natural spline against it, with its curve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.errors import Refused, UsageError
from broodyear.survival.fit import fit_survival
from broodyear.survival.result import SurvivalFit

CURVED_BELOW = 0.05


@dataclass(frozen=True, eq=False)
class Curvature:
    """A straight line and a natural cubic spline for one covariate, compared.

    statistic, degrees_of_freedom: likelihood-ratio chi-squared (for quasi_binomial the F statistic on
    degrees_of_freedom and the residual ones). curve: as SurvivalFit.curve of the spline. sentence: the finding.
    """

    statistic: float
    degrees_of_freedom: int
    p_value: float
    line: SurvivalFit
    spline: SurvivalFit
    curve: pd.DataFrame
    sentence: str


def curvature_test(
    frame: pd.DataFrame,
    formula: str,
    name: str,
    *,
    survived: str,
    trials: str,
    groups: Sequence[str] | str = (),
    method: str = "mixed",
    knots: int = 4,
) -> Curvature:
    """Compare a straight line in `name` with a natural cubic spline of it, the rest of the formula the same.

    formula: the other terms (write "1" for none). knots: 3 or 4, the ends and equally spaced quantiles
    between; the spline is linear beyond the ends (Wood 2017, §5.3.1). Under mixed and beta_binomial the test
    is a likelihood ratio on knots − 2 degrees of freedom; under quasi_binomial an F test.
    """
    if knots not in (3, 4):
        raise UsageError(f"knots must be 3 or 4, but {knots} was passed: more would follow single tanks.")
    if method not in ("mixed", "beta_binomial", "quasi_binomial"):
        raise UsageError(f"A curvature test needs mixed, beta_binomial or quasi_binomial, not {method!r}.")
    rows = frame.dropna(subset=[name]) if name in frame.columns else frame
    if name in rows.columns and rows[name].nunique() < knots + 1:
        raise Refused(
            f"Column {name!r} has {rows[name].nunique()} distinct values, too few for a curve with {knots} knots:"
            " fit it as a straight line or as a factor."
        )
    spline_term = f"cr({name}, df={knots - 1}, constraints='center')"
    line, spline = (
        fit_survival(frame, f"{formula} + {term}", survived=survived, trials=trials, groups=groups, method=method)
        for term in (name, spline_term)
    )
    statistic, p_value = _test(line, spline, knots - 2)
    return Curvature(
        statistic=statistic,
        degrees_of_freedom=knots - 2,
        p_value=p_value,
        line=line,
        spline=spline,
        curve=spline.curve(name),
        sentence=_sentence(name, p_value, line.rows_used),
    )


def _test(line: SurvivalFit, spline: SurvivalFit, extra: int) -> tuple[float, float]:
    from scipy.special import chdtrc, fdtrc

    gain = max(2.0 * (spline.log_likelihood - line.log_likelihood), 0.0)
    if line.method != "quasi_binomial":
        return gain, float(chdtrc(extra, gain))
    ratio = gain / extra / spline.dispersion
    return ratio, float(fdtrc(extra, spline.degrees_of_freedom, ratio))


def p_words(p_value: float) -> str:
    """A p-value as sentences show it."""
    return "p < 0.001" if p_value < 0.001 else f"p = {p_value:.3f}"


def _sentence(name: str, p_value: float, rows: int) -> str:
    shown = p_words(p_value)
    if np.isfinite(p_value) and p_value < CURVED_BELOW:
        return f"The effect of {name} is not a straight line ({shown}, {rows} tanks): see the curve."
    return f"These {rows} tanks do not show that the effect of {name} is anything but a straight line ({shown})."
