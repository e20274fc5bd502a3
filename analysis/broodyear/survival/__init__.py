"""Survival regression for counts of eggs and fish, and what a careful reader asks before and after it."""

from __future__ import annotations

from broodyear.survival.effects import EffectsReport, effects_report, effects_table
from broodyear.survival.fit import METHODS, fit_survival
from broodyear.survival.multiplicity import benjamini_hochberg, holm
from broodyear.survival.result import SurvivalFit
from broodyear.survival.separability import Separability, separability

__all__ = [
    "METHODS",
    "EffectsReport",
    "Separability",
    "SurvivalFit",
    "benjamini_hochberg",
    "effects_report",
    "effects_table",
    "fit_survival",
    "holm",
    "separability",
]
