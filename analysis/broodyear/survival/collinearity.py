"""Before a fit: sparse cells, collinearity, and which practice occurs with which."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from broodyear.errors import Refused, UsageError
from broodyear.survival.arrays import FloatArray
from broodyear.survival.rows import as_factors, formula_columns

FEWEST_TANKS = 5
WORRYING_VIF = 10.0  # common practice; the standard error is then more than three times what it could be


@dataclass(frozen=True, eq=False)
class Collinearity:
    """How far the columns of a design repeat each other.

    columns: variance inflation factor per design column, index term (constant included in the auxiliary
    regressions, no row for it). terms: generalised factor per term of the formula: index term; columns
    gvif, degrees_of_freedom, gvif_per_df (gvif^(1/2df), comparable to the root of an ordinary factor).
    condition_number: of the centred and scaled columns. condition_number_with_intercept: of the columns
    scaled to unit length, constant included. sentence: what it means.
    """

    columns: pd.Series[float]
    terms: pd.DataFrame
    condition_number: float
    condition_number_with_intercept: float
    sentence: str


def collinearity(frame: pd.DataFrame, formula: str) -> Collinearity:
    """Variance inflation and condition numbers of a formula's design, unweighted, missing rows left out.

    Generalised factors: Fox & Monette 1992 (doi 10.1080/01621459.1992.10475190); condition numbers:
    Belsley, Kuh & Welsch 1980. Raises Refused when a column is constant or an exact combination of others.
    """
    from formulaic import model_matrix

    columns = list(formula_columns(formula, frame))
    absent = [name for name in columns if name not in frame.columns]
    if absent:
        raise UsageError(f"The frame has no column {absent[0]!r}; its columns are {', '.join(frame.columns)}.")
    matrix = model_matrix(formula, as_factors(frame[columns].dropna(), columns))
    names = [name for name in matrix.columns if name != "Intercept"]
    values = matrix[names].to_numpy(dtype=float)
    correlation = _correlation(values, names)
    inflation = pd.Series(np.diag(np.linalg.inv(correlation)), index=pd.Index(names, name="term"), name="vif")
    terms = _generalised(matrix.model_spec.term_indices, list(matrix.columns), names, correlation)
    scaled = (values - values.mean(axis=0)) / values.std(axis=0)
    whole = np.column_stack([np.ones(len(values)), values])
    return Collinearity(
        columns=inflation,
        terms=terms,
        condition_number=float(np.linalg.cond(scaled)),
        condition_number_with_intercept=float(np.linalg.cond(whole / np.linalg.norm(whole, axis=0))),
        sentence=_sentence(terms),
    )


def variance_inflation(frame: pd.DataFrame, columns: Sequence[str] | None = None) -> pd.Series[float]:
    """Variance inflation factor of each numeric column given the others and a constant; index column."""
    names = list(columns) if columns is not None else [str(name) for name in frame.columns]
    values = frame[names].dropna().to_numpy(dtype=float)
    inflation = np.diag(np.linalg.inv(_correlation(values, names)))
    return pd.Series(inflation, index=pd.Index(names, name="term"), name="vif")


def _correlation(values: FloatArray, names: Sequence[str]) -> FloatArray:
    spread = values.std(axis=0)
    if not names or (spread == 0).any():
        constant = names[int(np.flatnonzero(spread == 0)[0])] if names else "the formula"
        raise Refused(f"Column {constant!r} does not vary, so its collinearity has no meaning: take it out.")
    correlation = np.atleast_2d(np.corrcoef(values, rowvar=False))
    if np.linalg.matrix_rank(correlation) < len(names):
        raise Refused(
            f"The columns {', '.join(names)} are not independent: one is an exact combination of the others."
            " Take one out."
        )
    return np.asarray(correlation, dtype=float)


def _generalised(
    term_indices: dict[object, list[int]], columns: list[str], names: list[str], correlation: FloatArray
) -> pd.DataFrame:
    total = float(np.linalg.slogdet(correlation)[1])
    rows = {}
    for term, indices in term_indices.items():
        own = [names.index(columns[place]) for place in indices if columns[place] in names]
        if not own:
            continue
        rest = [place for place in range(len(names)) if place not in own]
        parts = float(np.linalg.slogdet(correlation[np.ix_(own, own)])[1])
        parts += float(np.linalg.slogdet(correlation[np.ix_(rest, rest)])[1]) if rest else 0.0
        gvif = float(np.exp(parts - total))
        rows[str(term)] = {
            "gvif": gvif, "degrees_of_freedom": len(own), "gvif_per_df": gvif ** (0.5 / len(own)),
        }  # fmt: skip
    table = pd.DataFrame.from_dict(rows, orient="index")
    return table.rename_axis("term")


def _sentence(terms: pd.DataFrame) -> str:
    worst = str(terms["gvif_per_df"].idxmax())
    size = float(terms["gvif_per_df"].max())
    if size**2 <= WORRYING_VIF:
        return f"No term repeats the others (largest inflation of a standard error: {size:.1f}-fold, {worst})."
    return (
        f"The standard error of {worst} is {size:.1f} times what it would be if the other terms did not nearly"
        " repeat it: read their effects together, or leave one out."
    )


def cross_table(frame: pd.DataFrame, first: str, second: str) -> pd.DataFrame:
    """Tank-seasons per combination of two factors: first's levels down, second's across, with totals."""
    for name in (first, second):
        if name not in frame.columns:
            raise UsageError(f"The frame has no column {name!r}; its columns are {', '.join(frame.columns)}.")
    return pd.crosstab(frame[first], frame[second], margins=True, margins_name="all")


def sparse_cells(frame: pd.DataFrame, factors: Sequence[str], *, fewest: int = FEWEST_TANKS) -> pd.DataFrame:
    """Combinations of factor levels that occur with fewer than `fewest` tank-seasons.

    Columns: the factors, tanks, and batches when the frame has batch_id. Combinations that never occur are
    not listed: see `cross_table`.
    """
    grouped = frame.groupby(list(factors), observed=True, dropna=False)
    table = grouped.size().rename("tanks").reset_index()
    if "batch_id" in frame.columns:
        table["batches"] = grouped["batch_id"].nunique().to_numpy()
    return table[table["tanks"] < fewest].reset_index(drop=True)
