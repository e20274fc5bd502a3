"""One adjusted-survival fit per outcome, from which effects, practices, changes and regions are read.

All practices stand in one model together (METHODS: one model, one family); every contrast of an outcome belongs to
one family, and is claimed or not by one rule. Others call `effects_report`, or `outcome_part` and `report_from`
to share the outcomes out; regions fit a factor of their own by `code_factor`, `fit_adjusted` and `within_batches`.
"""

from __future__ import annotations

from broodyear.survival.practices.factors import PRACTICES, Practice, available
from broodyear.survival.practices.outcome import (
    MODELS,
    EffectsReport,
    effects_report,
    outcome_part,
    outcomes_in,
    report_from,
)

__all__ = [
    "MODELS", "PRACTICES", "EffectsReport", "Practice", "available", "effects_report", "outcome_part",
    "outcomes_in", "report_from",
]  # fmt: skip
