"""The Laplace approximation of a binomial mixed model's likelihood, with its exact gradient."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from broodyear.errors import Refused
from broodyear.survival.arrays import FloatArray, expit, log1p_exp, log_binomial_coefficients
from broodyear.survival.mixed_second import second_derivatives
from broodyear.survival.mixed_system import (
    Factor,
    Inverse,
    Layout,
    factorise,
    gather_to_levels,
    invert,
    solve,
    spread_to_rows,
)

MODE_ITERATIONS = 60
MODE_TOLERANCE = 1e-18  # squared length of the next Newton step, so modes are right to about 1e-9
HALVINGS = 30


@dataclass(frozen=True, eq=False)
class Mode:
    """The conditional modes at one set of parameters, and what was computed there.

    effects: standardised modes u, one array per grouping. share: fitted survival per row.
    penalised: −log-likelihood (no binomial coefficients) + ½ u'u. factor: the factorised Hessian.
    """

    effects: list[FloatArray]
    log_odds: FloatArray
    share: FloatArray
    penalised: float
    factor: Factor


@dataclass(frozen=True, eq=False)
class Point:
    """−2 log-likelihood and its gradient at one set of parameters, with the parts second derivatives need.

    sds: one per grouping. passed: H⁻¹ Λ Z' c, with c the derivative of log |H| over each row's log-odds.
    """

    sds: FloatArray
    mode: Mode
    inverse: Inverse
    passed: list[FloatArray]
    value: float
    gradient: FloatArray

    @property
    def factor(self) -> Factor:
        """The factorised Hessian at the modes."""
        return self.mode.factor


@dataclass(eq=False)
class Laplace:
    """−2 log-likelihood of one data set as a function of (log sd per grouping, coefficients).

    `warm` keeps the last modes as the next start, `last` the last modes and point found, because second
    derivatives and information are asked for where a search has just been; they change speed, not results.
    """

    matrix: FloatArray
    survived: FloatArray
    trials: FloatArray
    layout: Layout
    warm: list[FloatArray] | None = field(default=None, repr=False)
    last: dict[str, tuple[bytes, Any]] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        self.constant = -2.0 * log_binomial_coefficients(self.survived, self.trials)

    def mode(self, sds: FloatArray, coefficients: FloatArray) -> Mode:
        """Conditional modes by penalised iteratively reweighted least squares with step halving."""
        found: Mode = self._kept("mode", self._mode, sds, coefficients)
        return found

    def _kept(
        self, name: str, work: Callable[[FloatArray, FloatArray], Any], first: FloatArray, second: FloatArray
    ) -> Any:
        """What `work` gives, worked out anew only where the parameters are others than the last time."""
        key = first.tobytes() + second.tobytes()
        if name not in self.last or self.last[name][0] != key:
            self.last[name] = (key, work(first, second))
        return self.last[name][1]

    def _mode(self, sds: FloatArray, coefficients: FloatArray) -> Mode:
        fixed = self.matrix @ coefficients
        start = self.warm or [np.zeros(size) for size in self.layout.sizes]
        try:
            mode = self._newton(sds, fixed, start)
        except FloatingPointError:
            mode = self._newton(sds, fixed, [np.zeros(size) for size in self.layout.sizes])
        self.warm = mode.effects
        return mode

    def _newton(self, sds: FloatArray, fixed: FloatArray, effects: list[FloatArray]) -> Mode:
        log_odds = fixed + spread_to_rows(self.layout, sds, effects)
        value = self._penalised(log_odds, effects)
        for _ in range(MODE_ITERATIONS):
            share = expit(log_odds)
            factor = factorise(self.layout, sds, self.trials * share * (1.0 - share))
            pull = gather_to_levels(self.layout, sds, self.survived - self.trials * share)
            gradient = [part - effect for part, effect in zip(pull, effects, strict=True)]
            step = solve(factor, gradient)
            gain = sum(float(part @ move) for part, move in zip(gradient, step, strict=True))
            if gain < MODE_TOLERANCE:
                return Mode(effects, log_odds, share, value, factor)
            effects, log_odds, value = self._move(sds, fixed, effects, step, value, gain)
        raise FloatingPointError("conditional modes did not settle")

    def _move(
        self,
        sds: FloatArray,
        fixed: FloatArray,
        effects: list[FloatArray],
        step: list[FloatArray],
        value: float,
        gain: float,
    ) -> tuple[list[FloatArray], FloatArray, float]:
        """One Newton step, halved until the penalised deviance no longer rises beyond rounding."""
        allowed = value + 1e-12 * (1.0 + abs(value))
        length = 1.0
        for _ in range(HALVINGS):
            moved = [effect + length * part for effect, part in zip(effects, step, strict=True)]
            log_odds = fixed + spread_to_rows(self.layout, sds, moved)
            trial = self._penalised(log_odds, moved)
            if trial <= allowed or gain < 1e-9:
                return moved, log_odds, trial
            length *= 0.5
        raise FloatingPointError("no step lowers the penalised deviance")

    def _penalised(self, log_odds: FloatArray, effects: list[FloatArray]) -> float:
        kernel = float(self.trials @ log1p_exp(log_odds) - self.survived @ log_odds)
        return kernel + 0.5 * sum(float(effect @ effect) for effect in effects)

    def deviance(self, log_sds: FloatArray, coefficients: FloatArray) -> float:
        """−2 log-likelihood, binomial coefficients included."""
        mode = self.mode(np.exp(log_sds), coefficients)
        return 2.0 * mode.penalised + mode.factor.log_determinant + self.constant

    def with_gradient(self, log_sds: FloatArray, coefficients: FloatArray) -> tuple[float, FloatArray]:
        """−2 log-likelihood and its gradient over (log sds, coefficients)."""
        point = self.point(log_sds, coefficients)
        return point.value, point.gradient

    def point(self, log_sds: FloatArray, coefficients: FloatArray) -> Point:
        """−2 log-likelihood, its gradient over (log sds, coefficients) and what was computed on the way.

        The determinant depends on the modes, which depend on the parameters; that path is followed by
        implicit differentiation of the modes' equation.
        """
        found: Point = self._kept("point", self._point, log_sds, coefficients)
        return found

    def _point(self, log_sds: FloatArray, coefficients: FloatArray) -> Point:
        sds = np.exp(log_sds)
        mode = self.mode(sds, coefficients)
        factor, layout = mode.factor, self.layout
        inverse = invert(factor)
        residual = self.survived - self.trials * mode.share
        curvature = inverse.leverages * factor.weight * (1.0 - 2.0 * mode.share)
        passed = solve(factor, gather_to_levels(layout, sds, curvature))
        through = curvature - factor.weight * spread_to_rows(layout, sds, passed)
        by_log_sd = np.empty(len(sds))
        for place, effect in enumerate(mode.effects):
            own = sds[place] * np.bincount(layout.codes[place], through, layout.sizes[place])
            by_log_sd[place] = (
                -2.0 * float(effect @ effect)
                + 2.0 * (layout.sizes[place] - float(inverse.diagonals[place].sum()))
                + float((own + passed[place]) @ effect)
            )
        value = 2.0 * mode.penalised + factor.log_determinant + self.constant
        gradient = np.concatenate([by_log_sd, self.matrix.T @ (through - 2.0 * residual)])
        return Point(sds, mode, inverse, passed, value, gradient)

    def hessian(self, log_sds: FloatArray, coefficients: FloatArray) -> FloatArray:
        """Second derivatives of −2 log-likelihood over (log sds, coefficients)."""
        return second_derivatives(self, self.point(log_sds, coefficients))

    def fixed_information(self, sds: FloatArray, coefficients: FloatArray) -> FloatArray:
        """X'WX less what the random effects absorb: the usual working information of the coefficients."""
        factor = self.mode(sds, coefficients).factor
        weighted = factor.weight[:, None] * self.matrix
        information = self.matrix.T @ weighted
        for column in range(self.matrix.shape[1]):
            absorbed = solve(factor, gather_to_levels(self.layout, sds, weighted[:, column]))
            information[:, column] -= weighted.T @ spread_to_rows(self.layout, sds, absorbed)
        return 0.5 * (information + information.T)


def refuse_unsettled(error: FloatingPointError) -> Refused:
    """The sentence for a mixed model whose modes do not settle."""
    return Refused(
        f"The mixed model did not settle ({error}): look for a covariate with extreme values (put it in"
        " other units, or centre it) or a group with nearly all-or-nothing tanks."
    )
