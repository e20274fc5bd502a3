"""One adjusted-survival fit per outcome, from which effects, practices, changes and regions are read.

All practices stand in one model together (METHODS: one model, one family); every contrast of an outcome belongs to
one family, and is claimed or not by one rule. Others call `effects_report`, or `outcome_part` and `report_from`
to share the outcomes out; regions fit a factor of their own by `code_factor`, `fit_adjusted` and `within_batches`.
"""

from __future__ import annotations

from broodyear.survival.practices.factors import PRACTICES, Practice, available, practice_named
from broodyear.survival.practices.findings import EFFECT_COLUMNS
from broodyear.survival.practices.levels import PRACTICE_COLUMNS
from broodyear.survival.practices.outcome import (
    MODELS,
    EffectsReport,
    effects_report,
    outcome_part,
    outcomes_in,
    report_from,
)

__all__ = [
    "EFFECT_COLUMNS",
    "MODELS",
    "PRACTICES",
    "PRACTICE_COLUMNS",
    "EffectsReport",
    "Practice",
    "available",
    "effects_report",
    "outcome_part",
    "outcomes_in",
    "practice_named",
    "report_from",
]
