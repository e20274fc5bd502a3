"""Whether temperature acts in a straight line: a natural spline beside the line, by one step from the fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodyear.statistics.numbers import FloatArray
from broodyear.survival.averaging import average_over_groups
from broodyear.survival.practices.model import AdjustedModel

#: Places of the knots among the temperatures (Harrell 2015, Regression Modeling Strategies, table 2.3: four
#: knots).
KNOTS = (0.05, 0.35, 0.65, 0.95)
POINTS = 21
CURVED_BELOW = 0.05


@dataclass(frozen=True)
class Bend:
    """p_value: of a straight line against the spline, nan when it cannot be told; best_temp_c, best_pct: where
    along the curve survival is highest, between the outer knots."""

    p_value: float = np.nan
    best_temp_c: float = np.nan
    best_pct: float = np.nan

    @property
    def is_curved(self) -> bool:
        return self.p_value < CURVED_BELOW


def bend_of(model: AdjustedModel, name: str, temps_c: FloatArray) -> Bend:
    """A straight line in a covariate against a natural cubic spline; temps_c: one a row, nan where missing.

    A Wald test (F, Satterthwaite's degrees of freedom) of the spline's further columns in the working model.
    """
    from scipy.special import fdtrc

    known = np.isfinite(temps_c)
    knots = np.quantile(temps_c[known], KNOTS)
    if len(np.unique(knots)) < len(KNOTS):
        return Bend()
    further = np.where(known[:, None], spline_columns(np.where(known, temps_c, 0.0), knots), 0.0)
    wider, plain = model.working.with_columns(further), model.working.plain
    if wider is None:
        return Bend()
    own = wider.coefficients[-further.shape[1] :]
    block = wider.covariance[-further.shape[1] :, -further.shape[1] :]
    ratio = float(own @ np.linalg.solve(block, own)) / len(own)
    degrees = min(wider.degrees(row) for row in np.eye(len(wider.coefficients))[-further.shape[1] :])
    p_value = float(fdtrc(len(own), min(degrees, 1e9), ratio))
    if not p_value < CURVED_BELOW:
        return Bend(p_value)
    moved = np.concatenate([model.fit.coefficients - plain.coefficients, np.zeros(len(own))]) + wider.coefficients
    grid, matrix = np.linspace(knots[0], knots[-1], POINTS), np.hstack([model.fit.design.matrix, further])
    place = int(np.flatnonzero(model.columns.kept == model.columns.places[name].start)[0])
    line = [place, *range(matrix.shape[1] - further.shape[1], matrix.shape[1])]
    rest = matrix @ moved - matrix[:, line] @ moved[line]
    lines = np.column_stack([grid - temps_c[known].mean(), spline_columns(grid, knots)]) @ moved[line]
    top = int(np.argmax(lines))
    share = average_over_groups(rest + lines[top], model.fit.total_group_sd).share.mean()
    return Bend(p_value, float(grid[top]), 100.0 * float(share))


def spline_columns(values: FloatArray, knots: FloatArray) -> FloatArray:
    """The columns of a restricted cubic spline beside the straight line, shape (values, knots − 2)."""

    def cube(knot: float) -> FloatArray:
        return np.maximum(values - knot, 0.0) ** 3

    last, before = float(knots[-1]), float(knots[-2])
    width = (last - float(knots[0])) ** 2
    columns = [
        cube(knot)
        - cube(before) * (last - knot) / (last - before)
        + cube(last) * (before - knot) / (last - before)
        for knot in map(float, knots[:-2])
    ]
    return np.column_stack(columns) / width
