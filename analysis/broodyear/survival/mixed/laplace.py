"""A binomial mixed model's likelihood: the Laplace approximation with its exact gradient, the restricted one, with
which programmes of ordinary size get honest spreads, and adaptive Gauss–Hermite quadrature for one grouping."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from broodyear.statistics.numbers import FloatArray, expit, log1p_exp, log_binomial_coefficients
from broodyear.survival.design import Design
from broodyear.survival.mixed.system import Factor, factorise, follow, invert, lay_out, precision_of, solve

SMALLEST_SD, LARGEST_SD = 1e-3, 30.0  # logits, of any search
ZERO_SD = 0.02  # logits: a restricted spread below it adds nothing to any error
MODE_ITERATIONS = 60
MODE_TOLERANCE = 1e-18  # squared length of the next Newton step, so modes are right to about 1e-9
HALVINGS = 30
GRADIENT_STEP = 1e-4  # relative to the size of a coefficient's column; log sd in its own units
HESSIAN_STEP = 1e-3  # in units of about one standard error
HAIR = 1e-5  # of a move of about one standard error, for second derivatives
STEP = 1e-3  # of log sds, for second derivatives of the adjustment


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


class Laplace:
    """−2 log-likelihood of a design with some of its groupings (their places: kept) as a function of values: a log
    sd per grouping, then coefficients.

    It keeps the parameters and modes found last, where the next search for modes starts: they change speed, not
    results. smallest_sd: a spread that ends below it is none.
    """

    smallest_sd = SMALLEST_SD * (1.0 + 1e-6)

    def __init__(self, design: Design, kept: Iterable[int]) -> None:
        self.design, self.kept = design, np.array(list(kept), dtype=np.int64)
        self.matrix, self.survived, self.trials = design.matrix, design.rows.survived, design.rows.trials
        self.layout, self.count = lay_out([design.groupings[place] for place in self.kept]), len(self.kept)
        self.constant = -2.0 * log_binomial_coefficients(self.survived, self.trials)
        self._last: tuple[bytes, Mode] | None = None

    def mode(self, values: FloatArray) -> Mode:
        """Conditional modes by penalised iteratively reweighted least squares with step halving."""
        key = values.tobytes()
        if self._last is None or self._last[0] != key:
            sds, nowhere = np.exp(values[: self.count]), np.zeros(len(self.layout.owner))
            fixed = self.matrix @ values[self.count :]
            try:
                found = self._newton(sds, fixed, nowhere if self._last is None else self._last[1].effects)
            except FloatingPointError:
                found = self._newton(sds, fixed, nowhere)
            self._last = key, found
        return self._last[1]

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
        """What is minimised, here −2 log-likelihood, and its gradient.

        The determinant depends on the modes, which depend on the parameters; that path is followed by
        implicit differentiation of the modes' equation.
        """
        layout, mode = self.layout, self.mode(values)
        diagonal, leverages = invert(mode.factor)
        by_log_odds, of_modes = self._determinant_slopes(mode.factor, mode.share, leverages)
        own = mode.factor.scale * layout.gather_to_levels(by_log_odds)
        by_log_sd = layout.by_grouping(2.0 * (1.0 - diagonal - mode.effects**2) + (own + of_modes) * mode.effects)
        by_coefficient = self.matrix.T @ (by_log_odds - 2.0 * (self.survived - self.trials * mode.share))
        return Laplace.deviance(self, values), np.concatenate([by_log_sd, by_coefficient])

    def _determinant_slopes(
        self, factor: Factor, share: FloatArray, leverages: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Of log |H|: over each row's fixed log-odds, the modes following, and the share of each mode in it."""
        by_log_odds = leverages * factor.weight * (1.0 - 2.0 * share)  # modes held
        of_modes = solve(factor, factor.scale * self.layout.gather_to_levels(by_log_odds))
        return by_log_odds - factor.weight * self.layout.spread_to_rows(factor.scale * of_modes), of_modes

    def hessian(self, values: FloatArray, scale: FloatArray) -> FloatArray:
        """Second derivatives in units of the scale, whose columns are moves of log sds and of coefficients; those
        of coefficients cost less than by differences of the gradient."""
        count = self.count
        slopes = _slopes(lambda at: Laplace.with_gradient(self, at)[1], values, scale, count)
        within = 0.5 * (slopes[:, :count] + slopes[:, :count].T)
        curvature = self._coefficient_curvature(values, scale[count:, count:])
        return np.block([[within, slopes[:, count:]], [slopes[:, count:].T, curvature]])

    def _coefficient_curvature(self, values: FloatArray, moves: FloatArray) -> FloatArray:
        """Second derivatives of −2 log-likelihood along moves of the coefficients (columns).

        2 X'V⁻¹X but for the determinant, whose slopes are compared at log-odds a hair along each move: by how much
        these move with the modes is known to first order, so that no modes have to be found there.
        """
        mode, sds = self.mode(values), np.exp(values[: self.count])
        effects = mode.factor.scale * mode.effects
        log_odds = self.matrix @ values[self.count :] + self.layout.spread_to_rows(effects)
        moved = follow(mode.factor, self.matrix @ moves)

        def slopes(log_odds: FloatArray) -> FloatArray:
            share = expit(log_odds)
            factor = factorise(self.layout, sds, self.trials * share * (1.0 - share))
            return moves.T @ (self.matrix.T @ self._determinant_slopes(factor, share, invert(factor)[1])[0])

        here = slopes(log_odds)
        of_determinant = np.array([slopes(log_odds + HAIR * move) - here for move in moved.T]) / HAIR
        found = 2.0 * moves.T @ (self.matrix.T @ (mode.factor.weight[:, None] * moved)) + of_determinant
        return np.asarray(0.5 * (found + found.T), dtype=float)


def _slopes(
    gradient: Callable[[FloatArray], FloatArray], values: FloatArray, scale: FloatArray, moved: int
) -> FloatArray:
    """By how much a gradient changes with each of the first parameters moved, in units of the scale."""
    moves = HESSIAN_STEP * scale.T[:moved]
    changes = np.array([gradient(values + move) - gradient(values - move) for move in moves])
    return np.asarray(changes @ scale / (2.0 * HESSIAN_STEP), dtype=float)


class Restricted(Laplace):
    """The same adjusted for the coefficients, −2 log L + log|X'V⁻¹X| (Cox & Reid 1987, doi
    10.1111/j.2517-6161.1987.tb01422.x; REML in the normal case), binomial weights held in the adjustment.

    Maximum likelihood underrates spreads because it takes the coefficients as known.
    """

    smallest_sd = ZERO_SD

    def with_gradient(self, values: FloatArray) -> tuple[float, FloatArray]:
        value, slope = super().with_gradient(values)
        precision = precision_of(self.mode(values).factor, self.matrix)
        slope[: self.count] += precision.adjustment_slope()
        return value - float(np.linalg.slogdet(precision.covariance)[1]), slope

    def hessian(self, values: FloatArray, scale: FloatArray) -> FloatArray:
        """Where the spread that maximum likelihood would take is zero, that likelihood is not curved at the
        restricted one, and only the adjustment says how well it is known."""
        weight, own = self.mode(values).factor.weight, scale[: self.count, : self.count]

        def slope(log_sds: FloatArray) -> FloatArray:
            return precision_of(factorise(self.layout, np.exp(log_sds), weight), self.matrix).adjustment_slope()

        log_sds, steps = values[: self.count], STEP * np.eye(self.count)
        block = np.array([slope(log_sds + step) - slope(log_sds - step) for step in steps])
        hessian = super().hessian(values, scale)
        hessian[: self.count, : self.count] += own.T @ (block + block.T) @ own / (4.0 * STEP)
        return hessian


class Quadrature(Laplace):
    """−2 log-likelihood by quadrature around each level's conditional mode (Pinheiro & Bates 1995, doi
    10.1080/10618600.1995.10474663); points: nodes per level, of which 1 would give the Laplace value itself."""

    def __init__(self, design: Design, points: int) -> None:
        super().__init__(design, [0])
        self.points = points

    def deviance(self, values: FloatArray) -> float:
        sd, mode, level, levels = float(np.exp(values[0])), self.mode(values), self.layout.main, self.layout.most
        fixed, width = self.matrix @ values[1:], 1.0 / mode.factor.root
        nodes, weights = np.polynomial.hermite_e.hermegauss(self.points)
        log_terms = np.empty((self.points, levels))
        for place, node in enumerate(nodes):
            effect = mode.effects + node * width
            log_odds = fixed + sd * effect[level]
            kernel = self.survived * log_odds - self.trials * log1p_exp(log_odds)
            log_terms[place] = np.bincount(level, kernel, levels) - 0.5 * effect**2 + 0.5 * node**2
        top = log_terms.max(axis=0)
        summed = weights @ np.exp(log_terms - top) / np.sqrt(2.0 * np.pi)
        return float(-2.0 * np.sum(np.log(width) + top + np.log(summed))) + self.constant

    def with_gradient(self, values: FloatArray) -> tuple[float, FloatArray]:
        """The deviance and its gradient by fourth-order central differences."""
        steps = GRADIENT_STEP / np.append(1.0, np.maximum(np.abs(self.matrix).max(axis=0), 1e-12))

        def rise(move: FloatArray) -> float:
            return self.deviance(values + move) - self.deviance(values - move)

        gradient = np.array([8.0 * rise(move) - rise(2.0 * move) for move in np.diag(steps)]) / (12.0 * steps)
        return self.deviance(values), gradient

    def hessian(self, values: FloatArray, scale: FloatArray) -> FloatArray:
        """By central differences of the gradient."""
        slopes = _slopes(lambda at: self.with_gradient(at)[1], values, scale, len(values))
        return np.asarray(0.5 * (slopes + slopes.T), dtype=float)
