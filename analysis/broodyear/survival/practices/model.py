"""One mixed model of an outcome with all its factors together, and what of it can be told apart.

At the modes, the binomial mixed model is a linear one in the working response, with V = W⁻¹ + Σ sd² Z Z' (Breslow
& Clayton 1993, doi 10.1080/01621459.1993.10594284). One step of it from the fit answers, without fitting anew,
what a few columns more would change: comparisons within batches, combinations of practices, a curve instead of a
line.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from broodyear.errors import Refused
from broodyear.statistics.crossed import (
    ESTIMABLE,
    TOLD_APART,
    Grouping,
    Precision,
    factorise,
    inverse_times,
    lay_out,
    precision_of,
)
from broodyear.statistics.numbers import BoolArray, FloatArray, IntArray, aliases
from broodyear.survival.design import Design
from broodyear.survival.fit import fit_design
from broodyear.survival.marginal import separated_terms
from broodyear.survival.practices.factors import FEWEST_TANKS, Factor, varying
from broodyear.survival.result import Average, SurvivalFit

#: Seasons get an intercept of their own from this many on; fewer are a factor.
FEWEST_SEASONS = 5
UNITS = "units_at_delivery_c_days"
#: Name of the column that marks where a covariate was not recorded.
NOT_KNOWN = "{} not recorded"


@dataclass(frozen=True, eq=False)
class Columns:
    """Columns of a design by what they belong to, before aliased ones are left out.

    matrix: shape (rows, columns). spans: factor -> its columns. kept: columns that no earlier ones make up.
    null: shape (columns, aliased), the directions along which the rows say nothing.
    """

    matrix: FloatArray
    spans: Mapping[str, slice]
    kept: IntArray
    null: FloatArray

    @cached_property
    def kept_matrix(self) -> FloatArray:
        """The columns that are kept, shape (rows, kept)."""
        return np.ascontiguousarray(self.matrix[:, self.kept])

    def along(self, name: str, values: FloatArray | float) -> FloatArray:
        """A combination of all columns: these values in those of one factor."""
        found = np.zeros(self.matrix.shape[1])
        found[self.spans[name]] = values
        return found

    def is_estimable(self, direction: FloatArray) -> bool:
        """Whether the rows say anything of a combination of all columns."""
        return not self.null.size or bool(np.abs(direction @ self.null).max() < ESTIMABLE)

    def partners(self, direction: FloatArray, own: str) -> tuple[str, ...]:
        """Factors that a combination cannot be told apart from."""
        hit = self.null[:, np.abs(direction @ self.null) >= ESTIMABLE]
        return tuple(
            name for name, span in self.spans.items() if name != own and (np.abs(hit[span]) > ESTIMABLE).any()
        )

    def own(self, name: str) -> IntArray:
        """Indices of a factor's columns among the kept ones."""
        span = self.spans[name]
        return np.flatnonzero((self.kept >= span.start) & (self.kept < span.stop)).astype(np.int64)


#: What a model is made of, by name: factors, and measured covariates with one value a row.
Parts = Mapping[str, Factor | FloatArray]


def build_columns(rows: int, parts: Parts) -> Columns:
    """Intercept, measured covariates and factors side by side, and which of the columns make up others."""
    blocks, spans, start = [np.ones((rows, 1))], {}, 1
    for name, part in parts.items():
        block = part.columns if isinstance(part, Factor) else part[:, None]
        spans[name] = slice(start, start + block.shape[1])
        blocks.append(block)
        start += block.shape[1]
    matrix = np.hstack(blocks)
    kept, null = aliases(matrix, TOLD_APART)
    return Columns(matrix, spans, kept, np.where(np.abs(null) < ESTIMABLE, 0.0, null))


@dataclass(frozen=True, eq=False)
class AdjustedModel:
    """A fitted model of one outcome.

    rows: the tank-seasons used. parts: all that it is made of; names: of the factors compared, others are only
    allowed for. dropped: what has a coefficient without an end, left out of the model.
    """

    rows: pd.DataFrame
    parts: Parts
    names: tuple[str, ...]
    columns: Columns
    fit: SurvivalFit
    dropped: tuple[str, ...]

    @cached_property
    def working(self) -> Precision:
        """The working model at the end of the fit: generalised least squares of the working response."""
        fit, probability = self.fit, self.fit.fitted
        weight = np.maximum(fit.design.variances(probability), 1e-10)
        response = np.log(probability) - np.log1p(-probability) + fit.design.residuals(probability) / weight
        sds = np.asarray(fit.group_sd, dtype=np.float64)
        kept = np.flatnonzero(sds > 0) if sds.any() else np.arange(len(sds))  # without spreads V is W⁻¹
        layout = lay_out([fit.design.groupings[index] for index in kept])
        found = precision_of(factorise(layout, sds[kept], weight), fit.design.matrix, response)
        return replace(found, of_variances=fit.precision.of_variances if fit.precision else None)

    def with_columns(self, further: FloatArray) -> Precision | None:
        """The same with further columns behind those of the fit; None where these are made up of others."""
        matrix = np.hstack([self.fit.design.matrix, further])
        if aliases(matrix, TOLD_APART)[1].size:
            return None
        through = np.hstack([self.working.through, inverse_times(self.working.factor, further)])
        return self.working.on(matrix, through)

    @cached_property
    def factors(self) -> dict[str, Factor]:
        """The factors compared, by name."""
        return {name: part for name in self.names if isinstance(part := self.parts[name], Factor)}

    def subset(self, chosen: BoolArray) -> AdjustedModel:
        """The model's parts over some of its rows; its columns and its fit stay those of all."""
        parts = {
            name: replace(part, codes=part.codes[chosen]) if isinstance(part, Factor) else part[chosen]
            for name, part in self.parts.items()
        }
        return replace(self, rows=self.rows[chosen].reset_index(drop=True), parts=parts)

    def blank(self, name: str) -> int:
        """In how many rows a covariate was not recorded, where those have a column of their own."""
        return int(self.columns.matrix[:, self.columns.spans.get(NOT_KNOWN.format(name), slice(0))].sum())

    def columns_with(self, *further: Factor, without: tuple[str, ...] = ()) -> Columns:
        """Its columns with further factors behind them, and without some of its own."""
        own = {name: part for name, part in self.parts.items() if name not in without}
        return build_columns(len(self.rows), own | {factor.name: factor for factor in further})

    def direction(self, name: str, level: str) -> FloatArray:
        """The difference of a level from the reference of its factor as a combination of all columns."""
        factor = self.factors[name]
        return self.columns.along(name, factor.coding(level) - factor.coding(factor.reference))

    def estimable_levels(self, name: str) -> list[str]:
        """Levels of a factor whose difference from the reference the rows can tell, that included."""
        levels = self.factors[name].levels
        return [level for level in levels if self.columns.is_estimable(self.direction(name, level))]

    def averages_of(self, name: str, shifts: Mapping[str, float] | None = None) -> dict[str, Average]:
        """Mean survival with one factor set to a level, averaged over random intercepts, and over the rows whose
        level can be compared with the reference.

        shifts: level -> what is added to its log-odds, for what another comparison says of it; by default nothing
        at every level whose contrast with the reference can be told.
        """
        factor, estimable = self.factors[name], self.estimable_levels(name)
        shifts = dict.fromkeys(estimable, 0.0) if shifts is None else shifts
        is_compared = np.array(
            [*(level in estimable for level in factor.levels), True]
        )  # the last is where UNKNOWN points
        matrix = self.fit.design.matrix[is_compared[factor.codes]]
        matrix[:, self.columns.own(name)] = 0.0
        codings = np.array([self.columns.along(name, factor.coding(level)) for level in shifts])
        found = self.fit.averages(matrix, codings[:, self.columns.kept], [*shifts.values()])
        return dict(zip(shifts, found, strict=True))


def fit_adjusted(
    rows: pd.DataFrame, factors: Sequence[Factor], numbers: Mapping[str, FloatArray] | None = None
) -> AdjustedModel:
    """Fit survivors of eggs by binomial mixed model with restricted spreads, random batch, site and tank-season.

    rows: tank-seasons used (season, site_id, batch_id, eggs, survivors; species and units at delivery where
    recorded). factors: coded over these rows. numbers: measured covariates, one value a row. Season is random from
    five on, else a factor. Raises Refused when no model can be fitted.
    """
    if not len(rows):
        raise Refused("No tank-season has what this model needs.")
    groups = _groups(rows)
    chosen = [factor for factor in factors if len(factor.levels) > 1]
    grouped = {group.name for group in groups}
    adjusters = [name for name in ("species", "season") if name in rows and name not in grouped]
    parts: Parts = {
        # Thermal units at delivery in hundreds from their mean; where not recorded, at it.
        **centred(UNITS, measured(rows, UNITS) / 100.0),
        **(numbers or {}),
        **{factor.name: factor for factor in (*varying(rows, adjusters), *chosen)},
    }
    dropped: list[str] = []
    while guilty := _separated(rows, columns := build_columns(len(rows), parts)):
        dropped += guilty
        parts = {name: part for name, part in parts.items() if name not in guilty}
    groups = _beyond(columns, groups)
    single = Grouping("tank_season", np.arange(len(rows)), tuple(range(len(rows))))
    fit = fit_design(design_of(rows, columns, *groups, single), "mixed", small_sample=True, spread_prior=True)
    names = tuple(factor.name for factor in chosen if factor.name in parts)
    return AdjustedModel(rows, parts, names, columns, fit, tuple(dropped))


def _groups(rows: pd.DataFrame) -> list[Grouping]:
    """Site, batch, and season from five on, without any of one level or a twin of another."""
    wanted = ["site_id", "batch_id", *(["season"] if rows["season"].nunique() >= FEWEST_SEASONS else [])]
    kept: list[Grouping] = []
    for group in (Grouping.of(rows, name) for name in wanted):
        if 1 < len(group.levels) < len(rows) and not any(map(group.is_twin, kept)):
            kept.append(group)
    return kept


def _beyond(columns: Columns, groups: list[Grouping]) -> list[Grouping]:
    """Groups without those whose levels the columns make up, as units at delivery do two batches: all that such
    levels differ by is a coefficient's, and nothing is left that could tell their spread."""
    basis = np.linalg.qr(columns.kept_matrix)[0]

    def is_beyond(group: Grouping) -> bool:
        if len(group.levels) > basis.shape[1]:  # more than so many columns can make up
            return True
        marks = np.eye(len(group.levels))[group.codes]
        return bool(np.abs(marks - basis @ (basis.T @ marks)).max() > ESTIMABLE)

    return list(filter(is_beyond, groups))


def measured(rows: pd.DataFrame, name: str) -> FloatArray:
    """A measured covariate, one value a row, nan where there is none."""
    return pd.to_numeric(rows.reindex(columns=[name])[name], errors="coerce").to_numpy(dtype=float)


def centred(name: str, values: FloatArray) -> dict[str, FloatArray]:
    """A measured covariate from its mean, at it where missing, with a column for what is missing in many rows."""
    known = np.isfinite(values)
    if known.sum() < FEWEST_TANKS or np.ptp(values[known]) == 0.0:
        return {}
    found = {name: np.where(known, values - values[known].mean(), 0.0)}
    if (~known).sum() >= FEWEST_TANKS:
        found[NOT_KNOWN.format(name)] = (~known).astype(float)
    return found


def _separated(rows: pd.DataFrame, columns: Columns) -> list[str]:
    """Names of factors and covariates whose coefficients have no end; refuses too few rows for the columns."""
    if len(rows) < len(columns.kept) + 1:
        raise Refused(
            f"{len(rows)} tank-seasons are too few for the {len(columns.kept)} coefficients of the model."
        )
    survived, trials = (rows[name].to_numpy(dtype=float) for name in ("survivors", "eggs"))
    endless = separated_terms(columns.kept_matrix, survived, trials)
    found = [name for name in columns.spans if not set(endless).isdisjoint(columns.own(name))]
    if endless and not found:
        raise Refused("Every fish survived, or every fish died, in every tank: no survival can be modelled.")
    return found


def design_of(rows: pd.DataFrame, columns: Columns, *groupings: Grouping) -> Design:
    """The kept columns as a design with these groupings."""
    spans = {name: range(1, span.stop - span.start + 1) for name, span in columns.spans.items()}
    names = ["Intercept", *(f"{name}[{index}]" for name, span in spans.items() for index in span)]
    survived, trials = (rows[name].to_numpy(dtype=float) for name in ("survivors", "eggs"))
    return Design(
        frame=rows,
        survived=survived,
        trials=trials,
        counts=("survivors", "eggs"),
        matrix=columns.kept_matrix,
        terms=tuple(names[index] for index in columns.kept),
        groupings=groupings,
        formula=" + ".join(columns.spans),
    )
