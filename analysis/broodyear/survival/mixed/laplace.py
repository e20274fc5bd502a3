"""A binomial mixed model's likelihood: the Laplace approximation with its exact gradient, and adaptive
Gauss–Hermite quadrature for one random intercept."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from broodyear.statistics.numbers import FloatArray, expit, log1p_exp, log_binomial_coefficients
from broodyear.survival.design.matrix import Design
from broodyear.survival.mixed.system import Factor, Layout, factorise, follow, invert, lay_out, solve

MODE_ITERATIONS = 60
MODE_TOLERANCE = 1e-18  # squared length of the next Newton step, so modes are right to about 1e-9
HALVINGS = 30
GRADIENT_STEP = 1e-4  # relative to the size of a coefficient's column; log sd in its own units
HAIR = 1e-5  # of a move of about one standard error, for second derivatives


@dataclass(frozen=True, eq=False)
class Mode:
    """The conditional modes at one set of parameters, and what was computed there.

    effects: standardised modes u of all levels, in the order of the layout. share: fitted survival per row.
    penalised: −log-likelihood (no binomial coefficients) + ½ u'u. factor: the factorised Hessian.
    """

    effects: FloatArray
    share: FloatArray
    penalised: float
    factor: Factor


@dataclass(eq=False)
class Laplace:
    """−2 log-likelihood of one data set as a function of values: log sd per grouping, then coefficients.

    `last` keeps the parameters and modes found last, where the next search for modes starts: they change speed,
    not results.
    """

    matrix: FloatArray
    survived: FloatArray
    trials: FloatArray
    layout: Layout
    last: tuple[bytes, Mode] | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        self.constant = -2.0 * log_binomial_coefficients(self.survived, self.trials)

    @property
    def count(self) -> int:
        """Number of groupings, and of log sds among the values."""
        return len(self.layout.spots)

    def mode(self, values: FloatArray) -> Mode:
        """Conditional modes by penalised iteratively reweighted least squares with step halving."""
        key = values.tobytes()
        if self.last is None or self.last[0] != key:
            sds, nowhere = np.exp(values[: self.count]), np.zeros(len(self.layout.owner))
            fixed = self.matrix @ values[self.count :]
            try:
                found = self._newton(sds, fixed, nowhere if self.last is None else self.last[1].effects)
            except FloatingPointError:
                found = self._newton(sds, fixed, nowhere)
            self.last = key, found
        return self.last[1]

    def _newton(self, sds: FloatArray, fixed: FloatArray, effects: FloatArray) -> Mode:
        scale = sds[self.layout.owner]
        log_odds = fixed + self.layout.spread_to_rows(scale * effects)
        value = self._penalised(log_odds, effects)
        for _ in range(MODE_ITERATIONS):
            share = expit(log_odds)
            factor = factorise(self.layout, sds, self.trials * share * (1.0 - share))
            pull = scale * self.layout.gather_to_levels(self.survived - self.trials * share) - effects
            step = solve(factor, pull)
            gain = float(pull @ step)
            if gain < MODE_TOLERANCE:
                return Mode(effects, share, value, factor)
            start, allowed = effects, value + 1e-12 * (1.0 + abs(value))
            for _ in range(HALVINGS):  # until the penalised deviance no longer rises beyond rounding
                effects = start + step
                log_odds = fixed + self.layout.spread_to_rows(scale * effects)
                value = self._penalised(log_odds, effects)
                if value <= allowed or gain < 1e-9:
                    break
                step = 0.5 * step
            else:
                raise FloatingPointError("no step lowers the penalised deviance")
        raise FloatingPointError("conditional modes did not settle")

    def _penalised(self, log_odds: FloatArray, effects: FloatArray) -> float:
        kernel = float(self.trials @ log1p_exp(log_odds) - self.survived @ log_odds)
        return kernel + 0.5 * float(effects @ effects)

    def deviance(self, values: FloatArray) -> float:
        """−2 log-likelihood, binomial coefficients included."""
        mode = self.mode(values)
        return 2.0 * mode.penalised + mode.factor.log_determinant + self.constant

    def with_gradient(self, values: FloatArray) -> tuple[float, FloatArray]:
        """−2 log-likelihood and its gradient.

        The determinant depends on the modes, which depend on the parameters; that path is followed by
        implicit differentiation of the modes' equation.
        """
        layout, mode = self.layout, self.mode(values)
        inverse = invert(mode.factor)
        by_log_odds, of_modes = self._determinant_slopes(mode.factor, mode.share, inverse.leverages)
        own = mode.factor.scale * layout.gather_to_levels(by_log_odds)
        by_log_sd = layout.by_grouping(
            2.0 * (1.0 - inverse.diagonal - mode.effects**2) + (own + of_modes) * mode.effects
        )
        by_coefficient = self.matrix.T @ (by_log_odds - 2.0 * (self.survived - self.trials * mode.share))
        return self.deviance(values), np.concatenate([by_log_sd, by_coefficient])

    def _determinant_slopes(
        self, factor: Factor, share: FloatArray, leverages: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Of log |H|: over each row's fixed log-odds, the modes following, and the share of each mode in it."""
        by_log_odds = leverages * factor.weight * (1.0 - 2.0 * share)  # modes held
        of_modes = solve(factor, factor.scale * self.layout.gather_to_levels(by_log_odds))
        return by_log_odds - factor.weight * self.layout.spread_to_rows(factor.scale * of_modes), of_modes

    def coefficient_curvature(self, values: FloatArray, moves: FloatArray) -> FloatArray:
        """Second derivatives of −2 log-likelihood along moves of the coefficients (columns).

        2 X'V⁻¹X but for the determinant, whose slopes are compared at log-odds a hair along each move: by how much
        these move with the modes is known to first order, so that no modes have to be found there.
        """
        mode, sds = self.mode(values), np.exp(values[: self.count])
        log_odds = self.matrix @ values[self.count :] + self.layout.spread_to_rows(
            mode.factor.scale * mode.effects
        )
        moved = follow(mode.factor, self.matrix @ moves)

        def slopes(log_odds: FloatArray) -> FloatArray:
            share = expit(log_odds)
            factor = factorise(self.layout, sds, self.trials * share * (1.0 - share))
            return moves.T @ (self.matrix.T @ self._determinant_slopes(factor, share, invert(factor).leverages)[0])

        here = slopes(log_odds)
        of_determinant = np.array([slopes(log_odds + HAIR * move) - here for move in moved.T]) / HAIR
        found = 2.0 * moves.T @ (self.matrix.T @ (mode.factor.weight[:, None] * moved)) + of_determinant
        return np.asarray(0.5 * (found + found.T), dtype=float)


def laplace_for(design: Design, kept: Iterable[int]) -> Laplace:
    """The Laplace likelihood of a design with only the groupings kept."""
    layout = lay_out([design.groupings[place] for place in kept])
    return Laplace(design.matrix, design.rows.survived, design.rows.trials, layout)


@dataclass(frozen=True, eq=False)
class Quadrature:
    """−2 log-likelihood by quadrature around each level's conditional mode, for one grouping.

    laplace: the same data under the Laplace approximation, which supplies modes and their curvature.
    points: nodes per level; 1 node would give the Laplace value itself.
    """

    laplace: Laplace
    points: int

    def deviance(self, values: FloatArray) -> float:
        """−2 log-likelihood, binomial coefficients included (Pinheiro & Bates 1995)."""
        data, sd, mode = self.laplace, float(np.exp(values[0])), self.laplace.mode(values)
        level, levels = data.layout.main, data.layout.most
        fixed = data.matrix @ values[1:]
        width = 1.0 / mode.factor.root
        nodes, weights = np.polynomial.hermite_e.hermegauss(self.points)
        log_terms = np.empty((self.points, levels))
        for place, node in enumerate(nodes):
            effect = mode.effects + node * width
            log_odds = fixed + sd * effect[level]
            kernel = data.survived * log_odds - data.trials * log1p_exp(log_odds)
            log_terms[place] = np.bincount(level, kernel, levels) - 0.5 * effect**2 + 0.5 * node**2
        top = log_terms.max(axis=0)
        summed = weights @ np.exp(log_terms - top) / np.sqrt(2.0 * np.pi)
        return float(-2.0 * np.sum(np.log(width) + top + np.log(summed))) + data.constant

    def with_gradient(self, values: FloatArray) -> tuple[float, FloatArray]:
        """The deviance and its gradient by fourth-order central differences."""
        spread = np.maximum(np.abs(self.laplace.matrix).max(axis=0), 1e-12)
        steps = GRADIENT_STEP / np.append(1.0, spread)

        def rise(move: FloatArray) -> float:
            return self.deviance(values + move) - self.deviance(values - move)

        moves = np.diag(steps)
        gradient = np.array([8.0 * rise(move) - rise(2.0 * move) for move in moves]) / (12.0 * steps)
        return self.deviance(values), gradient
