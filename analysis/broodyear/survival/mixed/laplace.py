"""A binomial mixed model's likelihood: the Laplace approximation with its exact gradient, the restricted one, with
which programmes of ordinary size get honest spreads, and adaptive Gauss–Hermite quadrature for one grouping."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import expit, logsumexp

from broodyear.statistics.crossed import (
    Factor,
    Precision,
    factorise,
    inverse_times,
    lay_out,
    precision_of,
    solve,
)
from broodyear.statistics.numbers import (
    FloatArray,
    differenced,
    log1p_exp,
    log_binomial_coefficients,
    normal_nodes,
)
from broodyear.survival.design import Design

SMALLEST_SD, LARGEST_SD = 1e-3, 30.0  # logits, of any search
ZERO_SD = 0.02  # logits: a restricted spread below it adds nothing to any error
MODE_ITERATIONS = 60
MODE_TOLERANCE = 1e-18  # squared length of the next Newton step, so modes are right to about 1e-9
HALVINGS = 30
GRADIENT_STEP = 1e-4  # relative to the size of a coefficient's column; log sd in its own units
RATE = 1.0  # per logit: an assumption; spreads of survival between tanks, sites and batches are 0.1 to 1 logit


@dataclass(frozen=True, eq=False)
class Mode:
    """The conditional modes at one set of parameters, and what was computed there.

    effects: standardised modes u of all levels, in the order of the layout. probability: fitted survival per row.
    penalised: −log-likelihood (no binomial coefficients) + ½ u'u. factor: the factorised Hessian. matrix: X.
    """

    effects: FloatArray
    probability: FloatArray
    penalised: float
    factor: Factor
    matrix: FloatArray

    @cached_property
    def precision(self) -> Precision:
        """The working precision of the coefficients."""
        return precision_of(self.factor, self.matrix)


class Laplace:
    """−2 log-likelihood of a design with some of its groupings (their positions: kept) as a function of values: a
    variance per grouping, then coefficients.

    It keeps the parameters and modes found last, where the next search for modes starts: they change speed, not
    results. smallest_sd: a spread that ends below it is none. smallest_start: of a variance; a search that begins
    nearer to zero takes longer to find it.
    """

    smallest_sd, smallest_start = SMALLEST_SD * (1.0 + 1e-6), 0.04

    def __init__(self, design: Design, kept: Iterable[int]) -> None:
        self.design, self.kept = design, np.array(list(kept), dtype=np.int64)
        self.matrix, self.survived, self.trials = design.matrix, design.survived, design.trials
        self.layout, self.count = lay_out([design.groupings[index] for index in self.kept]), len(self.kept)
        self.constant = -2.0 * log_binomial_coefficients(self.survived, self.trials)
        self._last: tuple[FloatArray, Mode] | None = None

    def sds(self, values: FloatArray) -> FloatArray:
        """Standard deviations by grouping, within the limits of any search."""
        return np.asarray(np.sqrt(np.clip(values[: self.count], SMALLEST_SD**2, LARGEST_SD**2)), dtype=float)

    def mode(self, values: FloatArray) -> Mode:
        """Conditional modes by penalised iteratively reweighted least squares with step halving."""
        if self._last is None or (self._last[0] != values).any():
            sds, fixed = self.sds(values), self.matrix @ values[self.count :]
            nowhere = np.zeros(len(fixed))
            near = nowhere if self._last is None else self._followed(*self._last, values)
            try:
                found = self._newton(sds, fixed, near)
            except FloatingPointError:
                found = self._newton(sds, fixed, nowhere)
            self._last = values.copy(), found
        return self._last[1]

    def _followed(self, values: FloatArray, mode: Mode, moved: FloatArray) -> FloatArray:
        """The pull on each row to first order at moved values, from the modes at some."""
        pull, move = self.design.residuals(mode.probability), moved - values
        held = move[self.layout.owner] * self.layout.gather_to_levels(pull)
        ahead = self.matrix @ move[self.count :] + self.layout.spread_to_rows(held)
        return pull - inverse_times(mode.factor, ahead)

    def _newton(self, sds: FloatArray, fixed: FloatArray, pull: FloatArray) -> Mode:
        """From the modes that a pull on each row holds, Λ Z' of it; at the end what the fit leaves over."""
        layout, scale = self.layout, sds[self.layout.owner]
        effects = scale * layout.gather_to_levels(pull)
        log_odds = fixed + layout.spread_to_rows(scale * effects)
        value = self._penalised(log_odds, effects)
        for _ in range(MODE_ITERATIONS):
            probability = expit(log_odds)
            factor = factorise(layout, sds, self.design.variances(probability))
            unheld = self.design.residuals(probability) - pull
            step = solve(factor, unheld)
            of_levels = scale * layout.gather_to_levels(step)
            of_rows = layout.spread_to_rows(scale * of_levels)
            gain = float(unheld @ of_rows)
            if gain < MODE_TOLERANCE:
                return Mode(effects, probability, value, factor, self.matrix)
            allowed = value + 1e-12 * (1.0 + abs(value))
            for length in 0.5 ** np.arange(HALVINGS):  # until the deviance no longer rises beyond rounding
                value = self._penalised(log_odds + length * of_rows, effects + length * of_levels)
                if value <= allowed or gain < 1e-9:
                    break
            else:
                raise FloatingPointError("no step lowers the penalised deviance")
            pull, effects = pull + length * step, effects + length * of_levels
            log_odds = log_odds + length * of_rows
        raise FloatingPointError("conditional modes did not settle")

    def _penalised(self, log_odds: FloatArray, effects: FloatArray) -> float:
        kernel = float(self.trials @ log1p_exp(log_odds) - self.survived @ log_odds)
        return kernel + 0.5 * float(effects @ effects)

    def deviance(self, values: FloatArray) -> float:
        """−2 log-likelihood, binomial coefficients included."""
        mode = self.mode(values)
        return 2.0 * mode.penalised + mode.factor.log_determinant + self.constant

    def with_gradient(self, values: FloatArray) -> tuple[float, FloatArray]:
        """What is minimised, here −2 log-likelihood, and its gradient."""
        mode = self.mode(values)
        return self.deviance(values), self._gradient(values, mode.factor, mode.probability)

    def _gradient(self, values: FloatArray, factor: Factor, probability: FloatArray) -> FloatArray:
        """At what is computed at the modes.

        The determinant depends on the modes, which depend on the parameters; that path is followed by
        implicit differentiation of the modes' equation.
        """
        layout, left = self.layout, self.design.residuals(probability)
        diagonal, leverages = factor.inverse
        by_row = solve(factor, leverages * factor.weight * (1.0 - 2.0 * probability))  # the modes following
        effects, own = (factor.scale * layout.gather_to_levels(one) for one in (left, by_row))
        by_variance = layout.by_grouping(1.0 - diagonal - effects * (effects - own)) / self.sds(values) ** 2
        return np.concatenate([by_variance, self.matrix.T @ (by_row - 2.0 * left)])

    def hessian(self, values: FloatArray, scale: FloatArray) -> FloatArray:
        """Second derivatives in units of the scale, whose columns are moves of variances and coefficients.

        No modes have to be found there: by how much they follow a move is known to first order, and what is missed
        at second order is the same to both sides.
        """
        layout, mode = self.layout, self.mode(values)

        def near(at: FloatArray) -> FloatArray:
            sds, pull = self.sds(at), layout.gather_to_levels(self._followed(values, mode, at))
            log_odds = self.matrix @ at[self.count :] + layout.spread_to_rows(sds[layout.owner] ** 2 * pull)
            probability = expit(log_odds)
            return self._gradient(at, factorise(layout, sds, self.design.variances(probability)), probability)

        return differenced(near, values, scale)


class Restricted(Laplace):
    """The same adjusted for the coefficients, −2 log L + log|X'V⁻¹X| (Cox & Reid 1987, doi
    10.1111/j.2517-6161.1987.tb01422.x; REML in the normal case), binomial weights held in the adjustment.

    Maximum likelihood underrates spreads because it takes the coefficients as known.
    """

    smallest_sd = ZERO_SD

    def with_gradient(self, values: FloatArray) -> tuple[float, FloatArray]:
        value, slope = super().with_gradient(values)
        precision = self.mode(values).precision
        slope[: self.count] += precision.adjustment_slope()
        return value - float(np.linalg.slogdet(precision.covariance)[1]), slope

    def hessian(self, values: FloatArray, scale: FloatArray) -> FloatArray:
        """Where the spread that maximum likelihood would take is zero, that likelihood is not curved at the
        restricted one, and only the adjustment says how well it is known."""
        weight, own = self.mode(values).factor.weight, slice(self.count)

        def slope(variances: FloatArray) -> FloatArray:
            return precision_of(factorise(self.layout, np.sqrt(variances), weight), self.matrix).adjustment_slope()

        hessian = super().hessian(values, scale)
        hessian[own, own] += differenced(slope, values[own], scale[own, own])
        return hessian


class OffZero(Restricted):
    """The same with a prior that no spread is nothing and none is many logits: gamma, shape 2, rate RATE.

    Where few levels tell a spread, zero is often its best single value, and errors that rest on it are too small;
    from there the prior moves it by about one standard error (Chung et al. 2013, doi 10.1007/s11336-013-9328-2),
    and hardly where many levels tell. With a single difference between levels it keeps the spread in bounds.
    """

    smallest_start = 1e-3  # logits squared: zero is not looked for

    def with_gradient(self, values: FloatArray) -> tuple[float, FloatArray]:
        value, slope = super().with_gradient(values)
        sds = self.sds(values)
        slope[: self.count] += (RATE - 1.0 / sds) / sds
        return value + 2.0 * float(np.sum(RATE * sds - np.log(sds))), slope

    def hessian(self, values: FloatArray, scale: FloatArray) -> FloatArray:
        hessian, sds, own = super().hessian(values, scale), self.sds(values), slice(self.count)
        hessian[own, own] += scale[own, own].T @ np.diag((1.0 / sds - 0.5 * RATE) / sds**3) @ scale[own, own]
        return hessian


class Quadrature(Laplace):
    """−2 log-likelihood by quadrature around each level's conditional mode (Pinheiro & Bates 1995, doi
    10.1080/10618600.1995.10474663); points: nodes per level, of which 1 would give the Laplace value itself."""

    def __init__(self, design: Design, points: int) -> None:
        super().__init__(design, [0])
        self.points = points

    def deviance(self, values: FloatArray) -> float:
        mode, (nodes, weights) = self.mode(values), (one[:, None] for one in normal_nodes(self.points))
        effects = mode.effects + nodes / mode.factor.root
        log_odds = self.matrix @ values[1:] + self.sds(values) * effects[:, self.layout.main]
        kernel = self.survived * log_odds - self.trials * log1p_exp(log_odds)
        terms = self.layout.gather_to_levels(kernel.T).T - 0.5 * effects**2 + 0.5 * nodes**2
        levels = logsumexp(terms, axis=0, b=weights) - np.log(mode.factor.root)
        return float(-2.0 * np.sum(levels)) + self.constant

    def with_gradient(self, values: FloatArray) -> tuple[float, FloatArray]:
        """The deviance and its gradient by central differences."""
        steps = GRADIENT_STEP / np.append(0.5 / values[0], np.maximum(np.abs(self.matrix).max(axis=0), 1e-12))
        rises = [self.deviance(values + move) - self.deviance(values - move) for move in np.diag(steps)]
        return self.deviance(values), np.array(rises) / (2.0 * steps)

    def hessian(self, values: FloatArray, scale: FloatArray) -> FloatArray:
        return differenced(lambda at: self.with_gradient(at)[1], values, scale)
