"""Adaptive Gauss–Hermite quadrature of a binomial mixed model with one random intercept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from broodyear.statistics.numbers import FloatArray, log1p_exp
from broodyear.survival.mixed.laplace import Laplace

GRADIENT_STEP = 1e-4  # relative to the size of a coefficient's column; log sd in its own units


@dataclass(frozen=True, eq=False)
class Quadrature:
    """−2 log-likelihood by quadrature around each level's conditional mode, for one grouping.

    laplace: the same data under the Laplace approximation, which supplies modes and their curvature.
    points: nodes per level; 1 node would give the Laplace value itself.
    """

    laplace: Laplace
    points: int

    def deviance(self, log_sds: FloatArray, coefficients: FloatArray) -> float:
        """−2 log-likelihood, binomial coefficients included (Pinheiro & Bates 1995)."""
        data, sd = self.laplace, float(np.exp(log_sds[0]))
        mode = data.mode(np.exp(log_sds), coefficients)
        level, levels = data.layout.main, data.layout.most
        fixed = data.matrix @ coefficients
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

    def with_gradient(self, log_sds: FloatArray, coefficients: FloatArray) -> tuple[float, FloatArray]:
        """The deviance and its gradient by fourth-order central differences."""
        values = np.concatenate([log_sds, coefficients])
        spread = np.maximum(np.abs(self.laplace.matrix).max(axis=0), 1e-12)
        steps = GRADIENT_STEP / np.concatenate([np.ones(len(log_sds)), spread])
        gradient = np.empty(len(values))
        for place, step in enumerate(steps):
            move = np.zeros(len(values))
            move[place] = step
            gradient[place] = (
                8.0 * (self._at(values + move) - self._at(values - move))
                - (self._at(values + 2.0 * move) - self._at(values - 2.0 * move))
            ) / (12.0 * step)
        return self._at(values), gradient

    def _at(self, values: FloatArray) -> float:
        return self.deviance(values[:1], values[1:])
