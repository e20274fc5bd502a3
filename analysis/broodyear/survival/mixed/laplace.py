"""The Laplace approximation of a binomial mixed model's likelihood, with its exact gradient."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from broodyear.errors import Refused
from broodyear.statistics.numbers import FloatArray, expit, log1p_exp, log_binomial_coefficients
from broodyear.survival.design.matrix import Design
from broodyear.survival.mixed.system import (
    Factor,
    Layout,
    factorise,
    gather_to_levels,
    invert,
    lay_out,
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


@dataclass(eq=False)
class Laplace:
    """−2 log-likelihood of one data set as a function of (log sd per grouping, coefficients).

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

    def mode(self, sds: FloatArray, coefficients: FloatArray) -> Mode:
        """Conditional modes by penalised iteratively reweighted least squares with step halving."""
        key = sds.tobytes() + coefficients.tobytes()
        if self.last is None or self.last[0] != key:
            self.last = key, self._mode(sds, self.matrix @ coefficients)
        return self.last[1]

    def _mode(self, sds: FloatArray, fixed: FloatArray) -> Mode:
        nowhere = [np.zeros(size) for size in self.layout.sizes]
        if self.last is None:
            return self._newton(sds, fixed, nowhere)
        try:
            return self._newton(sds, fixed, self.last[1].effects)
        except FloatingPointError:
            return self._newton(sds, fixed, nowhere)

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
        """−2 log-likelihood and its gradient over (log sds, coefficients).

        The determinant depends on the modes, which depend on the parameters; that path is followed by
        implicit differentiation of the modes' equation.
        """
        sds, layout = np.exp(log_sds), self.layout
        mode = self.mode(sds, coefficients)
        weight, inverse = mode.factor.weight, invert(mode.factor)
        by_log_odds = inverse.leverages * weight * (1.0 - 2.0 * mode.share)  # of log |H|, modes held
        of_modes = solve(mode.factor, gather_to_levels(layout, sds, by_log_odds))
        by_log_odds = by_log_odds - weight * spread_to_rows(layout, sds, of_modes)
        own = gather_to_levels(layout, sds, by_log_odds)
        by_log_sd = [
            2.0 * float(size - diagonal.sum() - effect @ effect) + float((part + passed) @ effect)
            for size, diagonal, effect, part, passed in zip(
                layout.sizes, inverse.diagonals, mode.effects, own, of_modes, strict=True
            )
        ]
        by_coefficient = self.matrix.T @ (by_log_odds - 2.0 * (self.survived - self.trials * mode.share))
        value = 2.0 * mode.penalised + mode.factor.log_determinant + self.constant
        return value, np.concatenate([by_log_sd, by_coefficient])


def laplace_for(design: Design, kept: Sequence[int]) -> Laplace:
    """The Laplace likelihood of a design with only the groupings kept."""
    layout = lay_out([design.groupings[place] for place in kept])
    return Laplace(design.matrix, design.rows.survived, design.rows.trials, layout)


def refuse_unsettled(error: FloatingPointError) -> Refused:
    """The sentence for a mixed model whose modes do not settle."""
    return Refused(
        f"The mixed model did not settle ({error}): look for a covariate with extreme values (put it in"
        " other units, or centre it) or a group with nearly all-or-nothing tanks."
    )
