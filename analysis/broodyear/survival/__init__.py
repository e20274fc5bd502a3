"""Survival regression for counts of eggs and fish, and what a careful reader asks before and after it."""

from __future__ import annotations

from broodyear.survival.collinearity import (
    Collinearity,
    collinearity,
    cross_table,
    sparse_cells,
    variance_inflation,
)
from broodyear.survival.compare import MethodComparison, compare_methods
from broodyear.survival.curvature import Curvature, curvature_test
from broodyear.survival.diagnostics import (
    leave_one_out,
    missing_outcome_bounds,
    quantile_residuals,
    random_effect_normality,
)
from broodyear.survival.families import planned_contrasts, screen_contrasts
from broodyear.survival.fit import METHODS, fit_survival
from broodyear.survival.multiplicity import benjamini_hochberg, holm
from broodyear.survival.practices import EffectsReport, effects_report, effects_table
from broodyear.survival.proportions import Interval, difference_interval, proportion_interval
from broodyear.survival.result import SurvivalFit
from broodyear.survival.separability import Separability, separability

__all__ = [
    "METHODS",
    "Collinearity",
    "Curvature",
    "EffectsReport",
    "Interval",
    "MethodComparison",
    "Separability",
    "SurvivalFit",
    "benjamini_hochberg",
    "collinearity",
    "compare_methods",
    "cross_table",
    "curvature_test",
    "difference_interval",
    "effects_report",
    "effects_table",
    "fit_survival",
    "holm",
    "leave_one_out",
    "missing_outcome_bounds",
    "planned_contrasts",
    "proportion_interval",
    "quantile_residuals",
    "random_effect_normality",
    "screen_contrasts",
    "separability",
    "sparse_cells",
    "variance_inflation",
]
