"""One mixed model of an outcome with all its factors together, and what of it can be told apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, IntArray
from broodyear.survival.averaging import Average, Held, average
from broodyear.survival.design.matrix import Design, Grouping
from broodyear.survival.design.rows import Rows
from broodyear.survival.fit import fit_mixed_design
from broodyear.survival.methods.separation import separated_terms
from broodyear.survival.practices.coding import FEWEST_TANKS, Factor, code_factor, level_counts
from broodyear.survival.practices.columns import Columns, build_columns
from broodyear.survival.practices.working import Working, working_model
from broodyear.survival.result import SurvivalFit

#: Seasons get an intercept of their own from this many on; fewer are a factor.
FEWEST_SEASONS = 5
UNITS = "units_at_delivery_c_days"


@dataclass(frozen=True, eq=False)
class AdjustedModel:
    """A fitted model of one outcome.

    rows: the tank-seasons used. factors: those compared, by name; adjusters: factors only allowed for; numbers:
    measured covariates. dropped: what has a coefficient without an end, left out of the model.
    """

    rows: pd.DataFrame
    factors: Mapping[str, Factor]
    adjusters: Mapping[str, Factor]
    numbers: Mapping[str, FloatArray]
    columns: Columns
    fit: SurvivalFit
    groups: tuple[str, ...]
    dropped: tuple[str, ...]

    @cached_property
    def working(self) -> Working:
        """The working model, for what would change with further columns."""
        return working_model(self.fit)

    def direction(self, name: str, level: str, reference: str) -> FloatArray:
        """The difference of two levels as a combination of all columns."""
        factor = self.factors[name]
        found = np.zeros(self.columns.matrix.shape[1])
        at = factor.levels.index
        found[self.columns.places[name]] = factor.dummies[at(level)] - factor.dummies[at(reference)]
        return found

    def average_at(self, name: str, level: str, rows: IntArray, shift: float = 0.0) -> Average:
        """Mean survival of some rows with one factor set to a level, averaged over random intercepts.

        shift: added to the log-odds, for what another comparison says of the level.
        """
        factor, own, matrix = self.factors[name], self.columns.own(name), self.fit.design.matrix
        at = factor.dummies[factor.levels.index(level)]
        held = Held(own, at[self.columns.kept[own] - self.columns.places[name].start])
        chosen = matrix if len(rows) == len(matrix) else matrix[rows]
        return average(self.fit, chosen, self.fit.total_group_sd, shift, held)

    def spread_out(self, direction: FloatArray) -> FloatArray:
        """A combination of the kept columns as one of all columns."""
        found = np.zeros(self.columns.matrix.shape[1])
        found[self.columns.kept] = direction
        return found

    def comparable_rows(self, name: str) -> IntArray:
        """Rows whose level of a factor can be compared with its reference."""
        factor = self.factors[name]
        told = [
            self.columns.is_estimable(self.direction(name, level, factor.reference)) for level in factor.levels
        ]
        known = np.array([*told, True])  # the last is where UNKNOWN points
        return np.flatnonzero(known[factor.codes]).astype(np.int64)


def fit_adjusted(
    rows: pd.DataFrame,
    factors: Sequence[Factor],
    numbers: Mapping[str, FloatArray] | None = None,
) -> AdjustedModel:
    """Fit survivors of eggs by binomial mixed model with restricted spreads, random batch, site and tank-season.

    rows: tank-seasons used (season, site_id, batch_id, eggs, survivors; species and units at delivery where
    recorded). factors: coded over these rows. numbers: measured covariates, one value a row. Season is random from
    five on, else a factor. Raises Refused when no model can be fitted.
    """
    if not len(rows):
        raise Refused("No tank-season has what this model needs.")
    groups = _groups(rows)
    adjusters = {factor.name: factor for factor in _adjusters(rows, groups)}
    chosen = {factor.name: factor for factor in factors if len(factor.levels) > 1}
    measured = {**_units(rows), **(numbers or {})}
    dropped: list[str] = []
    while True:
        columns = build_columns(len(rows), [*adjusters.values(), *chosen.values()], measured)
        _require_rows(rows, columns)
        guilty = _separated(rows, columns)
        if not guilty:
            break
        dropped += guilty
        chosen = {name: factor for name, factor in chosen.items() if name not in guilty}
        adjusters = {name: factor for name, factor in adjusters.items() if name not in guilty}
        measured = {name: values for name, values in measured.items() if name not in guilty}
    fit = fit_mixed_design(design_of(rows, columns, groups))
    return AdjustedModel(rows, chosen, adjusters, measured, columns, fit, groups, tuple(dropped))


def _groups(rows: pd.DataFrame) -> tuple[str, ...]:
    """Site, batch, season from five on and tank-season, without any of one level or a twin of another."""
    wanted = ["site_id", "batch_id", *(["season"] if rows["season"].nunique() >= FEWEST_SEASONS else [])]
    groups: list[str] = []
    for name in wanted:
        levels = rows[name].nunique()
        twin = any(
            len(rows[[name, other]].drop_duplicates()) == levels == rows[other].nunique() for other in groups
        )
        if 1 < levels < len(rows) and not twin:
            groups.append(name)
    return (*groups, "tank_season")


def _adjusters(rows: pd.DataFrame, groups: tuple[str, ...]) -> list[Factor]:
    names = [name for name in ("species", "season") if name in rows and name not in groups]
    found = []
    for name in names:
        values = rows[name].astype(object).where(rows[name].notna(), None)
        coded = code_factor(rows, name, values, level_counts(rows, values), fewest_batches=1)
        found += [coded] if len(coded.levels) > 1 else []
    return found


def _units(rows: pd.DataFrame) -> dict[str, FloatArray]:
    """Thermal units at delivery in hundreds from their mean; where not recorded, at it."""
    if UNITS not in rows:
        return {}
    units = pd.to_numeric(rows[UNITS], errors="coerce").to_numpy(dtype=float)
    return centred(UNITS, units / 100.0)


def centred(name: str, values: FloatArray) -> dict[str, FloatArray]:
    """A measured covariate from its mean, at it where missing, with a column for what is missing in many rows."""
    known = np.isfinite(values)
    if known.sum() < FEWEST_TANKS or np.ptp(values[known]) == 0.0:
        return {}
    found = {name: np.where(known, values - values[known].mean(), 0.0)}
    if (~known).sum() >= FEWEST_TANKS:
        found[missing_of(name)] = (~known).astype(float)
    return found


def missing_of(name: str) -> str:
    """Name of the column that marks where a covariate was not recorded."""
    return f"{name} not recorded"


def _require_rows(rows: pd.DataFrame, columns: Columns) -> None:
    if len(rows) < len(columns.kept) + 1:
        raise Refused(
            f"{len(rows)} tank-seasons are too few for the {len(columns.kept)} coefficients of the model."
        )


def _separated(rows: pd.DataFrame, columns: Columns) -> list[str]:
    """Names of factors and covariates whose coefficients have no end."""
    terms = separated_terms(
        columns.matrix[:, columns.kept],
        rows["survivors"].to_numpy(dtype=float),
        rows["eggs"].to_numpy(dtype=float),
    )
    places = {int(columns.kept[term]) for term in terms}
    found = [name for name, span in columns.places.items() if places & set(range(span.start, span.stop))]
    if places and not found:
        raise Refused("Every fish survived, or every fish died, in every tank: no survival can be modelled.")
    return found


def design_of(rows: pd.DataFrame, columns: Columns, groups: tuple[str, ...]) -> Design:
    """The kept columns as a design with these groupings."""
    names = [""] * columns.matrix.shape[1]
    names[0] = "Intercept"
    for name, span in columns.places.items():
        for place in range(span.start, span.stop):
            names[place] = f"{name}[{place - span.start + 1}]"
    terms = tuple(names[place] for place in columns.kept)
    used = Rows(
        frame=rows,
        survived=rows["survivors"].to_numpy(dtype=float),
        trials=rows["eggs"].to_numpy(dtype=float),
        positions=np.arange(len(rows), dtype=np.int64),
        given=len(rows),
        left_out={},
    )
    matrix = np.ascontiguousarray(columns.matrix[:, columns.kept])
    groupings = tuple(_grouping(rows, name) for name in groups)
    return Design(used, " + ".join(columns.places), ("survivors", "eggs"), matrix, terms, (), groupings, None)


def _grouping(rows: pd.DataFrame, name: str) -> Grouping:
    if name == "tank_season":
        return Grouping(name, np.arange(len(rows), dtype=np.int64), tuple(range(len(rows))))
    codes, levels = pd.factorize(rows[name], sort=True)
    return Grouping(name, codes.astype(np.int64), tuple(levels))
